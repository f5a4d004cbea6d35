"""How did the tables come to be what they are? Alembic, one change a file."""
