"""What talks to the bench: sessions, instruments as data, keyed instruments, and the simulated bench."""
