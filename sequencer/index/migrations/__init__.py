"""How the tables of the index came to be, step by step (alembic)."""
