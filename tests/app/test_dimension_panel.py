"""Row 60: sizes picked by clicks, readings typed as a person types them, tables, fit-up."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import manifold3d
import numpy as np
import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QLabel

from rejoin.app.words import size_words
from rejoin.app.words.sentences import Units
from rejoin.core import further, steps
from rejoin.core.dimensions.checking import check_all
from rejoin.core.dimensions.remembering import Bench
from rejoin.core.records import DimensionCheck, Mesh, Reading, ScaleCheck
from rejoin.core.settings import DimensionSettings, silent
from tests.app import made_plate, made_up
from tests.app.person import Person

MM, INCH = Units("mm"), Units("inch")


def check(**values) -> DimensionCheck:
    usual = DimensionCheck("bore 1", "bore", 16.0, 0.02, (), np.zeros((1, 2, 3)), (), -1, None, None, None, None,
                           "not read", "no limits", True, "16.000 +- 0.020 mm.")  # fmt: skip
    return replace(usual, **values)


def reading(**values) -> Reading:
    return replace(Reading("bore 1", "bore", np.zeros((1, 3)), (-1,)), **values)


@pytest.mark.parametrize("kind, amount, u95, units, words", [
    ("bore", 16.0, 0.02, MM, "16.000 ± 0.020 mm"),
    ("bore", 25.4, 0.254, INCH, "1.000 ± 0.010 in"),
    ("points", 84.1234, 1.5, MM, "84.1 ± 1.5 mm"),
    ("angle", 30.0, 0.123, MM, "30.00 ± 0.12°"),
    ("angle", 90.0, 0.003, MM, "90.00 ± under 0.01°"),
    ("bore", 16.0, 0.0002, MM, "16.000 ± under 0.001 mm"),
    ("weight", 812.3, 24.0, MM, "812 ± 24 g"),
    ("wall", 5.0, None, MM, "5.000 mm"),
])  # fmt: skip
def test_a_size_has_as_many_places_as_its_uncertainty_is_worth(kind, amount, u95, units, words):
    """Two digits of the uncertainty, the value to the same place (JCGM 100:2008, 7.2.6)."""
    assert size_words.with_spread(kind, amount, u95, units) == words


def test_a_typed_number_is_shown_as_short_as_it_is():
    assert size_words.typed("bore", 16.02, MM) == "16.02" and size_words.typed("bore", 84.1375, INCH) == "3.3125"
    assert [size_words.unit_shown(kind, INCH) for kind in ("bore", "angle", "weight")] == ["in", "°", "g"]
    assert size_words.typed("bore", None, MM) == "" and size_words.typed("angle", 30.0, INCH) == "30"


def test_a_weight_without_a_metal_asks_for_it_and_contradicts_nothing() -> None:
    box = manifold3d.Manifold.cube((10, 10, 10)).to_mesh()
    cube = Mesh(np.array(box.vert_properties[:, :3], float), np.array(box.tri_verts, np.int32))
    balance = reading(kind="weight")
    for bench, needs in ((Bench((), (), cube), "needs the metal"), (Bench((), (), None), "needs a closed whole")):
        (asks,), _ = check_all(bench, [balance], DimensionSettings(), silent)
        assert size_words.short(asks, MM) == "not yet" and size_words.mark(asks) == "·"
        (look, words), = size_words.check_lines(balance, asks, MM)
        assert look == size_words.PLAIN and needs in words
    lost = check(value=None, u95=None)
    assert size_words.short(lost, MM) == "not found" and size_words.mark(lost) == "✗"


def test_verdicts_are_words_with_a_sign_in_the_readers_unit():
    read = reading(value=15.9, limit=0.05)
    agrees = check(reading=15.9, difference=0.03, normalised_error=0.5, agreement="agrees", verdict="pass")
    lines = size_words.check_lines(read, agrees, INCH)
    assert ("good", "✓ Scan and caliper agree: they differ by +0.0012 in, 0.5 of what both are good for.") in lines
    assert ("good", "✓ Within the limits, proven.") in lines and size_words.mark(agrees) == "✓"
    far = check(reading=25.4, difference=-9.4, normalised_error=90.0, agreement="far off", verdict="not proven")
    assert any(look == "bad" and "look at the digit, the unit and the pick" in words
               for look, words in size_words.check_lines(read, far, MM))  # fmt: skip
    assert size_words.mark(far) == "✗" and size_words.mark(check(verdict="fail")) == "✗"
    lost = check(value=None, u95=None, sentence="There is no surface at the pick. Pick again.")
    assert size_words.check_lines(read, lost, MM) == [("bad", "✗ There is no surface at the pick. Pick again.")]
    unlimited = size_words.check_lines(reading(value=16.0), check(reading=16.0), MM)
    assert any("instrument's limit is missing" in words for _, words in unlimited)


def test_done_only_where_all_is_proven():
    project = replace(made_plate.whole(), readings=(reading(),), checks=(check(agreement="agrees"),))
    assert not size_words.complete(project) and "scale not proven" in size_words.state(project, MM)
    proven = replace(project, scales=(ScaleCheck(-1, 1.0, 0.001, 1, "proven", "Scale proven: by 1 reading."),))
    assert size_words.complete(proven)
    assert not size_words.complete(replace(proven, checks=(check(agreement="disagrees"),)))
    assert not size_words.complete(replace(proven, checks=(check(verdict="not proven"),)))


def test_sizes_by_clicks_and_readings_as_they_are_typed(window, tmp_path: Path):
    person = Person(window)
    window.bench.session.apply("Fuse", made_plate.whole())
    person.open_row(60)
    panel, stack = window.dimensions, window.bench.session.stack
    panel.kind.setCurrentIndex(panel.kind.findData("bore"))
    made_plate.look(window, (0.1, -0.6, 1.0))
    person.click(panel.pick_button)
    assert panel.pick_button.isChecked() and panel.hint.text() == "Click inside the bore."
    person.click_view(made_plate.seen_at(window, (20.0, 28.0, 5.0)))
    person.wait_until_done()
    (one,) = window.bench.project.checks
    assert one.value == pytest.approx(16.0, abs=0.02), "the plate was made with a bore of 16"
    assert window.scene.front.shows("dimensions") and not panel.pick_button.isChecked()
    assert stack.undoText() == "Pick a dimension" and stack.count() == 2
    assert "Type what the caliper reads" in window.strip.words.text()
    for field in ("value", "limit"):
        line = panel.reading.fields[field]
        assert not line.text() and line.placeholderText().startswith("such as"), "no figure that looks filled in"

    def labels() -> set[str]:
        return {label.text() for label in panel.reading.findChildren(QLabel)}

    named = ("Caliper reads", "good to ±", "Drawing: from", "up to", "Goes with", "which is good to ±",
             "Clearance: from", "clearance up to", "Nominal size", "Deviation")  # fmt: skip
    assert {f"{words}, mm" for words in named} <= labels(), "no figure without its unit"
    panel.reading.grade.nominal.setText("25,4")
    window.bench.set_units("inch")
    assert {f"{words}, in" for words in named} <= labels()
    assert panel.reading.grade.nominal.text() == "1", "the same length, not the same number"
    window.bench.set_units("mm")

    fields = panel.reading.fields
    for field, text in (("value", "16,02"), ("limit", "0.05")):
        fields[field].setFocus()
        fields[field].selectAll()
        QTest.keyClicks(fields[field], text)
    QTest.keyClick(fields["limit"], Qt.Key.Key_Return)
    person.wait_until_done()
    kept = window.bench.project.readings[0]
    assert (kept.value, kept.limit) == (16.02, 0.05), "a decimal comma"
    assert window.bench.project.checks[0].agreement == "agrees"
    assert window.bench.project.scales[0].state == "proven" and panel.is_done(window.bench.project)
    assert panel.table.topLevelItem(0).text(3) == "✓" and panel.table.topLevelItem(0).text(2) == "16.02 mm"

    fields["value"].setText("5/8")
    person.click(panel.reading.enter_button)
    person.wait_until_done()
    kept = window.bench.project.readings[0]
    assert kept.value == pytest.approx(15.875) and kept.unit == "inch", "a fraction is of an inch: 5/8 in is 15.875 mm"
    assert window.bench.project.checks[0].agreement in ("disagrees", "far off")
    assert panel.table.topLevelItem(0).text(3) == "✗"

    fields["value"].setText("1.234,5")
    before = window.bench.project
    person.click(panel.reading.enter_button)
    assert window.bench.project is before and "could be read in two ways" in window.strip.words.text()
    person.troubles.clear()

    table = tmp_path / "readings.csv"
    panel.ask_save = lambda *asked: str(table)
    panel.ask_open = lambda *asked: str(table)
    person.unfold(panel, "Readings, drawing sheet")
    person.click(panel.files.save_button)
    person.wait_until_done()
    person.click(panel.reading.remove_button)
    person.wait_until_done()
    assert window.bench.project.readings == () and not window.scene.front.shows("dimensions")
    person.click(panel.files.open_button)
    person.wait_until_done()
    (again,) = window.bench.project.readings
    assert again.value == pytest.approx(15.875) and np.allclose(again.picks_mm, kept.picks_mm, atol=1e-9)

    while stack.canUndo():
        window.actions_.undo.trigger()
    assert window.bench.project.scans == ()
    while stack.canRedo():
        window.actions_.redo.trigger()
    assert window.bench.project.checks[0].value == pytest.approx(16.0, abs=0.02)
    assert person.troubles == []


def test_the_words_of_the_chosen_dimension_stay_in_the_view(window):
    """Wherever its line comes to stand: the words have room beside it, and the view has an edge."""
    person = Person(window)
    window.bench.session.apply("Fuse", made_plate.whole())
    person.open_row(60)
    panel = window.dimensions
    panel.kind.setCurrentIndex(panel.kind.findData("bore"))
    made_plate.look(window, (0.1, -0.6, 1.0))
    person.click(panel.pick_button)
    person.click_view(made_plate.seen_at(window, (20.0, 28.0, 5.0)))
    person.wait_until_done()
    assert window.bench.project.checks[0].value is not None
    from vtkmodules.vtkRenderingCore import vtkBillboardTextActor3D

    from rejoin.app.view.front import size_of

    camera, aside = window.view.renderer.GetActiveCamera(), 0
    for across in np.linspace(-1.2, 1.2, 9):
        for up in (-0.8, 0.0, 0.8):
            camera.SetWindowCenter(across, up)  # as a person shoves the view
            window.view.update()
            person.pause(30)
            window.view.grabFramebuffer()
            (words,) = (p for p in window.scene.front._groups["dimensions"] if isinstance(p, vtkBillboardTextActor3D))
            at = window.view.project(np.array([words.GetPosition()]))[0, :2]
            size, room = np.array(size_of(words)), np.array(window.view.drawn_size())
            low = at + words.GetDisplayOffset() - size / 2
            if (at > -size / 2).all() and (at < room + size / 2).all():
                assert (low >= 0).all() and (low + size <= room).all(), (across, up, low, size, room)
                aside += words.GetDisplayOffset() != (0, 0)
            else:
                assert words.GetDisplayOffset() == (0, 0), "what is out of sight is not held at the edge"
    assert aside > 2, "some would have run off"


def test_a_pick_on_nothing_and_a_wrong_kind_are_sentences(window):
    person = Person(window)
    window.bench.session.apply("Fuse", made_plate.whole())
    person.open_row(60)
    panel = window.dimensions
    panel.kind.setCurrentIndex(panel.kind.findData("bore"))
    person.click(panel.pick_button)
    person.click_view(QPoint(8, 8))
    assert "nothing under the pointer" in window.strip.words.text() and not window.bench.project.readings
    made_plate.look(window, (0.0, -0.3, 1.0))
    person.click_view(made_plate.seen_at(window, (40.0, 20.0, 10.0)))
    person.wait_until_done()
    (one,) = window.bench.project.checks
    assert one.value is None and one.sentence, "a bore on a flat face"
    assert "Nothing was measured" in window.strip.words.text() and "done" not in window.strip.words.text()
    assert panel.table.topLevelItem(0).text(1) == "not found" and panel.table.topLevelItem(0).text(3) == "✗"


def test_by_number_squared_up_and_the_sheet(window, tmp_path: Path):
    person = Person(window)
    window.bench.session.apply("Fuse", made_plate.whole())
    person.open_row(60)
    panel, before = window.dimensions, window.bench.project.whole
    person.unfold(panel, "Put in by number")
    person.click(panel.by_number.pick_button)
    assert "size was not typed" in window.strip.words.text() and window.tools.tool == "look"
    panel.by_number.size.setText("16,5")
    made_plate.look(window, (0.1, -0.6, 1.0))
    person.click(panel.by_number.pick_button)
    person.click_view(made_plate.seen_at(window, (20.0, 28.0, 5.0)))
    person.wait_until_done()
    whole = window.bench.project.whole
    gone = np.pi / 4 * (16.5**2 - 16.0**2) * made_plate.THICK
    assert before.volume_mm3 - whole.volume_mm3 == pytest.approx(gone, rel=0.02), "the ring between both diameters"
    assert panel.by_number.done.layout().count() == 1
    panel.kind.setCurrentIndex(panel.kind.findData("datum"))
    for point in ((40.0, 12.0, 10.0), (5.0, 0.0, 5.0)):
        made_plate.look(window, (0.1, -0.8, 1.0))
        person.click(panel.pick_button)
        person.click_view(made_plate.seen_at(window, point))
        person.wait_until_done()
    sheet, model = tmp_path / "sheet.dxf", tmp_path / "squared.ply"
    person.unfold(panel, "Readings, drawing sheet")
    for button, file in ((panel.files.sheet_button, sheet), (panel.files.squared_button, model)):
        panel.ask_save = lambda *asked, file=file: str(file)
        person.click(button)
        person.wait_until_done()
        assert file.stat().st_size > 1000
    import trimesh

    read = trimesh.load(model, process=False)
    assert read.is_watertight and abs(read.volume - whole.volume_mm3) < 1.0, "by an independent reader"
    assert person.troubles == []


def test_a_section_with_a_mating_part_and_a_fit_by_number(window, tmp_path: Path):
    """A bore of 16 in the middle, cut at half its height; a pin of 15.9 in it."""
    import ezdxf

    from rejoin.core.files import write_mesh
    from tests.core.solids_to_measure import noisy

    person = Person(window)
    window.bench.session.apply("Fuse", made_plate.whole())
    person.open_row(60)
    panel, drawn = window.dimensions, tmp_path / "section.dxf"
    pin = manifold3d.Manifold.cylinder(20, 7.95, 7.95, 120, True).translate((20, 20, 5)).refine_to_length(1.5)
    write_mesh(noisy(pin, 0.0, 0), tmp_path / "pin.ply", "mm")
    person.unfold(panel, "Section through the whole")
    part = panel.cutting
    part.way.setCurrentIndex(part.way.findData("face"))
    person.click(part.save_button)
    assert "was not picked yet" in window.strip.words.text() and not drawn.exists()
    part.way.setCurrentIndex(part.way.findData("z"))
    panel.ask_open = lambda *asked: str(tmp_path / "pin.ply")
    panel.ask_save = lambda *asked: str(drawn)
    person.click(part.mating_button)
    assert part.where.text() == "Through the middle of the part, with pin.ply."
    person.click(part.save_button)
    person.wait_until_done()
    space = ezdxf.readfile(drawn).modelspace()
    assert {round(one.dxf.radius, 2) for one in space.query("CIRCLE")} == {8.0, 5.0}
    assert any("Clearance" in one.dxf.text for one in space.query("TEXT")), "the clearance with the pin is told"
    assert sum(1 for _ in space.query("LWPOLYLINE")) == 2, "the plate's outline and the pin's"

    panel.kind.setCurrentIndex(panel.kind.findData("bore"))
    made_plate.look(window, (0.1, -0.6, 1.0))
    person.click(panel.pick_button)
    person.click_view(made_plate.seen_at(window, (20.0, 28.0, 5.0)))
    person.wait_until_done()
    panel.reading.fields["mating"].setText("15,9")
    panel.reading.fields["mating_limit"].setText("0.005")
    person.click(panel.reading.enter_button)
    person.wait_until_done()
    assert window.bench.project.checks[0].clearance == pytest.approx(0.1, abs=0.02)
    panel.reading.fields["fit_low"].setText("0.2")
    panel.reading.fields["fit_high"].setText("0.3")
    person.click(panel.reading.enter_button)
    person.wait_until_done()
    told = [label.text() for label in panel.reading.verdicts.findChildren(QLabel)]
    assert "✗ The clearance is outside its limits." in told, told
    person.unfold(panel, "Limits by ISO 286 grade")
    panel.reading.grade.nominal.setText("16")
    panel.reading.grade.grades[0].setCurrentText("IT8")
    person.click(panel.reading.grade.button)
    person.wait_until_done()
    reading = window.bench.project.readings[0]
    assert (reading.low, reading.high) == pytest.approx((16.0, 16.027)), "H8 of 10 to 18 mm (ISO 286-1)"
    assert person.troubles == []


def test_a_scale_that_is_off_is_corrected_only_when_asked(window):
    person = Person(window)
    project = made_up.joined()
    length = Reading("long", "points", np.array([[0.0, 0, 0], [1, 0, 0]]), (0, 0), 1.0, 0.01)
    scale = ScaleCheck(0, 1.01, 0.001, 3, "off", "Scale off: the part is 1.00 % larger than the scan.")
    window.bench.session.apply("x", replace(project, readings=(length,), scales=(scale,)))
    person.open_row(60)
    panel, before = window.dimensions, window.bench.project
    button = next(b for b in panel.scales.findChildren(type(panel.pick_button)) if b.text() == "Correct this scale")
    person.click(button)
    person.wait_until_done()
    after = window.bench.project
    grown = np.ptp(after.scans[0].mesh.vertices, axis=0) / np.ptp(before.scans[0].mesh.vertices, axis=0)
    assert grown == pytest.approx([1.01] * 3, rel=1e-9) and len(after.fragments) == 2 and not after.joints
    window.actions_.undo.trigger()
    assert window.bench.project is before and person.troubles == []


def test_sizes_of_fragments_and_the_fit_up_of_their_joint(window):
    person = Person(window)
    window.bench.session.apply("Join", made_up.joined())
    person.open_row(60)
    panel = window.dimensions
    assert not panel.on.isVisible(), "there is no whole to choose"
    person.unfold(panel, "Fit-up before welding")
    person.click(panel.fit_up.work_button)
    person.wait_until_done()
    (one,) = window.bench.project.fit_ups
    lines = [words for _, words in size_words.fit_up_lines(window.bench.project, one, MM)]
    assert one.angle_deg is None or any("The original surfaces meet at" in words for words in lines)
    (order,) = (words for words in lines if words.startswith("Order of assembly: "))
    names = [scan.name for scan in window.bench.project.scans]
    assert f"A ({names[0]}) stays, then B ({names[1]}) along" in order or f"B ({names[1]}) stays, then A (" in order
    assert any(words.startswith("Crack ") for words in lines) and any("Gauge marks 1" in words for words in lines)
    doubtful = replace(one, step_mm=1.1, step_u95_mm=0.3, limits_mm=(("B", 1.2), ("C", 1.8), ("D", 0.5)))
    told = [words for _, words in size_words.fit_up_lines(window.bench.project, doubtful, MM)]
    assert any("1.10 mm (± 0.30 mm)" in words for words in told)
    assert any(words[0] == "·" and words.endswith("allows 1.20 mm: too near to tell.") for words in told)
    assert any(words[0] == "✓" and "level C" in words for words in told)
    assert any(words[0] == "✗" and "level D" in words for words in told)
    assert panel.fit_up.lines.isVisible() and panel.fit_up.cautions.layout().count() == len(one.cautions)
    panel.fit_up.marks.setChecked(True)
    assert window.scene.front.shows("dimensions")
    panel.fit_up.marks.setChecked(False)
    assert not window.scene.front.shows("dimensions") and panel.fit_up.marks.isVisible()
    none = replace(one, marks_a_mm=np.empty((0, 3)), marks_b_mm=np.empty((0, 3)))
    window.bench.session.apply("Check", replace(window.bench.project, fit_ups=(none,)))
    assert not panel.fit_up.marks.isVisible(), "there are none to be shown"
    assert person.troubles == []


def test_the_table_grows_with_the_text(window, qtbot):
    from PySide6.QtWidgets import QApplication

    old = QApplication.font()
    try:
        rows = tuple(reading(name=f"bore {n}") for n in range(3))
        window.bench.session.apply("x", replace(made_plate.whole(), readings=rows))
        window.card.unfold([panel.number for panel in window.panels].index(60))
        table = window.dimensions.table

        def last_row_is_whole():
            last = table.visualItemRect(table.topLevelItem(2))
            return last.height() > 0 and table.viewport().rect().contains(last.bottomLeft())

        for change in (0, 5):
            window.appearance.change_text(change)
            qtbot.wait(60)
            qtbot.waitUntil(last_row_is_whole, timeout=5000)
    finally:
        QApplication.setFont(old)
        window.appearance.change_text(0)


def test_gauge_marks_and_sizes_stay_on_the_whole_however_the_slider_stands(window):
    """The whole stands where the joined fragments did: so do marks and sizes picked on these."""
    person = Person(window)
    project = steps.measure_fit(made_up.joined())
    taken = np.array([[0.0, 15, 10], [0.0, 20, 10]])
    one = check(frame=1, lines_mm=taken[None], value=5.0, kind="points")
    whole = made_up.whole()
    project = replace(whole, fits=project.fits, readings=(reading(on=(1,)),), checks=(one,),
                      fit_ups=further.check_dimensions(replace(project, readings=())).fit_ups)  # fmt: skip
    assert len(project.fit_ups[0].marks_a_mm)
    window.bench.session.apply("Fuse", project)
    person.open_row(60)
    panel, drawn = window.dimensions, window.scene.front
    person.unfold(panel, "Fit-up before welding")
    person.set_slider(window.apart, 0.0)
    panel.fit_up.marks.setChecked(True)

    def places() -> list[np.ndarray]:
        props = drawn._groups["dimensions"]
        return [np.array(prop.GetPosition()) for prop in props if hasattr(prop, "GetInput")]

    joined = places()
    assert len(joined) == 1 + 2 * len(project.fit_ups[0].marks_a_mm)
    person.set_slider(window.apart, 0.4)
    assert np.allclose(places(), joined)
    panel.on.setCurrentIndex(1)
    assert not np.allclose(places()[-1], joined[-1]), "on the fragments they go with these"
