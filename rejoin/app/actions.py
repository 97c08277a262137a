"""The menus: every action of the window with its standard key."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from PySide6.QtGui import QAction, QActionGroup, QKeySequence
from PySide6.QtWidgets import QMenu

from rejoin.app.words.sentences import placed_count
from rejoin.core.records import Project

if TYPE_CHECKING:
    from rejoin.app.window import Window

Key = QKeySequence.StandardKey
TOOL_ENTRIES = (
    ("&Look", "look", "Alt+L"), ("&Take a face", "take", "Alt+T"), ("&Paint on a face", "paint", "Alt+P"),
    ("Ru&b out", "rub", "Alt+B"), ("&Rectangle", "box", "Alt+R"), ("&Outline", "outline", "Alt+O"),
    ("Set &marks", "mark", "Alt+M"), ("Pick a known &size", "size", "Alt+S"), ("Mo&ve by hand", "move", "Alt+G"),
)  # fmt: skip
USUAL = "From the slant"
VIEWS = {
    USUAL: ("Home", (0.45, -1.0, 0.55), (0, 0, 1)),
    "From the front": ("Alt+1", (0.0, -1.0, 0.0), (0, 0, 1)),
    "From the right": ("Alt+2", (1.0, 0.0, 0.0), (0, 0, 1)),
    "From above": ("Alt+3", (0.0, 0.0, 1.0), (0, 1, 0)),
}


class Actions:
    """Makes the menus of a window and keeps the actions that change state."""

    def __init__(self, window: Window) -> None:
        self.window = window
        self._file()
        self._edit()
        self._job()
        self._view()
        self._help()

    def enable(self, project: Project, idle: bool, tool: str) -> None:
        """Offer what can be done with a project now."""
        self.find.setEnabled(idle and bool(project.fragments))
        self.join.setEnabled(idle and len(project.fragments) >= 2)
        self.fuse.setEnabled(idle and placed_count(project) >= 2)
        self.settle.setEnabled(idle and any(p.placed_by == "person" for p in project.placements))
        for action in self.needs_fragments:
            action.setEnabled(idle and bool(project.fragments))
        for action in self.needs_joints:
            action.setEnabled(idle and bool(project.joints))
        self.save_whole.setEnabled(idle and project.whole is not None)
        self.cancel.setEnabled(not idle or tool != "look")

    def _add(self, menu: QMenu, text: str, key: object, why: str, action: Callable[[], object]) -> QAction:
        made = menu.addAction(text)
        if key is not None:
            made.setShortcut(QKeySequence(key))  # type: ignore[call-overload]
        made.setStatusTip(why)
        made.setToolTip(why)
        made.triggered.connect(lambda checked=False: action())
        return made

    def _name_undo(self, step: str) -> None:
        self.undo.setText(f"&Undo {step}".strip())

    def _name_redo(self, step: str) -> None:
        self.redo.setText(f"&Redo {step}".strip())

    def _file(self) -> None:
        w = self.window
        menu = w.menuBar().addMenu("&File")
        self._add(menu, "&New job", Key.New, "Start with an empty bench.", w.new)
        self._add(menu, "Open &scans…", "Ctrl+Shift+O", "Add the scans of fragments.", w.open_scans)
        self._add(menu, "Open a scan in several &files…", None, "A folder that holds the scan of one fragment.",
                  w.open_folder)  # fmt: skip
        samples = menu.addMenu("Sam&ples")
        samples.aboutToShow.connect(lambda: self._samples(samples))
        menu.addSeparator()
        self._add(menu, "&Open project…", Key.Open, "Open a saved job.", w.open_project)
        self.recent = menu.addMenu("&Recent projects")
        self.recent.aboutToShow.connect(self._recent)
        self._add(menu, "&Save project", Key.Save, "Save everything, to go on later.", w.save_project)
        self._add(menu, "Save project &as…", "Ctrl+Shift+S", "Save under another name.", w.save_project_as)
        menu.addSeparator()
        self.save_whole = self._add(menu, "Save the &whole…", "Ctrl+E", "Write the fused part to a mesh file.",
                                    w.save_whole)  # fmt: skip
        self._add(menu, "Save a &picture of the view…", "Ctrl+P", "A PNG at print resolution, with the colour bar "
                  "where there is one.", w.save_picture)  # fmt: skip
        self._add(menu, "Papers of the pa&rt…", None, "Notes, photographs and conditions, kept with the job.",
                  lambda: w.in_row(10, w.scans.open_papers))  # fmt: skip
        self._add(menu, "&Job card…", "Ctrl+Shift+P", "The job card for printing, with its pictures, as PDF or HTML.",
                  w.save_card)  # fmt: skip
        menu.addSeparator()
        self._add(menu, "&Quit", Key.Quit, "Close the window.", w.close)

    def _edit(self) -> None:
        w = self.window
        menu = w.menuBar().addMenu("&Edit")
        stack = w.bench.session.stack
        self.undo = self._add(menu, "&Undo", Key.Undo, "Take the last step back.", w.bench.step_back)
        self.redo = self._add(menu, "&Redo", Key.Redo, "Do the step again.", lambda: w.bench.step_back(again=True))
        self.redo.setShortcuts([QKeySequence(Key.Redo), QKeySequence("Ctrl+Y")])
        for act, can in ((self.undo, stack.canUndoChanged), (self.redo, stack.canRedoChanged)):
            act.setEnabled(False)
            can.connect(act.setEnabled)  # also while work runs: they say why not
        # no lambdas: the stack outlives the window, and would keep it
        stack.undoTextChanged.connect(self._name_undo)
        stack.redoTextChanged.connect(self._name_redo)
        menu.addSeparator()
        self.needs_fragments = [
            self._add(menu, "Re&name fragment…", None, "Name the selected fragment (F2 in the list).", w.scans.rename),
            self._add(menu, "Remove &fragment", None, "Take the selected fragment out (Delete in the list).",
                      w.scans.remove),
            self._add(menu, "State the &unit…", None, "Say again in which unit the selected scan's file is.",
                      w.scans.unit),
            self._add(menu, "&Clear face", None, "The selected surface is no fracture face.", w.faces.clear),
        ]  # fmt: skip
        menu.addSeparator()
        for text, tool, key in TOOL_ENTRIES:
            self.needs_fragments.append(self._add(menu, text, key, "What the mouse does in the view.",
                                                  lambda tool=tool: w.take_tool(tool)))  # fmt: skip
        menu.addSeparator()
        for text, key, factor in (("Lar&ger brush", "]", 1.25), ("S&maller brush", "[", 0.8)):
            self._add(menu, text, key, "How far the brush reaches.", lambda f=factor: w.faces.resize_brush(f))

    def _job(self) -> None:
        w = self.window
        menu = w.menuBar().addMenu("&Job")
        for index, panel in enumerate(w.panels):
            self._add(menu, f"{panel.number} {panel.title}", f"Ctrl+{index + 1}", "Unfold this row of the job card.",
                      lambda index=index: w.card.unfold(index))  # fmt: skip
        menu.addSeparator()
        self.find = self._add(menu, "&Find fracture faces", "Ctrl+F", "Look for the broken surfaces.",
                              w.bench.find_faces)  # fmt: skip
        self.join = self._add(menu, "&Join", "Ctrl+J", "Join the fragments and measure the gaps.", w.bench.join)
        self.settle = self._add(menu, "Bring into con&tact", "Ctrl+T", "Fit what was moved by hand.", w.join.settle)
        self.pair = self._add(menu, "These two faces be&long together", None, "Join by two faces selected in row 20.",
                              w.faces.pair)  # fmt: skip
        self.needs_fragments += [
            self.pair,
            self._add(menu, "Join by the mar&ks", None, "Lay three marks on each of two fragments together.",
                      w.tools.marks_wanted),
            self._add(menu, "Look for &other ways", None, "List every way in which two fragments touch.",
                      w.join.ways.look),
        ]  # fmt: skip
        self.needs_joints = [
            self._add(menu, text, None, why, lambda what=what: w.join.decide(what))
            for text, why, what in (("&Pin joint", "The selected joint is right.", "pin"),
                                    ("&Reject joint", "The selected joint is wrong.", "reject"),
                                    ("Let the numbers &decide", "Take a pin or a rejection back.", "free"))
        ]  # fmt: skip
        self.needs_fragments.append(
            self._add(menu, "Sp&lit a glued part", None, "Mark its glued seam in row 10 and split along it.",
                      lambda: w.in_row(10, w.scans.open_seam)))  # fmt: skip
        self.fuse = self._add(menu, "F&use", "Ctrl+U", "Make one closed surface.", w.bench.fuse)
        menu.addSeparator()
        self._late(menu)
        menu.addSeparator()
        self.cancel = self._add(menu, "&Cancel", "Esc", "Stop the running work, or what is being picked; nothing is "
                                "changed.", w.cancel)  # fmt: skip

    def _late(self, menu: QMenu) -> None:
        """What is done to the whole: rows 60 and 70."""
        w = self.window
        self.needs_fragments += [
            self._add(menu, text, key, why, lambda row=row, action=action: w.in_row(row, action))
            for text, key, why, row, action in (
                ("&Measure…", "Ctrl+M", "Pick what row 60 names.", 60, w.dimensions.begin),
                ("Check the &dimensions", "Ctrl+D", "Measure all again, and the fit-up.", 60, w.dimensions.check_again),
                ("Remove the dimension", None, "Take the selected one out.", 60, w.dimensions.remove),
                ("Open readin&gs…", None, "Take picks and readings from a table.", 60, w.dimensions.files.open_table),
                ("Save readings…", None, "Write picks and readings as a table.", 60, w.dimensions.files.save_table),
                ("&Clearance with a mating part…", None, "A map of the clearance on the whole.", 60,
                 w.dimensions.mating.open),
                ("After the rep&air…", None, "A new scan of the mended part against the whole.", 60,
                 w.dimensions.mended.open),
                ("Drawing s&heet…", None, "Sections at 1:1 and the hole table.", 60, w.dimensions.files.save_sheet),
                ("Save s&quared up…", None, "The whole, set on its own datums.", 60, w.dimensions.files.save_squared),
                ("Make &it", "Ctrl+Shift+M", "Make what row 70 names.", 70, w.make.make),
                ("Sa&ve what was made…", "Ctrl+Shift+E", "With its companion file.", 70, w.make.save),
                ("Save test &bar…", None, "A bar to print and measure.", 70, w.make.save_bar),
            )
        ]  # fmt: skip

    def _view(self) -> None:
        w = self.window
        menu = w.menuBar().addMenu("&View")
        for text, (key, _, _) in VIEWS.items():
            self._add(menu, text, key, "Turn the view.", lambda text=text: self._look(text))
        self._add(menu, "&Fit in sight", "End", "Bring everything into sight, from where you look.", w.scene.fit)
        menu.addSeparator()
        self._add(menu, "&Joined", "Ctrl+0", "Set the slider Apart to joined.", lambda: w.apart.setValue(0))
        self._add(menu, "&Drawn apart", "Ctrl+9", "Set the slider Apart half way.", lambda: w.apart.setValue(50))
        self._add(menu, "On the &bench", "Ctrl+8", "Lay the fragments side by side.", lambda: w.apart.setValue(100))
        self._add(menu, "&Cut open", "Ctrl+K", "Cut the joint open in row 40, or close it again.", w.cut_open)
        menu.addSeparator()
        self.units = self._choice(menu, (("Milli&metres", "mm"), ("&Inches", "inch")), w.bench.units.name,
                                  w.bench.set_units)  # fmt: skip
        menu.addSeparator()
        look = w.appearance
        self._choice(menu, (("&Light", "light"), ("Da&rk", "dark")), look.palette_name, look.change_colours)
        menu.addSeparator()
        self._add(menu, "Lar&ger text", Key.ZoomIn, "Make all words larger.", lambda: look.change_text(1))
        self._add(menu, "S&maller text", Key.ZoomOut, "Make all words smaller.", lambda: look.change_text(-1))

    def _look(self, view: str) -> None:
        _, direction, up = VIEWS[view]
        self.window.scene.look_from(direction, up)
        self.window.scene.own = view != USUAL

    def _help(self) -> None:
        w = self.window
        menu = w.menuBar().addMenu("&Help")
        for text, page, why in (("&The window", "window.md", "How the window works."),
                                ("The &lesson", "lesson.md", "A lesson of 45 minutes, for the teacher."),
                                ("The &samples", "samples", "The parts that come with the program."),
                                ("The &manual", "README.md", "Installing, commands, files, accuracy, sources.")):
            key = "Shift+F1" if page == "window.md" else None
            self._add(menu, text, key, why, lambda page=page: w.show_page(page))  # fmt: skip
        menu.addSeparator()
        self._add(menu, "What to do &next", Key.HelpContents, "Say what comes next.", w.next_row.say)
        self.class_mode = menu.addAction("Class m&ode")
        self.class_mode.setCheckable(True)
        self.class_mode.setChecked(w.class_mode.on)
        self.class_mode.setToolTip("Every row of the job card explains itself, with exercises and a replay.")
        self.class_mode.toggled.connect(w.class_mode.set_on)
        menu.addSeparator()
        self._add(menu, "&Cautions", None, "What a good fit does not say.", w.show_cautions)
        self._add(menu, "&About", None, "Version of the program.", w.show_about)

    def _choice(self, menu: QMenu, entries: tuple[tuple[str, str], ...], now: str,
                choose: Callable[[str], None]) -> dict[str, QAction]:  # fmt: skip
        group = QActionGroup(menu)
        made = {}
        for text, value in entries:
            action = menu.addAction(text)
            action.setCheckable(True)
            action.setChecked(value == now)
            action.triggered.connect(lambda checked=False, value=value: choose(value))
            group.addAction(action)
            made[value] = action
        return made

    def _samples(self, menu: QMenu) -> None:
        self.window.scans.fill_samples()
        menu.clear()
        menu.addActions(self.window.scans.samples_menu.actions())

    def _recent(self) -> None:
        self.recent.clear()
        for name in self.window.bench.recent():
            self.recent.addAction(name).triggered.connect(
                lambda checked=False, name=name: self.window.open_project(name)
            )
        if self.recent.isEmpty():
            self.recent.addAction("None yet").setEnabled(False)
