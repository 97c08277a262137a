"""Class mode: rows that explain themselves, an alignment seen again, exercises."""
