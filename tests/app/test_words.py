"""Numbers in words, the gap's colours, the check of the system's libraries."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from rejoin.app.parts import colours
from rejoin.app.system_check import advice, missing_libraries
from rejoin.app.words import joint_words, sentences
from rejoin.app.words.in_units import in_units
from rejoin.app.words.sentences import Units
from rejoin.app.words.size_words import angle_words
from tests.app import made_up

MM, INCH = Units("mm"), Units("inch")


@pytest.mark.parametrize(
    ("units", "mm", "signed", "words"),
    [
        (MM, 0.0834, False, "0.08 mm"), (MM, 12.34, False, "12.3 mm"), (MM, 123.4, False, "123 mm"),
        (MM, 0.001, True, "0 mm"), (MM, -0.12, True, "−0.12 mm"), (MM, 0.12, True, "+0.12 mm"),
        (INCH, 0.0834, False, "0.0033 in"), (INCH, 25.4, True, "+1.000 in"), (INCH, -254.0, True, "−10.00 in"),
    ],
)  # fmt: skip
def test_lengths(units, mm, signed, words):
    assert units.length(mm, signed) == words


def test_area_and_volume_in_inches_agree_with_the_definition_of_the_inch():
    """1 in = 25.4 mm exactly (international yard and pound, 1959)."""
    assert INCH.area(25.4**2) == "1 in²"
    assert INCH.volume(25.4**3) == "1 in³"
    assert MM.volume(2500.0) == "2.5 cm³"


def test_letters_go_on_after_z():
    assert [sentences.letter(n) for n in (0, 1, 25, 26, 27, 701, 702)] == ["A", "B", "Z", "AA", "AB", "ZZ", "AAA"]


def test_each_row_says_its_state():
    empty, scans, joined, whole = made_up.Project(), made_up.cleaned(), made_up.joined(), made_up.whole()
    assert sentences.scans(empty, MM) == "No scans yet"
    assert sentences.scans(scans, MM) == "2 fragments, 1.20 mm spacing, no holes"
    assert joint_words.joining(joined, MM) == "Both placed, good to 0.08 mm"
    assert sentences.gaps(joined, MM) == "Median +0.05 mm, touching 93%"
    worse = replace(joined.fits[0], gap_median_mm=-0.04, touching_share=0.61)
    several = replace(joined, fits=(*joined.fits, worse))
    assert sentences.gaps(several, MM) == "Largest median +0.05 mm, touching 61% or more", "no joint is passed over"
    assert sentences.whole(whole, MM) == "Closed, 1 shell, 36.0 cm³"
    checks = sentences.whole_checks(whole.whole, MM)
    assert (True, "Closed") in checks and (None, "1 scan hole closed, 12 mm³ added") in checks
    chipped = replace(whole.whole, fills=(*whole.whole.fills, replace(whole.whole.fills[0], kind="chip")))
    assert (None, "1 scan hole closed, 1 chip filled, 12 mm³ added") in sentences.whole_checks(chipped, MM)


def test_the_scans_own_crossings_are_not_passed_over():
    """Nowhere crossing is said only of a whole in which nothing crosses, neither the crack nor a scan beside it."""
    whole = made_up.whole().whole
    assert (True, "Crosses itself nowhere") in sentences.whole_checks(whole, MM)
    brought = sentences.whole_checks(replace(whole, scan_crossing_pairs=6), MM)
    assert not any(words == "Crosses itself nowhere" for _, words in brought)
    assert any(passed is None and "6 places" in words for passed, words in brought)
    assert (False, "Crosses itself at 2 places") in sentences.whole_checks(replace(whole, crossing_pairs=2), MM)


def test_two_rows_tell_the_same_of_one_joint():
    """Rows 30 and 40 speak of the contact: share and area are those that were measured, in both."""
    project = made_up.joined()
    fit = replace(project.fits[0], touching_share=0.91, area_mm2=401.0)
    assert "Touching 91% of 401 mm²" in joint_words.fit_lines(project, fit, MM)
    assert "Touching 91% of 401 mm²" in joint_words.joint_evidence(project.joints[0], MM, fit)
    assert "610 mm²" in joint_words.joint_evidence(project.joints[0], MM), "before it was measured: what the search saw"


def test_a_joint_whose_faces_stay_apart_is_not_called_certain():
    """As at the terminal: good only where the evidence and the measured fit both say so."""
    project = made_up.joined()
    assert joint_words.joint_state(project.joints[0], project.fits[0]) == "certain"
    apart = replace(project.fits[0], verdict="doubtful", sentence="The faces stay apart (median gap 0.40 mm).")
    project = replace(project, fits=(apart,))
    assert joint_words.joint_state(project.joints[0], apart) == "doubtful"
    assert "The faces stay apart." in joint_words.joint_evidence(project.joints[0], MM, apart)
    assert joint_words.joining(project, MM).endswith("1 doubtful joint")


def test_the_list_names_the_faces_that_the_joint_uses():
    """A join trims the faces it uses; the listed face that most of one lies on is the one in the joint."""
    project = made_up.joined()
    trimmed = tuple(replace(face, triangles=face.triangles[10:]) for face in project.faces)
    other = replace(project.faces[0], triangles=np.arange(40, dtype=np.int32))
    joint = replace(project.joints[0], face_a=trimmed[0], face_b=trimmed[1])
    project = replace(project, faces=(other, *project.faces), joints=(joint,))
    used = sentences.rows_in_joints(project)
    assert used == {1, 2}
    assert sentences.face_line(project, 1, MM, 1 in used).endswith("in a joint")
    assert sentences.face_line(project, 0, MM, 0 in used).endswith("most likely")
    assert sentences.rows_in_joints(replace(project, placements=())) == frozenset()


def test_a_fragment_that_was_left_out_is_named_where_the_work_goes_on():
    project = made_up.whole()
    assert joint_words.look_at_joints(project) == "" and joint_words.left_out(project) == ""
    lost = replace(project.placements[1], part_from_scan=None, why="It fits nothing.")
    out = replace(project, placements=(project.placements[0], lost))
    assert joint_words.look_at_joints(out) == "B could not be placed: row 30 says why."
    assert joint_words.left_out(out) == "B is not in it: not placed in row 30."
    reference = replace(out, scans=(out.scans[0], replace(out.scans[1], role="reference")))
    assert joint_words.left_out(reference) == "", "a reference is no piece of the part"
    joint = project.joints[0]
    doubtful = replace(project, joints=(replace(joint, evidence=replace(joint.evidence, good=False)),))
    assert joint_words.look_at_joints(doubtful) == "1 joint is doubtful: row 30 says why."


def test_who_chose_too_little_of_a_break_is_told_what_to_do():
    project = made_up.joined()
    lost = replace(project.placements[1], part_from_scan=None, why="It fits nothing.")
    out = replace(project, placements=(project.placements[0], lost))
    assert joint_words.only_chosen(out) == "", "all that was found was tried"
    faces = (replace(out.faces[0], chosen_by="person"), out.faces[1])
    assert "Of A only the faces that you chose" in joint_words.only_chosen(replace(out, faces=faces))
    assert joint_words.only_chosen(replace(project, faces=faces)) == "", "it worked"


def test_another_part_is_blamed_only_where_every_face_was_tried():
    """Where the person chose the faces, those that were not chosen are what is the matter."""
    from rejoin.core.placing import _why

    project = made_up.joined()
    (alone, fits) = (_why(project.fragments, 1, joints, 2) for joints in ([], [project.joints[0]]))
    for why in (alone, fits):
        lost = replace(project.placements[1], part_from_scan=None, why=why)
        assert "of another part" in joint_words.placement_line(1, lost, MM)
        short = joint_words.placement_line(1, lost, MM, all_tried=False)
        assert "another part" not in short and short.endswith("better than chance would.")


def test_the_unit_question_gives_both_readings():
    question, readings = sentences.unit_question((84.0, 12.0))
    assert "unit" in question
    assert dict(readings) == {"mm": "84 mm long", "inch": "84 inches long, that is 2134 mm"}
    assert "m" in dict(sentences.unit_question((0.084,))[1])


def test_the_gap_map_is_grey_when_touching_blue_when_open_red_when_overlapping():
    shown = colours.gap_colours([-1.0, -0.04, 0.0, 0.04, 1.0, np.nan], 0.5, 0.05).astype(int)
    assert np.ptp(shown[2]) < 16 and np.array_equal(shown[1], shown[2]) and np.array_equal(shown[3], shown[2])
    assert shown[4][2] > shown[4][0] + 40, "open is blue"
    assert shown[0][0] > shown[0][2] + 40, "overlap is red-brown"
    assert shown[5].tolist() == colours.rgb(colours.UNMATCHED).tolist()


def test_the_gap_map_has_no_jump_and_keeps_the_order():
    gaps = np.linspace(-0.6, 0.6, 601)
    shown = colours.gap_colours(gaps, 0.5, 0.05).astype(int)
    assert np.abs(np.diff(shown, axis=0)).max() <= 6


# Machado, Oliveira and Fernandes 2009, severity 1.0, on linear RGB
BLIND = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


@pytest.mark.parametrize("kind", BLIND)
def test_the_two_signs_differ_for_colour_blind_eyes(kind):
    """Lab distance (CIE 1976) of +g and -g under the simulation of Machado and others 2009; 20 is plain to see."""
    gaps = np.array([0.3, 0.4, 0.5])
    plus, minus = (_lab(_seen(colours.gap_colours(s * gaps, 0.5), BLIND[kind])) for s in (1, -1))
    assert np.linalg.norm(plus - minus, axis=1).min() > 20


def _seen(shown, matrix):
    share = shown / 255.0
    linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    return np.clip(linear @ np.array(matrix).T, 0.0, 1.0)


def _lab(linear):
    xyz = np.array(
        [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
    )
    share = linear @ xyz.T / xyz.sum(axis=1)
    root = np.where(share > (6 / 29) ** 3, np.cbrt(share), share / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.stack([116 * root[:, 1] - 16, 500 * (root[:, 0] - root[:, 1]), 200 * (root[:, 1] - root[:, 2])], axis=1)


@pytest.mark.parametrize("palette", [colours.PAPER, colours.LAMP], ids=lambda p: p.name)
def test_words_stand_out_from_their_ground(palette):
    """Contrast of at least 4.5 to 1 (WCAG 2.2, success criterion 1.4.3)."""
    for ink in (palette.ink, palette.faded, palette.mark, palette.good, palette.bad):
        for ground in (palette.card, palette.raised):
            assert _contrast(ink, ground) >= 4.5, (ink, ground)
    assert _contrast(palette.on_accent, palette.accent) >= 4.5
    assert _contrast(palette.ink, palette.desk) >= 4.5


def _contrast(first, second):
    lights = []
    for colour in (first, second):
        share = colours.rgb(colour) / 255.0
        linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
        lights.append(float(linear @ [0.2126, 0.7152, 0.0722]))
    return (max(lights) + 0.05) / (min(lights) + 0.05)


def test_a_missing_system_library_is_named_with_its_package():
    lacking = missing_libraries((("libc.so.6", "libc6"), ("libno-such-thing.so.9", "libnosuch9")))
    if sys.platform.startswith("linux"):
        assert lacking == (("libno-such-thing.so.9", "libnosuch9"),)
        assert "libno-such-thing.so.9" in advice(lacking)[0] and "apt install libnosuch9" in advice(lacking)[1]
    else:
        assert lacking == ()


def test_the_system_check_and_the_worker_need_no_qt():
    code = (
        "import sys, rejoin.app.system_check, rejoin.app.work.worker, rejoin.app.work.tasks, rejoin.app.main;"
        "sys.exit(any(n.startswith(('PySide6', 'pyvista')) for n in sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize("told, inches", [
    ("end: +3.000 mm along its normal; bore: 25.4 mm a side", "end: +0.1181 in along its normal; bore: 1 in a side"),
    ("the face at (0, 2.54, 25.4): -0.300 to +0.200 mm", "the face at (0, 0.1, 1): -0.0118 to +0.0079 in"),
    ("Against revision A: +0.254 × −25.400 × +0.000 mm.", "Against revision A: +0.01 × -1 × +0 in."),
    ("It wants 1200 mm2 of support, factor 1.010417.", "It wants 1200 mm2 of support, factor 1.010417."),
])  # fmt: skip
def test_what_core_says_is_told_in_inches(told: str, inches: str) -> None:
    assert in_units(told, Units("inch")) == inches
    assert in_units(told, Units("mm")) == told


def test_an_angle_within_its_bound_is_no_misalignment() -> None:
    assert "0.48 ± 1.14° along the crack: too little to be told from none" in angle_words(0.48, 1.14)
    assert "1.20 ± 0.30° along the crack: that is angular misalignment, unless" in angle_words(1.2, 0.3)
    assert "2.00° along the crack: that is angular misalignment" in angle_words(2.0, None)
