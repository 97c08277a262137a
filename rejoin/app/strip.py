"""The message strip: what is being done, how far it is, Cancel; or what was said last."""

from __future__ import annotations

from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QProgressBar, QPushButton, QSizePolicy

from rejoin.app.bench.jobs import Jobs
from rejoin.app.parts.dress import dress_anew


class Strip(QFrame):
    """The strip below the window.

    Attributes
    ----------
    tells_next : bool
        Whether its words say which row comes next, so that they are old once the project changes.
    tells_progress : bool
        Whether they are of work that runs, so that they are old once it has ended.
    """

    def __init__(self, jobs: Jobs) -> None:
        super().__init__()
        self.setObjectName("strip")
        self.tells_next = self.tells_progress = False
        self.words = QLabel("Open the scans of the fragments to begin.")
        self.words.setWordWrap(True)
        self.words.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Preferred)
        self.words.setMinimumHeight(2 * self.words.fontMetrics().height() + 4)
        self.bar = QProgressBar(minimum=0, maximum=1000)
        self.bar.setFixedWidth(220)
        self.cancel = QPushButton("Cancel")
        self.cancel.setToolTip("Stop the running work; nothing is changed (Esc).")
        self.cancel.clicked.connect(jobs.cancel)
        line = QHBoxLayout(self)
        line.setContentsMargins(12, 5, 12, 5)
        for widget in (self.words, self.bar, self.cancel):
            line.addWidget(widget)
        jobs.busy_changed.connect(self._busy)
        jobs.progress.connect(self._progress)
        self._busy(False)

    def say(self, kind: str, what_happened: str, what_to_do: str) -> None:
        """Show a message; trouble is marked by a sign and a word, not by colour alone."""
        self.tells_next = self.tells_progress = False
        text = f"{what_happened} {what_to_do}".strip()
        self.words.setObjectName("bad" if kind == "trouble" else "")
        self.words.setText(f"⚠ {text}" if kind == "trouble" else text)
        dress_anew(self.words)

    def _busy(self, busy: bool) -> None:
        self.bar.setVisible(busy)
        self.cancel.setVisible(busy)
        if busy:
            self.words.setObjectName("")
            dress_anew(self.words)

    def _progress(self, share: float, sentence: str) -> None:
        self.tells_next, self.tells_progress = False, True
        self.bar.setValue(int(1000 * min(max(share, 0.0), 1.0)))
        self.words.setText(sentence)
