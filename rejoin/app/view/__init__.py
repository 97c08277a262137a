"""The 3-D view, and all that is drawn in it and found under the pointer."""
