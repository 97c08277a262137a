"""A scripted person gives the lesson of the teacher's page in the real window: ``python -m tests.app.lesson OUT``.

Every state is kept as a picture in OUT; OUT/lesson.json holds what the class
was told: scores, the replay, the evidence of each wrong try. All input goes
through real mouse and key events, on a screen or under xvfb-run.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

from rejoin.app.parts.dialogs import CautionDialog

SAMPLE = "pump_rocker"


def main(out: Path) -> int:
    """Give the lesson and write pictures and lesson.json into ``out``."""
    from tests.app.person import Person, opened
    from tests.app.pulse import Pulse

    out.mkdir(parents=True, exist_ok=True)
    for old in out.glob("[0-9][0-9]_*.png"):
        old.unlink()
    started = time.monotonic()
    with opened() as window:
        person, pulse = Person(window, out), Pulse(window)
        person.thinks = pulse.skip
        person.pause(500)
        lesson = Lesson(person)
        result = lesson.whole()
        result.update(pulse.told())
    result["seconds"] = round(time.monotonic() - started, 1)
    (out / "lesson.json").write_text(json.dumps(result, indent=2) + "\n", encoding="utf-8")
    return 0 if sound(result) else 1


def sound(result: dict[str, Any]) -> bool:
    """Whether the class was told what the teacher's page promises."""
    tries = result["tries"]
    return bool(
        not result["troubles"]
        and all(covered > 0.9 and wrong <= 0.1 for covered, wrong in result["faces"])
        and result.get("off_mm", 0.0) < 0.4
        and result["replay"]["off_mm"] < 0.01
        and all("doubtful" in tries[name] for name in ("stranger", "flat"))
        and "certain" in tries["worn"] and "missing" in tries["worn"]
        and "certain" in tries["true"]
    )  # fmt: skip


class Lesson:
    """The steps of the lesson, in the order of the page."""

    def __init__(self, person: Any) -> None:
        from tests.app.walk import Walk

        self.person, self.window = person, person.window
        self.mode = person.window.class_mode
        self.walk = Walk(person, SAMPLE, Path())

    def whole(self) -> dict[str, Any]:
        """All of it."""
        self.begin()
        faces = self.faces()
        off = self.join()
        replay = self.replay()
        self.gap_and_whole()
        tries = {name: self.wrong_try(name) for name in ("stranger", "flat", "worn", "true")}
        self.end()
        return {"faces": faces, "off_mm": off, "replay": replay, "tries": tries, "troubles": self.person.troubles,
                "pictures": self.person.taken}  # fmt: skip

    def begin(self) -> None:
        """Class mode, and the sample from the empty bench."""
        self.person.picture("empty")
        self.person.menu("Help", "Class mode")
        self.person.picture("class_mode")
        self.person.click(self.window.scans.shelf.buttons[SAMPLE])
        self.person.wait_until_done()
        self.person.picture("sample")

    def faces(self) -> list[tuple[float, float]]:
        """Take the broken face of A and of B by a click each, and have them scored."""
        from rejoin.core.lessons.answers import answer_to, truly_broken

        person, window = self.person, self.window
        answer = answer_to(SAMPLE)
        for number, fragment in enumerate(window.bench.project.fragments):
            broken = np.flatnonzero(truly_broken(fragment, answer.broken[number])[0])
            self.walk._broken[number] = self.walk.inner(number, broken)
        person.thinks()
        person.open_row(20)
        person.picture("row_20")
        for number, triangles in self.walk._broken.items():
            self.walk.show_face(number, triangles)
            person.click(window.faces.tool_buttons["take"])
            person.click_view(self.walk.in_sight(number, triangles))
            person.picture(f"face_taken_{number}")
        person.show_only(None)
        person.unfold(window.faces, "Exercise: the true faces")
        scores = self.score_faces()
        person.picture("faces_scored")
        for number, (_, wrong) in enumerate(scores):
            if wrong > 0.1:
                self.rub_out(number, answer.broken[number])
        person.show_only(None)
        scores = self.score_faces()
        person.picture("faces_scored_again")
        return scores

    def score_faces(self) -> list[tuple[float, float]]:
        """Covered and wrong, of each fragment, as the words say."""
        self.person.click(self.mode.picks.button)
        self.person.wait_until_done()
        self.person.pause(200)
        told = self.mode.picks.told
        assert told.isVisible() and told.text().count("your faces") == 2, told.text()
        found = [line.split("% of the true face taken; ") for line in told.text().split("\n")]
        return [(float(a.split()[-1]) / 100, float(b.split()[0]) / 100) for a, b in found]

    def rub_out(self, number: int, broken: Any) -> None:
        """Look at what runs over the rim, and rub it out by a few strokes of the brush."""
        from rejoin.core.lessons.answers import truly_broken

        person, window = self.person, self.window
        truth, rim = truly_broken(window.bench.project.fragments[number], broken)
        person.thinks()
        for _ in range(16):
            taken = np.zeros(len(truth), bool)
            for face in window.bench.project.faces:
                if face.fragment == number:
                    taken[face.triangles] = True
            astray = np.flatnonzero(taken & ~truth & ~rim)
            if len(astray) < 0.06 * taken.sum():
                break
            self.walk.show_face(number, astray)
            person.click(window.faces.tool_buttons["rub"])
            window.faces.radius.setValue(2.5)
            person.click_view(self.walk.in_sight(number, astray))
        person.picture(f"rubbed_out_{number}")

    def join(self) -> float:
        """Join, read the evidence, have the placement scored."""
        person, window = self.person, self.window
        person.open_row(30)
        person.picture("row_30")
        person.click(window.join.join_button)
        person.wait_until_done()
        person.pause(900)
        person.picture("joined")
        assert window.join.evidence.isVisible()
        person.unfold(window.join, "Exercise: the true place")
        person.click(self.mode.placing.button)
        person.wait_until_done()
        person.picture("place_scored")
        return float(self.mode.placing.told.text().split("worst point is ")[1].split()[0])

    def replay(self) -> dict[str, Any]:
        """Watch the alignment: step, click on the curve, play to the end."""
        person, replaying = self.person, self.mode.replaying
        person.unfold(self.window.join, "Replay of the alignment")
        person.click(replaying.make_button)
        person.wait_until_done()
        person.pause(300)
        seen = replaying.replay
        assert seen is not None and replaying.curve.isVisible()
        person.picture("replay_begin")
        start = self.shown_off(0)
        person.click(replaying.on_button)
        person.picture("replay_round_2")
        person.set_slider(replaying.slider, 0.5)
        person.picture("replay_middle")
        person.click(replaying.back_button)
        person.click(replaying.play_button)
        for _ in range(400):
            person.pause(50)
            if not replaying.timer.isActive():
                break
        person.picture("replay_end")
        last = len(seen.rounds) - 1
        assert replaying.slider.value() == last, "it plays to the end"
        told = {"rounds": last + 1, "off_mm": seen.off_mm, "from_mm": start, "to_mm": self.shown_off(last),
                "misfit_mm": [round(shown.misfit_mm, 4) for shown in seen.rounds]}  # fmt: skip
        person.click(replaying.end_button)
        assert replaying.replay is None and not replaying.curve.isVisible()
        return told

    def shown_off(self, number: int) -> float:
        """How far the second fragment is seen from where it was placed, mm."""
        from rejoin.core.transforms import displacement, inverse

        scene, project = self.window.scene, self.window.bench.project
        self.person.thinks()
        poses, seen = scene.poses(), self.mode.replaying.replay
        a, b = seen.fragments[:2]
        placed = inverse(project.placements[a].part_from_scan) @ project.placements[b].part_from_scan
        points = project.fragments[b].mesh.vertices
        assert self.mode.replaying.slider.value() == number
        return round(float(displacement(inverse(poses[a]) @ poses[b], placed, points).max()), 4)

    def gap_and_whole(self) -> None:
        """The gap in colour, the fragments drawn apart, the fused whole."""
        person, window = self.person, self.window
        person.open_row(40)
        person.picture("row_40")
        person.set_slider(window.apart, 0.4)
        person.picture("gap_apart")
        person.open_row(50)
        person.click(window.whole.fuse_button)
        person.wait_until_done()
        person.picture("row_50")

    def wrong_try(self, name: str) -> str:
        """Lay a try together; what the tool says of it, all in one line."""
        person, window = self.person, self.window
        person.open_row(30)
        person.unfold(window.join, "Wrong tries")
        person.click(self.mode.tries.buttons[name])
        person.wait_until_done()
        person.pause(200)
        person.picture(f"try_{name}")
        assert self.mode.tries.words.isVisible()
        joint = window.join.list.item(0).text()
        evidence = window.join.evidence.text()
        person.open_row(40)
        person.pause(100)
        person.picture(f"try_{name}_gap")
        return " ".join(f"{joint}. {evidence} {window.gap.numbers.text()}".split())

    def end(self) -> None:
        """The cautions, and the page of the lesson itself."""
        person = self.person
        seen: list[str] = []

        def read(box: CautionDialog) -> None:
            seen.append(box.text())
            box.grab().save(str(person.pictures / "cautions.png")) if person.pictures else None
            person.window.activateWindow()
            box.accept()

        person.when_asked(CautionDialog, read)
        person.menu("Help", "Cautions")
        assert seen and "Boilers" in seen[0]
        person.menu("Help", "The lesson")
        person.pause(300)
        pages = person.window.pages
        assert pages.isVisible() and "45 minutes" in pages.page.toPlainText()
        if person.pictures is not None:
            pages.grab().save(str(person.pictures / "page_lesson.png"))
        pages.close()


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("Say where the pictures go: python -m tests.app.lesson OUT")
    sys.exit(main(Path(sys.argv[1])))
