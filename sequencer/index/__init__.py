"""The index of records: found by what they hold, in SQLite beside them or in PostgreSQL. The folders stay the truth."""
