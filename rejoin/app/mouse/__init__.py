"""What the mouse does in the view: tools, strokes, moving by hand, pointing out places."""
