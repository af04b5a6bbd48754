"""From sequence, type sheet and bench to a flat list of points, before anything is energised."""
