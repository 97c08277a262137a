"""The open job: its undo stack, its recovery copy, its files, and the worker that is set to work on it."""
