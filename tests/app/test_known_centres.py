"""Row 30: a distance of bore centres, as a caliper finds it, stated by two clicks on the bores' walls."""

from __future__ import annotations

from dataclasses import replace

import manifold3d
import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from scipy.spatial.transform import Rotation

from rejoin.app.parts.dialogs import SizeDialog
from rejoin.core.dimensions.centres import centres_between
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.records import Fragment, Mesh, Placement, Project, Scan
from rejoin.core.transforms import apply, identity, rigid
from tests.app import made_plate
from tests.app.person import Person

OFF_MM = 0.3
"""So far from its true place, along x, does the second half stand."""
TRUE_MM = made_plate.BORES[1][0] - made_plate.BORES[0][0]


def halves() -> Project:
    """The plate in two: each half has a bore; scan frames are the part's own."""
    plate = made_plate.plate()
    solid = manifold3d.Manifold(manifold3d.Mesh64(np.array(plate.vertices), plate.triangles.astype(np.uint64)))
    fragments = []
    for number, side in enumerate((-1.0, 1.0)):
        body = solid.trim_by_plane((side, 0, 0), side * made_plate.LENGTH / 2).refine_to_length(1.5).to_mesh64()
        mesh = Mesh(np.array(body.vert_properties[:, :3]), np.array(body.tri_verts, np.int32))
        scan = Scan(f"half {number}", (f"half {number}.ply",), mesh, "mm", True, False, (str(number),))
        fragments.append(Fragment(scan, mesh, 1.5, 0.01, (), 0, True, ()))
    places = (Placement(np.asarray(identity()), "person"),
              Placement(rigid(np.eye(3), np.array([OFF_MM, 0.0, 0.0])), "person"))  # fmt: skip
    return Project(tuple(f.scan for f in fragments), tuple(fragments), placements=places)


def on_wall(bore: int) -> np.ndarray:
    x, y, radius = made_plate.BORES[bore]
    return np.array([x, y + radius, 0.6 * made_plate.THICK])


def click(person: Person, fragment: int) -> None:
    place = apply(person.window.scene.poses()[fragment], on_wall(fragment)[None])[0]
    person.click_view(person.window.view.widget_position(place).toPoint())


def test_the_size_from_bore_to_bore_is_that_of_the_centres(window) -> None:
    person, sizes = Person(window), window.join.sizes
    window.bench.session.apply("Join", halves())
    person.menu("Edit", "Pick a known size")  # unfolds what belongs to it
    assert sizes.pick_button.isVisible() and sizes.pick_button.isChecked() and sizes.hint.isVisible()
    sizes.between.setCurrentIndex(1)
    assert window.tools.tool == "look", "what was begun between points is not gone on with between centres"
    person.click(sizes.pick_button)
    window.scene.look_from((0.0, -0.6, 1.0), (0.0, 1.0, 0.0))
    person.pause(100)
    click(person, 0)
    assert len(window.tools.ends) == 1
    person.key(Qt.Key.Key_Escape)
    assert window.tools.tool == "look" and not window.tools.ends and not sizes.hint.isVisible(), "given up"
    asked = []
    sizes.ask = lambda *about: asked.append(about) or (TRUE_MM, 0.02)
    person.click(sizes.pick_button)
    assert sizes.hint.text() == "Click inside the bore on the first fragment."
    window.scene.look_from((0.0, -0.6, 1.0), (0.0, 1.0, 0.0))
    person.pause(100)
    click(person, 0)
    assert "on another fragment" in sizes.hint.text() and "A picks its end anew" in sizes.hint.text()
    click(person, 1)
    person.wait_until_done()
    (_, _, now, between, told), = asked
    assert now == pytest.approx(TRUE_MM + OFF_MM, abs=0.01) and between == "the two centres" and "counted in" in told
    (size,) = window.bench.project.stated
    assert size.value_mm == TRUE_MM and size.limit_mm == pytest.approx(0.02, abs=0.005) and size.limit_mm > 0.02
    for bore, point in enumerate((size.point_a_mm, size.point_b_mm)):
        assert point[:2] == pytest.approx(made_plate.BORES[bore][:2], abs=0.01), "on the axis, not on the wall"
    assert size.point_a_mm[2] == pytest.approx(size.point_b_mm[2], abs=0.05), "square across"
    assert sizes.list.count() == 1 and not person.troubles


def test_centres_wait_for_the_join_and_axes_that_cross_have_none(window) -> None:
    person, project = Person(window), halves()
    window.bench.session.apply("Open scans", replace(project, placements=()))
    person.open_row(30)
    person.unfold(window.join, "Sizes known from elsewhere")
    window.join.sizes.between.setCurrentIndex(1)
    person.click(window.join.sizes.pick_button)
    assert window.tools.tool == "look" and "once the fragments are joined" in window.strip.words.text()
    picks = np.array([on_wall(0), on_wall(1)])
    with pytest.raises(NoAnswer, match="only of joined"):
        centres_between(window.bench.project, (0, 1), picks)
    with pytest.raises(WrongUse, match="one fragment"):
        centres_between(project, (1, 1), picks)
    leaning = Placement(rigid(Rotation.from_euler("x", 8, degrees=True).as_matrix(), np.zeros(3)), "person")
    with pytest.raises(NoAnswer, match="lean 8 degrees"):
        centres_between(replace(project, placements=(project.placements[0], leaning)), (0, 1), picks)


def test_a_size_that_was_not_typed_is_not_stated(window) -> None:
    """What the scans say themselves, stated as known, would only make the bound look narrower."""
    person, sizes = Person(window), window.join.sizes
    window.bench.session.apply("Join", halves())
    person.open_row(30)
    person.unfold(window.join, "Sizes known from elsewhere")
    sizes.between.setCurrentIndex(1)
    tried = []

    def answer(dialog) -> None:
        QTest.keyClick(dialog, Qt.Key.Key_Return)
        tried.append((dialog.isVisible(), dialog.agree.isEnabled()))
        QTest.keyClicks(dialog.value, "39.95")
        QTest.keyClick(dialog, Qt.Key.Key_Return)

    person.when_asked(SizeDialog, answer)
    person.click(sizes.pick_button)
    window.scene.look_from((0.0, -0.6, 1.0), (0.0, 1.0, 0.0))
    person.pause(100)
    click(person, 0)
    click(person, 1)
    person.wait_until_done()
    person.pause(600)
    assert tried == [(True, False)] and [size.value_mm for size in window.bench.project.stated] == [39.95]
