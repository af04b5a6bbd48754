"""Readings before they are judged: the tidy table, CSV taken by hand, waveforms, and what looks like a slip in them."""
