"""The journal of a run: written line by line, read again, and made into the table of readings."""
