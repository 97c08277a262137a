"""Row 10: the papers of the job: notes, photographs, conditions, the scans' own files."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtWidgets import QCheckBox, QComboBox, QFileDialog, QFormLayout, QLineEdit, QVBoxLayout, QWidget

from rejoin.app.bench import ask_files
from rejoin.app.parts.fitted import FittedList
from rejoin.app.work import paper_tasks
from rejoin.core import edits
from rejoin.core.records import Attachment, Project

if TYPE_CHECKING:
    from rejoin.app.panels.scans import ScansPanel

KINDS = (
    ("The part: whose, from what", "part"), ("Its material", "material"), ("Marks in the casting", "casting mark"),
    ("A photograph", "photograph"), ("The scanner", "scanner"), ("Conditions: warmth, spray, place", "conditions"),
)  # fmt: skip
NAMES = {"part": "Part", "material": "Material", "casting mark": "Casting mark", "photograph": "Photograph",
         "scanner": "Scanner", "conditions": "Conditions", "original": "File of a scan"}  # fmt: skip
PICTURES = "Photographs (*.jpg *.jpeg *.png)"


class PapersPart(QWidget):
    """A list, and a line to add to it."""

    def __init__(self, panel: ScansPanel) -> None:
        super().__init__()
        self.panel, self.bench = panel, panel.bench
        self.ask_open = ask_files.to_open
        self.ask_folder = QFileDialog.getExistingDirectory
        self.list = FittedList(6)
        self.list.setAccessibleName("Papers of the part")
        self.list.setWordWrap(True)
        self.list.currentRowChanged.connect(lambda row: self._enable())
        self.kind = QComboBox()
        for words, name in KINDS:
            self.kind.addItem(words, name)
        self.kind.setToolTip("What the note or the file is about.")
        self.kind.setAccessibleName("About")
        self.kind.setMinimumContentsLength(12)
        self.kind.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.text = QLineEdit(placeholderText="what is to be kept")
        self.text.setToolTip("The note itself, or what the file shows. Return adds it.")
        self.text.setAccessibleName("Note")
        self.text.returnPressed.connect(self.add_note)
        self.keep = QCheckBox("Keep files inside the project")
        self.keep.setToolTip("Else only their name and checksum are kept, and the file stays where it is.")
        self.keep.setChecked(True)
        self.note_button = panel.button("Add the note", "Keep these words with the job.", self.add_note)
        self.file_button = panel.button("Add a file…", "A photograph or another file, with the words above.",
                                        self.add_file)  # fmt: skip
        self.out_button = panel.button("Take out", "Take the selected paper out again.", self.take_out)
        self.originals_button = panel.button("Keep the scans' files", "Keep the opened files inside the project, each "
                                             "checked against its checksum.", self.keep_originals)  # fmt: skip
        self.write_button = panel.button("Write files out…", "Write all files that are kept inside into a folder.",
                                         self.write_out)  # fmt: skip
        holder = QWidget()
        form = QFormLayout(holder)
        form.setContentsMargins(0, 0, 0, 0)
        form.addRow("About", self.kind)
        form.addRow("Note", self.text)
        box = QVBoxLayout(self)
        box.setContentsMargins(12, 0, 0, 0)
        box.addWidget(panel.text("They stay with the project and are listed on the job card.", "faded"))
        box.addWidget(self.list)
        box.addWidget(panel.row(self.out_button))
        box.addWidget(holder)
        box.addWidget(panel.row(self.note_button, self.file_button))
        box.addWidget(self.keep)
        box.addWidget(panel.row(self.originals_button))
        box.addWidget(panel.row(self.write_button))

    def show_project(self, project: Project) -> None:
        row = self.list.currentRow()
        self.list.clear()
        for one in project.attachments:
            self.list.addItem(line(one))
        self.list.setCurrentRow(min(row, len(project.attachments) - 1))
        self.list.fit()
        self._enable()

    def add_note(self) -> None:
        """Keep what was typed."""
        kind, words = str(self.kind.currentData()), self.text.text()
        if self.bench.edit("Add a note", lambda p: edits.attach(p, kind, words)):
            self.text.clear()

    def add_file(self) -> None:
        """Ask for a file and let the worker read it."""
        kind = str(self.kind.currentData())
        path = self.ask_open(self, self.bench, "Add a file", PICTURES if kind == "photograph" else "All files (*)")
        if path and self.bench.work("Add a file", paper_tasks.attach, kind=kind, text=self.text.text(), file=path,
                                    keep=self.keep.isChecked()):  # fmt: skip
            self.text.clear()

    def take_out(self) -> None:
        """Take the selected paper out."""
        row = self.list.currentRow()
        if row >= 0:
            self.bench.edit("Take a paper out", lambda p: edits.detach(p, row))

    def keep_originals(self) -> None:
        """Let the worker read the scans' files in."""
        self.bench.work("Keep the scans' files", paper_tasks.keep_originals)

    def write_out(self) -> None:
        """Ask for a folder and let the worker write the files there."""
        start = str(self.bench.memory.value("folder", ""))
        folder = self.ask_folder(self.window(), "Folder for the files", start)
        if folder:
            self.bench.errand("Write files out", paper_tasks.write_originals, folder)

    def _enable(self) -> None:
        idle, project = not self.bench.jobs.busy, self.bench.project
        for button in (self.note_button, self.file_button):
            button.setEnabled(idle)
        self.out_button.setVisible(bool(project.attachments))
        self.out_button.setEnabled(idle and self.list.currentRow() >= 0)
        self.originals_button.setEnabled(idle and bool(project.scans))
        self.write_button.setEnabled(idle and any(one.data is not None for one in project.attachments))


def line(one: Attachment) -> str:
    """A paper in one line."""
    kept = "kept in the project" if one.data is not None else "not kept"
    file = f" ({one.name}, {kept})" if one.name else ""
    return f"{NAMES.get(one.kind, one.kind)}: {one.text}{file}".replace(":  (", ": (")
