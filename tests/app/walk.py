"""A scripted person goes through a whole sample job in the real window: ``python -m tests.app.walk OUT``.

Every state is kept as a picture in OUT; OUT/walk.json says which ways of
joining led to the right place, whether undo and redo came back to the same
project, the longest time that the window did not answer, and what was saved.
All input goes through real mouse and key events; the script knows where on
the screen a place appears, as a person sees it. Stalls are measured over all
of it, also with two scans of a million points.
"""

from __future__ import annotations

import faulthandler
import hashlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from PySide6.QtCore import QPoint, Qt
from PySide6.QtTest import QTest

SAMPLE = "pump_rocker"
RIGHT_MM = 1.0
"""A way of joining counts where no point is further than this from its true place."""


def main(out: Path, sample: str = SAMPLE) -> int:
    """Walk through ``sample`` and write pictures and walk.json into ``out``."""
    from tests.app.person import Person, opened
    from tests.app.pulse import Pulse

    out.mkdir(parents=True, exist_ok=True)
    for old in out.glob("[0-9][0-9]_*.png"):
        old.unlink()
    started = time.monotonic()
    with opened() as window:
        person, pulse = Person(window, out), Pulse(window)
        person.thinks, person.patience_s = pulse.skip, 900.0
        person.pause(500)
        result = Walk(person, sample, out, pulse).run()
        result.update(pulse.told())
        result["loaded"] = os.getloadavg()[0] / (os.cpu_count() or 1)
    result["seconds"] = round(time.monotonic() - started, 1)
    (out / "walk.json").write_text(json.dumps(result, indent=2) + "\n")
    return 0 if result["undo_equal"] and len(result["ways_joined"]) == 4 and not result["troubles"] else 1


class Walk:
    """The steps of the walk."""

    def __init__(self, person: Any, sample: str, out: Path, pulse: Any = None) -> None:
        from rejoin.core.samples import sample_folder

        self.person, self.window, self.sample, self.out = person, person.window, sample, out
        self.pulse = pulse
        self.truth = json.loads((sample_folder(sample) / "truth.json").read_text())
        self.ways: list[str] = []
        self.errors: dict[str, float] = {}
        self.cancelled: list[str] = []
        self.went_on = False
        self._broken: dict[int, Any] = {}

    def run(self) -> dict[str, Any]:
        from tests.app.person import CONTROL

        person, window = self.person, self.window
        person.picture("empty")
        person.open_sample(self.sample)
        person.picture("scans")
        person.open_row(20)
        self.cancel("finding faces", window.faces.find_button)
        person.click(window.faces.find_button)
        person.pause(250)
        person.picture("finding_faces")
        person.wait_until_done()
        person.picture("faces")
        person.open_row(30)
        self.cancel("joining", window.join.join_button)
        self.kill_worker(window.join.join_button)
        person.click(window.join.join_button)
        person.pause(400)
        person.picture("joining")
        person.wait_until_done()
        person.pause(900)
        person.picture("joined")
        found = self.note("found by the program")
        joined = window.bench.project
        for way in (self.by_faces, self.by_marks, self.by_moving):
            way()
        while found and window.bench.project is not joined:
            person.key(Qt.Key.Key_Z, CONTROL)
        self.look_at_gaps()
        saved = self.fuse_and_save()
        undo_equal = self.undo_and_redo()
        self.other_looks()
        self.large_scans()
        recovered = self.crash_and_recover()
        return {
            "ways_joined": self.ways, "undo_equal": undo_equal, "cancelled": self.cancelled,
            "went_on_after_kill": self.went_on, "recovered": recovered, "saved_sha256": saved, "sample": self.sample,
            "worst_error_mm": self.errors, "troubles": person.troubles, "pictures": person.taken,
        }  # fmt: skip

    def look_at_gaps(self) -> None:
        person, window = self.person, self.window
        person.open_row(40)
        person.picture("gap_joined")
        person.set_slider(window.apart, 0.4)
        broken = self.used_faces()[0]
        self.show_face(0, broken)
        position = self.in_sight(0, broken)
        QTest.mouseMove(window.view, position)
        person.pause(200)
        person.picture("gap_apart")
        person.click(window.gap.cut)
        person.picture("gap_cut")
        person.click(window.gap.cut)
        person.show_only(None)
        person.key(Qt.Key.Key_Home)

    def fuse_and_save(self) -> str:
        person, window = self.person, self.window
        person.open_row(50)
        self.cancel("fusing", window.whole.fuse_button)
        person.click(window.whole.fuse_button)
        person.pause(300)
        person.picture("fusing")
        person.wait_until_done()
        person.picture("whole")
        path = self.out / f"{self.sample}.3mf"
        path.unlink(missing_ok=True)
        person.save_whole(path)
        person.picture("saved")
        return hashlib.sha256(path.read_bytes()).hexdigest() if path.exists() else ""

    def undo_and_redo(self) -> bool:
        window = self.window
        before = window.bench.project
        self.person.undo_everything()
        empty = not window.bench.project.scans
        self.person.picture("undone")
        self.person.redo_everything()
        return empty and window.bench.project is before

    def other_looks(self) -> None:
        person = self.person
        person.menu("View", "Dark")
        person.menu("View", "Inches")
        for row in (50, 40, 30, 20, 10):
            person.open_row(row)
            person.picture(f"dark_inch_{row}")
        person.menu("View", "Light")
        person.menu("View", "Millimetres")

    def cancel(self, step: str, button: Any) -> None:
        """Begin a step and break it off with its button; nothing may have changed."""
        before = self.window.bench.project
        self.person.click(button)
        self.person.pause(300)
        if self.window.bench.jobs.busy:
            self.person.click(self.window.strip.cancel)
            if self.window.bench.project is before and not self.window.bench.jobs.busy:
                self.cancelled.append(step)
        if not self.cancelled[1:]:
            self.person.picture("cancelled")

    def kill_worker(self, button: Any) -> None:
        """Kill the working process from outside: a message comes, and the next try works."""
        before, bench = self.window.bench.project, self.window.bench
        self.person.click(button)
        self.person.pause(300)
        os.kill(bench.jobs.process_id, signal.SIGKILL)
        self.person.wait_until_done()
        self.person.picture("worker_killed")
        said = [words for words in self.person.troubles if "stopped unexpectedly" in words]
        self.person.troubles[:] = [words for words in self.person.troubles if words not in said]
        self.went_on = bool(said) and bench.project is before

    def large_scans(self) -> None:
        """Two scans of a million points: opened, looked at, a face taken, painted, drawn round, undone."""
        from tests.app import made_up
        from tests.app.person import CONTROL

        person, window = self.person, self.window
        with tempfile.TemporaryDirectory() as scratch:
            files = made_up.write_scans(Path(scratch), large=True)
            breaks = [made_up.large_block(part)[1] for part in (0, 1)]
            person.thinks()
            person.menu("File", "New job")
            person.thinks()
            person.open_scans(files)
        person.picture("large_scans")
        person.open_row(20)
        person.pause(1500)
        self._broken = dict(enumerate(breaks))
        for fragment, triangles in self._broken.items():
            self.show_face(fragment, triangles)
            position = self.in_sight(fragment, triangles)
            QTest.mouseMove(window.view, position)
            person.pause(250)
            person.click_view(position)
        person.picture("large_face_taken")
        person.click(window.faces.tool_buttons["paint"])
        person.drag_view(position, QPoint(60, 30))
        person.click(window.faces.tool_buttons["outline"])
        person.drag_round(position, 70)
        person.picture("large_outline")
        stack = window.bench.session.stack
        while stack.index() > 1:
            person.key(Qt.Key.Key_Z, CONTROL)
        person.redo_everything()
        self._broken = {}

    def crash_and_recover(self) -> bool:
        """Another run is killed in the middle of its work; the next start offers what it had done."""
        from PySide6.QtCore import QSettings
        from PySide6.QtWidgets import QMessageBox

        from rejoin.app.bench.bench import Bench
        from rejoin.app.main import _begin
        from rejoin.app.window import Window

        with tempfile.TemporaryDirectory() as scratch:
            subprocess.run([sys.executable, "-m", "tests.app.walk", "--crash", scratch], check=False, timeout=300)
            self.person.thinks()
            memory = QSettings(str(Path(scratch) / "memory.ini"), QSettings.Format.IniFormat)
            second = Window(Bench(memory, Path(scratch) / "recovery"))
            second.ask_keep = lambda parent: "discard"
            if self.pulse is not None:
                self.pulse.leave_out(second.view)
            second.show()
            self.person.thinks()
            person = type(self.person)(second, self.out)
            person.taken = self.person.taken
            person.when_asked(QMessageBox, lambda d: QTest.mouseClick(d.buttons()[0], Qt.MouseButton.LeftButton))
            _begin(second, None, (), None)
            person.wait_until_done()
            person.picture("recovered")
            self.person.taken = person.taken
            scans = second.bench.project.scans
            second.close()
            self.person.thinks()
            return bool(scans) and scans[0].name == "named just before the crash"

    def by_moving(self) -> None:
        """Drag the second fragment off, then bring it into contact again."""
        person, window = self.person, self.window
        person.show_only(None)
        person.key(Qt.Key.Key_Home)
        person.open_row(30)
        person.unfold(window.join, "It did not work?")
        person.set_slider(window.apart, 0.0)
        person.click(window.join.by_hand.move_button)
        mesh = window.bench.project.fragments[1].mesh
        start = self.in_sight(1, np.arange(len(mesh.triangles)))
        assert window.bench.project.placements, "nothing is joined that could be moved off"
        person.drag_view(start, QPoint(6, -3))
        person.picture("moved_by_hand")
        person.click(window.join.by_hand.settle_button)
        person.wait_until_done()
        person.picture("brought_into_contact")
        self.note("moved by hand")

    def by_faces(self) -> None:
        """Click the broken face on each fragment, then say that they belong together."""
        person, window = self.person, self.window
        used = self.used_faces()
        person.open_row(20)
        person.set_slider(window.apart, 1.0)
        for fragment, triangles in used.items():
            self.show_face(fragment, triangles)
            person.click_view(self.in_sight(fragment, triangles))
        person.show_only(None)
        person.key(Qt.Key.Key_Home)
        rows = [i for i, face in enumerate(window.bench.project.faces) if face.chosen_by == "person"]
        person.picture("faces_by_hand")
        person.select_rows(window.faces.list, rows[:2])
        person.click(window.faces.pair_button)
        person.wait_until_done()
        person.picture("joined_by_faces")
        self.note("picked faces")

    def by_marks(self) -> None:
        """Set three marks on each fragment at places that match, as a person sees them match."""
        person, window = self.person, self.window
        used = self.used_faces()
        first, second = sorted(used)
        a_from_b = self.true_pose(first, second)
        project = window.bench.project
        centres = {f: middles(project.fragments[f].mesh, used[f]) for f in used}
        places_a = spread(centres[first])
        from scipy.spatial import cKDTree

        tree = cKDTree(centres[second] @ a_from_b[:3, :3].T + a_from_b[:3, 3])
        places_b = tree.query(centres[first][places_a])[1]
        person.thinks()
        person.open_row(30)
        person.unfold(window.join, "It did not work?")
        person.set_slider(window.apart, 1.0)
        person.click(window.join.by_hand.mark_button)
        for fragment, places in ((first, places_a), (second, places_b)):
            self.show_face(fragment, used[fragment])
            for place in places:
                world = window.scene.poses()[fragment] @ np.append(centres[fragment][place], 1.0)
                person.click_view(window.view.widget_position(world[:3]).toPoint())
        person.picture("marks")
        person.show_only(None)
        person.key(Qt.Key.Key_Home)
        person.click(window.join.by_hand.use_marks_button)
        person.wait_until_done()
        person.picture("joined_by_marks")
        self.note("three marks")

    # helpers

    def note(self, way: str) -> bool:
        error = self.error_mm()
        self.errors = {**self.errors, way: round(error, 4)}
        if error < RIGHT_MM:
            self.ways.append(way)
        self.person.thinks()
        return error < RIGHT_MM

    def error_mm(self) -> float:
        from rejoin.core.transforms import displacement, inverse

        placements = self.window.bench.project.placements
        if len(placements) < 2 or any(p.part_from_scan is None for p in placements[:2]):
            return float("inf")
        found = inverse(placements[0].part_from_scan) @ placements[1].part_from_scan
        points = self.window.bench.project.fragments[1].mesh.vertices
        return float(displacement(found, self.true_pose(0, 1), points).max())

    def true_pose(self, a: int, b: int) -> Any:
        poses = [np.array(pose) for pose in self.truth["part_from_scan_mm"]]
        return np.linalg.inv(poses[a]) @ poses[b]

    def used_faces(self) -> dict[int, Any]:
        """The broken surfaces, by fragment, as one sees them: where the two lie close in truth."""
        from rejoin.core.edits import join_by_hand

        if self._broken:
            return self._broken
        bare = replace(self.window.bench.project, faces=())
        joint = join_by_hand(bare, 0, 1, self.true_pose(0, 1)).joints[0]
        self._broken = {0: self.inner(0, joint.face_a.triangles), 1: self.inner(1, joint.face_b.triangles)}
        self.person.thinks()
        return self._broken

    def inner(self, fragment: int, triangles: Any) -> Any:
        """Those that face the way most of them do: without what lies close just beyond the rim."""
        from rejoin.core.meshes import triangle_crosses
        from tests.app.person import facing_normal

        crosses = triangle_crosses(self.window.bench.project.fragments[fragment].mesh)[triangles]
        leaning = crosses @ facing_normal(self.window, fragment, triangles)
        return triangles[leaning > 0.6 * np.linalg.norm(crosses, axis=1)]

    def show_face(self, fragment: int, triangles: Any) -> None:
        from tests.app.person import facing_normal

        mesh = self.window.bench.project.fragments[fragment].mesh
        middle = middles(mesh, triangles).mean(axis=0)
        normal = facing_normal(self.window, fragment, triangles)
        self.person.thinks()
        self.person.see(fragment, middle, normal)

    def in_sight(self, fragment: int, triangles: Any) -> Any:
        """A place of these triangles that is really seen, near their middle first."""
        window = self.window
        centres = middles(window.bench.project.fragments[fragment].mesh, triangles)
        order = np.argsort(np.linalg.norm(centres - np.median(centres, axis=0), axis=1))
        pose, members = window.scene.poses()[fragment], set(np.asarray(triangles).tolist())
        for place in order[:: max(len(order) // 400, 1)]:
            world = pose @ np.append(centres[place], 1.0)
            position = window.view.widget_position(world[:3]).toPoint()
            hit = window.scene.pick(*window.view.display(position.toPointF()))
            if hit is not None and hit.fragment == fragment and hit.triangle in members:
                self.person.thinks()
                return position
        raise AssertionError("the place cannot be seen")


def middles(mesh: Any, triangles: Any) -> Any:
    return mesh.vertices[mesh.triangles[triangles]].mean(axis=1)


def spread(points: Any) -> list[int]:
    """Three of the points, far from each other and off the very rim."""
    middle = points.mean(axis=0)
    far = np.linalg.norm(points - middle, axis=1)
    inner = np.flatnonzero(far < 0.7 * far.max())
    first = inner[np.argmax(np.linalg.norm(points[inner] - middle, axis=1))]
    second = inner[np.argmax(np.linalg.norm(points[inner] - points[first], axis=1))]
    along = (points[second] - points[first]) / np.linalg.norm(points[second] - points[first])
    off = points[inner] - points[first]
    third = inner[np.argmax(np.linalg.norm(off - (off @ along)[:, None] * along, axis=1))]
    return [int(first), int(second), int(third)]


def crash(scratch: Path) -> None:
    """Do some work by hand in a window, and be killed."""
    from PySide6.QtCore import QSettings
    from PySide6.QtWidgets import QApplication

    from rejoin.app.bench.bench import Bench
    from rejoin.app.window import Window
    from rejoin.core.edits import rename
    from tests.app import made_up

    QApplication(sys.argv[:1])
    memory = QSettings(str(scratch / "memory.ini"), QSettings.Format.IniFormat)
    window = Window(Bench(memory, scratch / "recovery", warm=False))
    window.show()
    window.bench.session.apply("Open scans", made_up.cleaned())
    window.bench.edit("Rename", lambda p: rename(p, 0, "named just before the crash"))
    window.bench.recovery.keeper.wait()
    os.kill(os.getpid(), signal.SIGKILL)


if __name__ == "__main__":
    faulthandler.enable()
    if sys.argv[1] == "--crash":
        crash(Path(sys.argv[2]))
    sys.exit(main(Path(sys.argv[1]), *sys.argv[2:3]))
