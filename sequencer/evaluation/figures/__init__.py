"""From readings to figures: pure functions of numpy arrays over many units, one figure a module.

No instrument, no clock, no table, no verdict. `figures.figures` gives them all at once.
"""
