"""For a class: an alignment to watch, joints that deceive, and work held against a known answer."""

from rejoin.core.lessons.answers import Answer, answer_to, scored
from rejoin.core.lessons.replay import replayed
from rejoin.core.lessons.tries import TRIES, Try, tried

__all__ = ["TRIES", "Answer", "Try", "answer_to", "replayed", "scored", "tried"]
