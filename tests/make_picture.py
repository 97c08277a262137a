"""Makes the README's pictures of the window: ``python -m tests.make_picture [FOLDER]``, on a screen or under xvfb.

The scripted person of `tests.app` joins the sample and opens the gap; the
camera then stands where the broken surface of one fragment is seen whole.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

SAMPLE = "pump_rocker"
SIZE = (1160, 740)


def main(folder: Path) -> int:
    """Save ``window.png`` and ``class.png`` in ``folder``."""
    from tests.app.person import Person, facing_normal, opened
    from tests.app.walk import Walk

    with opened(SIZE) as window, tempfile.TemporaryDirectory() as scratch:
        person = Person(window)
        person.pause(500)
        person.open_sample(SAMPLE)
        person.open_row(30)
        person.click(window.join.join_button)
        person.wait_until_done()
        person.pause(900)
        broken = Walk(person, SAMPLE, Path(scratch)).used_faces()[0]
        person.open_row(40)
        person.set_slider(window.apart, 0.35)
        towards = window.scene.poses()[0][:3, :3] @ facing_normal(window, 0, broken)
        beside = np.cross(towards, (0.0, 0.0, 1.0))
        window.scene.look_at_all()
        window.scene.look_from(tuple(0.9 * towards + 0.9 * beside + (0.0, 0.0, 0.5)), (0, 0, 1))
        window.view.renderer.GetActiveCamera().Zoom(1.35)
        person.pause(800)
        saved = window.grab().save(str(folder / "window.png"), "PNG", 0)  # type: ignore[call-overload]
        replay_begun(person, tuple(1.2 * beside - 0.5 * towards + (0.0, 0.0, 0.6)))
        saved &= window.grab().save(str(folder / "class.png"), "PNG", 0)  # type: ignore[call-overload]
    return 0 if saved else 1


def replay_begun(person: Any, direction: tuple[float, ...]) -> None:
    """Class mode, at the first round of the alignment's replay, seen from a direction."""
    window = person.window
    person.menu("Help", "Class mode")
    person.open_row(30)
    person.unfold(window.join, "Replay of the alignment")
    replaying = window.class_mode.replaying
    person.click(replaying.make_button)
    person.wait_until_done()
    window.scene.look_from(direction, (0, 0, 1))
    window.scene.fit()
    window.card.ensureWidgetVisible(replaying.end_button)
    person.pause(800)


if __name__ == "__main__":
    default = Path(__file__).resolve().parents[1] / "assets"
    sys.exit(main(Path(sys.argv[1]) if sys.argv[1:] else default))
