"""What comes next on the job card, told in the message strip."""

from __future__ import annotations

from collections.abc import Sequence

from rejoin.app.bench.bench import Bench
from rejoin.app.job_card import JobCard
from rejoin.app.panels.base import Panel
from rejoin.app.panels.scans import ScansPanel
from rejoin.app.strip import Strip
from rejoin.app.words.sentences import wanted_scans


class NextRow:
    """Says which row comes next, and says it anew once another one does."""

    def __init__(self, bench: Bench, card: JobCard, panels: Sequence[Panel], strip: Strip) -> None:
        self.bench, self.card, self.panels, self.strip = bench, card, panels, strip
        self._told: int | None = None

    def say(self, title: str = "") -> None:
        """Say what comes next, after the work of a ``title`` where one has just ended."""
        row = self.card.next_row()
        done = f"{title}: done. " if title else ""
        short = next((told for panel in self.panels if (told := panel.fell_short(title))), None)
        if short:
            self.strip.say("trouble", *short)
            return
        if row is None:
            self.strip.say("info", f"{done}The job card is complete.", "Save the whole from row 50.")
        else:
            panel = self.panels[row]
            hint = next((told for panel in self.panels if (told := panel.go_on(title))), "")
            if isinstance(panel, ScansPanel):
                hint = f"{hint} {wanted_scans(self.bench.project)}".strip()
            self.strip.say("info", f"{done}Next: {panel.number} {panel.title}.", hint)
        self.strip.tells_next, self._told = True, row

    def say_if_another(self) -> None:
        """Say it anew where the strip names a row that was done by being looked at."""
        if self.strip.tells_next and self._told != self.card.next_row():
            self.say()
