"""From an evaluated table to what is the matter: one examination, for a run, a record and a table taken by hand."""
