"""Opening and saving as the window offers it: dialogs, the folder used last, the question before work is lost."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from PySide6.QtWidgets import QApplication, QMainWindow

from rejoin.app.bench import ask_files
from rejoin.app.bench.bench import Bench
from rejoin.app.job_card import JobCard
from rejoin.app.parts import dialogs
from rejoin.app.parts.colour_bar import ColourBar
from rejoin.app.strip import Strip
from rejoin.app.view.pictures import save_picture
from rejoin.app.view.scene import Scene
from rejoin.app.view.widget import View
from rejoin.app.work import card_tasks

CARDS = {"To print (*.pdf)": ".pdf", "Page (*.html)": ".html"}


class FileWork(QMainWindow):
    """The part of the window that deals with files."""

    bench: Bench
    card: JobCard
    strip: Strip
    view: View
    scene: Scene
    ask_keep: Callable[..., str]
    ask_stop: Callable[..., bool]
    ask_card = staticmethod(ask_files.to_save)

    def new(self) -> None:
        if self.may_leave():
            self.bench.new()
            self.card.unfold(0)

    def open_scans(self) -> None:
        files = dialogs.ask_scans(self, ask_files.folder(self.bench))
        if files:
            ask_files.remember(self.bench, files[0])
            self.open_any(files)

    def open_any(self, paths: Sequence[str]) -> None:
        """Open scans, or the saved project among them."""
        projects = [path for path in paths if path.lower().endswith(".rejoin")]
        if projects and len(paths) > 1:
            self.bench.said.emit("trouble", "A saved job was given together with other files, so nothing was opened.",
                                 "Open the job first, by itself; then add scans to it.")  # fmt: skip
        elif projects:
            self.open_project(projects[0])
        elif paths:
            self.bench.open_scans(paths)

    def open_folder(self) -> None:
        folder = dialogs.ask_folder(self, ask_files.folder(self.bench))
        if folder:
            self.bench.open_scans([folder])

    def open_project(self, path: str = "") -> None:
        if not self.may_leave():
            return
        path = path or dialogs.ask_project(self, ask_files.folder(self.bench))
        if path:
            ask_files.remember(self.bench, path)
            self.bench.load(path)

    def save_project(self) -> bool:
        path = self.bench.session.path
        if path and self.bench.session.changed_outside:
            self.bench.said.emit("trouble", f"{path.name} was changed by another program since it was opened or saved "
                                 "here.", "Save under another name, so that neither is lost.")  # fmt: skip
            return False
        return self.bench.save(str(path)) if path else self.save_project_as()

    def save_project_as(self) -> bool:
        path = dialogs.ask_save_project(self, ask_files.folder(self.bench))
        return bool(path) and self.bench.save(path)

    def save_whole(self) -> None:
        if self.bench.project.whole is None:
            self.strip.say("info", "There is no whole to save yet.", "Fuse the fragments in row 50 first.")
            return
        path = dialogs.ask_save_whole(self, ask_files.folder(self.bench))
        if path:
            ask_files.remember(self.bench, path)
            self.bench.save_whole(path, self.bench.units.name)

    def save_picture(self) -> None:
        """The view as a picture for printing, its colour bar beside it."""
        path = dialogs.ask_picture(self, ask_files.folder(self.bench))
        if path:
            ask_files.remember(self.bench, path)
            try:
                save_picture(self.view, self.scene, self.shown_bar(), Path(path))
            except OSError as error:
                self.strip.say("trouble", f"{Path(path).name} cannot be written ({error.strerror}).",
                               "Choose another folder, or free some room.")  # fmt: skip
                return
            self.strip.say("info", f"Saved as {Path(path).name}.", "It is made to be printed 180 mm wide.")

    def save_card(self) -> None:
        """The job card for printing, as PDF or HTML."""
        if not self.bench.project.scans:
            self.strip.say("info", "There is nothing to put on a card yet.", "Open some scans first.")
            return
        name = ask_files.job_name(self.bench)
        path = self.ask_card(self, self.bench, "Save the job card", f"{name}, job card.pdf", CARDS)
        if path:
            self.bench.errand("Save the job card", card_tasks.write_job_card, path, name=name,
                              unit=self.bench.units.name)  # fmt: skip

    def shown_bar(self) -> ColourBar | None:
        """The colour bar beside the view, where one is shown."""
        raise NotImplementedError

    def may_stop(self) -> bool:
        """Ask before running work would be broken off."""
        if not self.bench.jobs.busy:
            return True
        if not self.ask_stop(self, self.bench.jobs.title):
            return False
        self.bench.jobs.cancel()
        return True

    def may_leave(self) -> bool:
        """Ask before unsaved work would be lost."""
        if not self.bench.session.modified:
            return True
        answer = self.ask_keep(self)
        if answer == "save" and self.save_project():
            while self.bench.jobs.busy:
                QApplication.processEvents()
            return not self.bench.session.modified
        return answer == "discard"
