"""For a class: an alignment to watch, joints that deceive, and work held against a known answer."""
