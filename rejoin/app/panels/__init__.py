"""The rows of the job card: one module a row, and one for each thing that has a place of its own in it."""
