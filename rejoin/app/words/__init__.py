"""What the window says: records in plain words, lengths in the reader's unit."""
