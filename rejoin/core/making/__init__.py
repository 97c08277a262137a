"""From a whole to something made: a trial print, a pattern, a model for the mill, a cradle.

The order never changes: restore by number, machining stock, draft, contraction, printer compensation.
"""
