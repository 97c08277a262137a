"""What can go wrong, in words a person can act on.

RejoinError            a step has no answer: what happened, what to do
├── WrongUse           the call itself is wrong            (exit code 2)
├── NoAnswer           good input, yet no answer exists    (exit code 3)
│   └── Cancelled      the person stopped the work
└── FileTrouble        a file cannot be read or written    (exit code 4)

A *bad* answer (a doubtful joint, an open whole) is no error: it is reported
as a verdict in the record that the step returns.
"""

from __future__ import annotations


class RejoinError(Exception):
    """A step could give no answer.

    Parameters
    ----------
    what_happened : str
        One plain sentence, the same in the window and in the terminal.
    what_to_do : str
        One plain sentence that the person can act on.
    """

    exit_code = 3

    def __init__(self, what_happened: str, what_to_do: str) -> None:
        super().__init__(what_happened, what_to_do)
        self.what_happened = what_happened
        self.what_to_do = what_to_do

    def __str__(self) -> str:
        return f"{self.what_happened} {self.what_to_do}".strip()


class WrongUse(RejoinError):
    """The call is wrong: an option, a number out of range, a missing choice."""

    exit_code = 2


class NoAnswer(RejoinError):
    """The input was understood, but the step has no answer for it."""

    exit_code = 3


class Cancelled(NoAnswer):
    """The person stopped the work; nothing was changed."""

    def __init__(self) -> None:
        super().__init__("The work was cancelled.", "Nothing was changed.")


class FileTrouble(RejoinError):
    """A file is missing, damaged, of the wrong kind, or cannot be written."""

    exit_code = 4


NO_MEMORY = ("can't start new thread", "failed to map segment")
"""What Python and the system say where there is no memory for a thread, or for a library."""


def out_of_memory(error: BaseException) -> bool:
    """Whether an error means that memory ran out, whatever it is called."""
    return isinstance(error, MemoryError) or any(words in str(error) for words in NO_MEMORY)
