"""The simulated bench: one physical model, reached through VISA on virtual time or over real sockets."""
