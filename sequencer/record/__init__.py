"""What is kept of a run for good: written once, sealed, read again, amended beside."""
