"""Row 10: whether the scans are good enough, and what each is of."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from rejoin.app.panels.scans import ROLES, ScansPanel
from rejoin.core.records import Mesh
from tests.app import made_up
from tests.app.person import Person


def test_scans_are_looked_over_and_given_a_role(window: Any) -> None:
    panel, person = window.panel(ScansPanel), Person(window)
    assert [action.text() for action in panel.role_menu.actions()] == [words for words, *_ in ROLES]
    assert not panel.more.isVisible()
    window.bench.session.apply("Open scans", made_up.cleaned())
    person.click(panel.judge_button)
    person.wait_until_done()
    assert all(fragment.faults is not None for fragment in window.bench.project.fragments)
    wanting = any(fragment.faults for fragment in window.bench.project.fragments)
    assert ("had better be scanned again" if wanting else "good enough") in window.strip.words.text()
    lines = [panel.table.topLevelItem(0).child(k).text(0) for k in range(panel.table.topLevelItem(0).childCount())]
    faults = window.bench.project.fragments[0].faults
    assert (faults[0].sentence if faults else "Good enough: nothing was found wanting.") in lines
    panel.table.setCurrentItem(panel.table.topLevelItem(1))
    before: Mesh = window.bench.project.fragments[1].mesh
    panel.role_menu.actions()[2].trigger()
    person.wait_until_done()
    scan = window.bench.project.scans[1]
    assert (scan.role, scan.mirrored) == ("reference", True) and "a reference" in panel.words(window.bench.project)
    assert window.bench.project.fragments[1].mesh.vertices[:, 0].max() == -before.vertices[:, 0].min()
    window.bench.session.stack.undo()
    assert window.bench.project.scans[1].role == "fragment"


def test_a_reference_is_searched_for_no_broken_face_and_keeps_nobody_waiting(window: Any) -> None:
    person, project = Person(window), made_up.joined()
    window.bench.session.apply("Open scans", replace(made_up.cleaned(), faces=project.faces))
    scan = replace(project.scans[0], name="sister part", role="reference", sha256=("f" * 64,))
    sister = replace(project.fragments[0], scan=scan)
    before = window.bench.project
    window.bench.session.apply("Open scans", replace(before, scans=(*before.scans, scan),
                                                     fragments=(*before.fragments, sister)))  # fmt: skip
    assert "Fracture faces" not in window.strip.words.text() and window.faces.is_done(window.bench.project)
    person.open_row(30)
    person.click(window.join.join_button)
    person.wait_until_done()
    assert not person.troubles, person.troubles
    assert "Next: 40 Gap" in window.strip.words.text(), window.strip.words.text()
