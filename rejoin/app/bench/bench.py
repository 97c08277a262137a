"""What a person can do at the bench, without any widget: open, join, fuse, save, edit, undo."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from PySide6.QtCore import QObject, QSettings, Signal

from rejoin.app.bench.jobs import Jobs, Task
from rejoin.app.bench.opening import as_written, without_repeats
from rejoin.app.bench.recovery import Recovery
from rejoin.app.bench.session import Session
from rejoin.app.words import joint_words, sentences
from rejoin.app.work import tasks
from rejoin.core import edits
from rejoin.core.errors import RejoinError
from rejoin.core.records import Project
from rejoin.core.settings import Settings

RECENT = 8
UnitQuestion = Callable[[str, tuple[tuple[str, str], ...]], "str | None"]


class Bench(QObject):
    """The open project, the worker and the person's wishes.

    Attributes
    ----------
    said : Signal(str, str, str)
        "info" or "trouble", what happened, what to do.
    done : Signal(str)
        Title of the work that has just been finished and shown.
    units_changed : Signal()
    answered : Signal(str, object)
        What was asked, and the record that answers it; the project is as it was.
    ways_found : Signal(tuple of Joint)
        Ways in which two fragments might go together; `ways_of` is the project they were looked for in.
    ask_unit : callable
        Asked where files state no unit: (question, readings) -> unit, or None to open nothing.
    """

    said = Signal(str, str, str)
    done = Signal(str)
    units_changed = Signal()
    recent_changed = Signal()
    answered = Signal(str, object)
    ways_found = Signal(object)

    def __init__(self, memory: QSettings | None = None, recovery: Path | None = None,
                 parent: QObject | None = None, warm: bool = True) -> None:  # fmt: skip
        super().__init__(parent)
        self.memory = memory if memory is not None else QSettings("rejoin", "rejoin")
        self.session, self.jobs = Session(self), Jobs(self, warm)
        self.recovery = Recovery(recovery)
        self.session.changed.connect(self._keep)
        self.settings: dict[str, Settings] = {}
        self.ways_of: Project | None = None
        self.opening = ""  # what is to be said of the scans opened last
        self.units = sentences.Units(str(self.memory.value("units", "mm")))
        self.ask_unit: UnitQuestion = lambda question, readings: "mm"
        self.jobs.finished.connect(self._finished)
        self.jobs.failed.connect(self._failed)
        self.jobs.cancelled.connect(self._cancelled)

    @property
    def project(self) -> Project:
        return self.session.project

    def set_units(self, name: str) -> None:
        self.units = sentences.Units(name)
        self.memory.setValue("units", name)
        self.units_changed.emit()

    # work

    def open_scans(self, inputs: Sequence[str], asks: bool = True) -> bool:
        """Add scans from files, or from folders that each hold one fragment's scan."""
        return self._start("Open scans", tasks.read, tag=("read", asks), inputs=tuple(map(str, inputs)))

    def open_sample(self, name: str) -> bool:
        """Start anew with a sample part."""
        from rejoin.core.samples import sample_fragments

        try:
            files = sample_fragments(name)
        except RejoinError as error:
            self.say(error)
            return False
        if self.jobs.busy:
            return self._start("", tasks.read)
        self.new()
        return self.open_scans([str(f) for f in files], asks=False)

    def judge(self) -> bool:
        """Look whether the scans are good enough."""
        return self._start("Look the scans over", tasks.judge)

    def set_role(self, number: int, role: str, mirrored: bool) -> bool:
        """Say what a scan is of."""
        return self.work("Say what it is", tasks.clean, lambda p: edits.set_role(p, number, role, mirrored),
                         settings=self.settings.get("clean"))  # fmt: skip

    def find_faces(self) -> bool:
        return self._may_be_broken() and self._start("Find fracture faces", tasks.find_faces,
                                                     settings=self.settings.get("find_faces"))  # fmt: skip

    def join(self) -> bool:
        return self._may_be_broken() and self._start("Join", tasks.join, settings=dict(self.settings))

    def _may_be_broken(self) -> bool:
        """Where a glued part was split there is no break to look for; looking would undo how its sides were set."""
        glued = joint_words.glued_sides(self.project)
        if glued:
            self.said.emit("info", joint_words.GLUED, "")
        return not glued

    def look_for_ways(self, a: int, b: int) -> bool:
        """Look for every way in which two fragments touch; nothing is changed."""
        return self._start("Look for other ways", tasks.candidates, tag=("ways",), a=a, b=b,
                           settings=dict(self.settings))  # fmt: skip

    def clean_again(self, fragment: int, without: tuple[str, ...]) -> bool:
        """Clean one scan anew, with some kinds of repair taken back."""
        return self._start("Take repairs back" if without else "Repair again", tasks.clean_again, fragment=fragment,
                           without=without, settings=self.settings.get("clean"))  # fmt: skip

    def restate_unit(self, fragment: int) -> bool:
        """Ask again in which unit a scan's files are."""
        scan = self.project.scans[fragment]
        unit = self.ask_unit(*sentences.unit_question((as_written(scan),)))
        if unit is None or (unit == scan.unit and scan.unit_stated):
            return False
        return self.work("State the unit", tasks.clean, lambda p: edits.state_unit(p, (fragment,), unit),
                         settings=self.settings.get("clean"))  # fmt: skip

    def fuse(self) -> bool:
        return self._start("Fuse", tasks.fuse, settings=self.settings.get("fuse"))

    def save_whole(self, path: str, unit: str = "mm") -> bool:
        return self._start("Save the whole", tasks.write_whole, tag=("wrote", path), path=path, unit=unit)

    def errand(self, title: str, task: Task, path: str, **wishes: Any) -> bool:
        """Let the worker write a file; the project stays as it is."""
        return self._start(title, task, tag=("wrote", path), path=path, **wishes)

    def ask(self, title: str, task: Task, what: str, **wishes: Any) -> bool:
        """Let the worker find something out; `answered` tells it, nothing is changed."""
        return self._start(title, task, tag=("answer", what), **wishes)

    def start_with(self, title: str, task: Task, **wishes: Any) -> bool:
        """Put another job on the bench: what ``task`` makes."""
        return self._start(title, task, tag=("instead",), project=Project(), **wishes)

    def work(self, title: str, task: Task, edit: Callable[[Project], Project] | None = None, **wishes: Any) -> bool:
        """Do an edit and the work that follows from it, as one undoable step."""
        project = self.project
        if edit is not None:
            try:
                project = edit(project)
            except RejoinError as error:
                self.say(error)
                return False
        return self._start(title, task, project=project, **wishes)

    def edit(self, title: str, edit: Callable[[Project], Project], merge_key: str | None = None) -> bool:
        """Do an edit that takes no time."""
        if self.jobs.busy:
            self.said.emit("trouble", f"{self.jobs.title} is still running.", "Wait for it, or cancel it.")
            return False
        try:
            after = edit(self.project)
        except RejoinError as error:
            self.say(error)
            return False
        self.session.apply(title, after, merge_key)
        return True

    def step_back(self, again: bool = False) -> None:
        """Undo the last step, or do it ``again``."""
        stack = self.session.stack
        title = stack.redoText() if again else stack.undoText()
        if self.jobs.busy:
            self.said.emit("trouble", f"{self.jobs.title} is still running.", "Wait for it, or cancel it.")
        elif title:
            stack.redo() if again else stack.undo()
            self.said.emit("info", f"{'Done again' if again else 'Undone'}: {title}.", "")

    # project files

    def new(self) -> None:
        self.session.replace(Project(), None)

    def save(self, path: str) -> bool:
        return self._start("Save the project", tasks.save, tag=("saved", path), path=path)

    def load(self, path: str) -> bool:
        return self._start("Open the project", tasks.load, tag=("loaded", path), path=path)

    def recent(self) -> list[str]:
        stored = self.memory.value("recent", [])
        names = [stored] if isinstance(stored, str) else list(stored or [])
        return [name for name in names if Path(name).exists()][:RECENT]

    def recover(self, folder: Path) -> bool:
        return self._start("Recovered work", tasks.recover, tag=("recovered", str(folder)), folder=str(folder))

    def close(self, keep_recovery: bool = False) -> None:
        """End the worker; after a proper end the recovery copy is not needed any more."""
        self.jobs.close()
        self.recovery.keeper.end(forget=not keep_recovery)
        self.session.end()
        self.recovery.lock.unlock()

    def _keep(self, before: Project, after: Project) -> None:
        self.recovery.keeper.keep(after)

    def say(self, error: RejoinError) -> None:
        self.said.emit("trouble", error.what_happened, error.what_to_do)

    # what the worker answers

    def _start(
        self, title: str, task: Task, tag: Any = ("apply",), project: Project | None = None, **wishes: Any
    ) -> bool:
        if self.jobs.start(title, task, project or self.project, tag, **wishes):
            return True
        self.said.emit("trouble", f"{self.jobs.title} is still running.", "Wait for it, or cancel it.")
        return False

    def _finished(self, title: str, project: Any, tag: Any) -> None:
        kind = tag[0]
        if kind == "read":
            self._unit_then_clean(project, tag[1])
            return
        if kind == "apply":
            self.session.apply(title, project)
        elif kind == "ways":
            self.ways_of = self.project
            self.ways_found.emit(project.joints)
        elif kind == "answer":
            self.answered.emit(tag[1], project)
        elif kind == "instead":
            self.session.replace(project, None)
        elif kind == "saved":
            self.session.saved(Path(tag[1]))
            self._remember(tag[1])
            self.said.emit("info", f"Saved as {Path(tag[1]).name}.", "")
        elif kind == "loaded":
            self.session.replace(project, Path(tag[1]))
            self._remember(tag[1])
        elif kind == "recovered":
            self.session.replace(Project(), None)
            self.session.apply(title, project)
            self.recovery.forget(Path(tag[1]))
            self.said.emit("info", "The work that was not saved is back.", "Save the project to keep it.")
        elif kind == "wrote":
            self.said.emit("info", f"Saved as {Path(tag[1]).name}.", sentences.CAUTION)
        self.done.emit(title)

    def _unit_then_clean(self, project: Project, asks: bool) -> None:
        project, self.opening = without_repeats(project, len(self.project.scans))
        fresh = range(len(self.project.scans), len(project.scans))
        if not fresh:
            self.said.emit("info", self.opening, "")
            return
        unsaid = tuple(i for i in fresh if not project.scans[i].unit_stated)
        if unsaid:
            sizes = tuple(as_written(project.scans[i]) for i in unsaid)
            before = {scan.unit for scan in self.project.scans if scan.unit_stated}
            if asks and len(before) == 1:  # remembered for the part
                unit: str | None = before.pop()
                self.opening += (f" Taken to be in {unit}, as the scans before: row 10 has “Unit…” where that is "
                                 "wrong.")  # fmt: skip
            else:
                unit = self.ask_unit(*sentences.unit_question(sizes)) if asks else "mm"
            if unit is None:
                self.said.emit("info", "Nothing was opened.", "")
                return
            project = edits.state_unit(project, unsaid, unit)
        self._start("Open scans", tasks.clean, project=project, settings=self.settings.get("clean"))

    def _failed(self, title: str, what_happened: str, what_to_do: str, tag: Any) -> None:
        self.said.emit("trouble", what_happened, what_to_do)

    def _cancelled(self, title: str, tag: Any) -> None:
        self.said.emit("info", f"{title}: cancelled.", "Nothing was changed.")

    def _remember(self, path: str) -> None:
        names = [str(Path(path).resolve())]
        names += [name for name in self.recent() if name not in names]
        self.memory.setValue("recent", names[:RECENT])
        self.recent_changed.emit()
