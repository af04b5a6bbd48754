"""What the noise of readings is: arrays in, kinds with their weights out. No instrument, no clock, no file."""
