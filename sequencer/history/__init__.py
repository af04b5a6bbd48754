"""What many records say together: a unit over time, a type over its units, a bench over its check unit."""
