"""The contract of the command line: what it writes, its exit codes, and a sentence for every failure."""

from __future__ import annotations

import importlib
import json
import math
import os
import signal
import struct
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

from rejoin import __version__, commands
from rejoin.cli import main, parser
from rejoin.core import report as telling
from rejoin.core import steps
from rejoin.core.errors import FileTrouble, NoAnswer, RejoinError
from rejoin.core.files import read_fragment
from rejoin.core.known import read_known
from rejoin.core.meshes import triangle_areas
from rejoin.core.records import Mesh, Scan
from rejoin.core.storage import load_project
from rejoin.terminal import raise_if_stopped, stop_on_ctrl_c
from tests.makers import Case, make_case, worst_error_mm, write_case

ROOT = Path(__file__).resolve().parents[1]
STL_HEAD = b"scan".ljust(80)


class Told:
    """What a call of the command said and how it ended."""

    def __init__(self, code: int, out: str, err: str) -> None:
        self.code, self.out, self.err = code, out, err


@pytest.fixture
def rejoin(capfd: pytest.CaptureFixture[str]) -> Any:
    """Call the command in this process."""

    def call(*arguments: object) -> Told:
        capfd.readouterr()
        code = main([str(argument) for argument in arguments])
        return Told(code, *capfd.readouterr())

    return call


@pytest.fixture(scope="module")
def case() -> Case:
    return make_case("knob", 5, spacing_mm=0.7, noise_mm=0.02)


@pytest.fixture(scope="module")
def scans(case: Case, tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return write_case(case, tmp_path_factory.mktemp("knob"), fmt="stl")


@pytest.fixture(scope="module")
def joined(scans: list[Path], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """One full run in a process of its own."""
    folder = tmp_path_factory.mktemp("joined")
    out, fit, saved = folder / "whole.ply", folder / "fit.json", folder / "knob.rejoin"
    command = [sys.executable, "-m", "rejoin", "join", *scans, "--out", out, "--json", fit, "--save", saved]
    done = subprocess.run([str(c) for c in command], capture_output=True, text=True, cwd=ROOT, timeout=300)
    assert fit.exists(), done.stderr
    return {
        "done": done,
        "out": out,
        "saved": saved,
        "fit": json.loads(fit.read_text(encoding="utf-8")),
        "folder": folder,
    }


@pytest.fixture(scope="module")
def join_with_a_hole(scans: list[Path], tmp_path_factory: pytest.TempPathFactory) -> str:
    """What the terminal shows of a join in which one scan has a hole 5 mm across and only smaller ones are closed."""
    holed = tmp_path_factory.mktemp("holed") / "holed.stl"
    mesh = trimesh.load(scans[0])
    near = np.linalg.norm(mesh.triangles_center - mesh.vertices[mesh.vertices[:, 0].argmax()], axis=1) < 2.5
    mesh.update_faces(~near)
    mesh.export(holed)
    command = [sys.executable, "-m", "rejoin", "join", holed, scans[1], "--out", holed.with_name("whole.stl")]
    command += ["--unit", "mm", "--largest-hole-mm", "3"]
    done = subprocess.run([str(c) for c in command], capture_output=True, text=True, cwd=ROOT, timeout=300)
    assert done.returncode == 1, done.stderr
    return done.stdout


def stl(*triangles: Any) -> bytes:
    body = b"".join(struct.pack("<12fH", 0, 0, 0, *np.ravel(t), 0) for t in triangles)
    return STL_HEAD + struct.pack("<I", len(triangles)) + body


def is_a_sentence(text: str) -> bool:
    return "Traceback" not in text and text.strip() != "" and text.strip()[-1] in ".)?"


# ---- the whole job ----


def test_a_broken_part_is_joined(joined: dict[str, Any], scans: list[Path]) -> None:
    done, fit = joined["done"], joined["fit"]
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr and "2 of 2 fragments placed" in done.stdout
    assert set(fit) == {"unit", "fragments", "joints", "whole", "seconds", "version"}
    assert (fit["unit"], fit["version"]) == ("mm", __version__)
    assert [f["files"] for f in fit["fragments"]] == [[str(p)] for p in scans]
    assert [f["file"] for f in fit["fragments"]] == [str(p) for p in scans]
    assert set(fit["joints"][0]) >= {
        "a", "b", "verdict", "area_mm2", "gap_median_mm", "gap_p95_mm", "overlap_max_mm", "touching_share", "step_mm",
        "score", "runner_up",
    }  # fmt: skip
    assert f"closed, {fit['whole']['volume_mm3']:.0f} mm3, through-holes: {fit['whole']['genus']}, " in done.stdout
    assert (fit["joints"][0]["a"], fit["joints"][0]["b"]) == (0, 1)
    assert fit["joints"][0]["verdict"] == "good" and fit["joints"][0]["score"] > fit["joints"][0]["runner_up"]
    assert set(fit["whole"]) >= {"file", "unit", "closed", "shells", "volume_mm3", "genus", "filled_mm3"}
    assert set(fit["seconds"]) == {"read", "clean", "find_faces", "match", "align", "measure_fit", "fuse", "write"}


def test_what_is_to_be_said_of_the_whole_is_said_at_the_terminal(join_with_a_hole: str) -> None:
    assert "NOT closed" in join_with_a_hole
    (said,) = (line for line in join_with_a_hole.splitlines() if "left open" in line)
    assert said.startswith("  whole: A scan hole ") and "larger than the 3 mm up to which" in said


def test_crossings_at_the_crack_are_said_at_the_terminal(joined: dict[str, Any]) -> None:
    from rejoin.commands import summary

    told = "run through each other"
    content = joined["fit"]
    assert content["whole"]["crossing_pairs"] == 0 and not any(told in line for line in summary(content))
    crossed = {**content, "whole": {**content["whole"], "crossing_pairs": 7}}
    assert [line for line in summary(crossed) if told in line] == [
        "  whole: 7 pairs of triangles at the crack run through each other."
    ]


def test_the_placements_are_rigid_and_right(joined: dict[str, Any], case: Case) -> None:
    """Against the exact truth that the case was broken with."""
    first, second = (np.array(f["placement"]) for f in joined["fit"]["fragments"])
    assert np.array_equal(first, np.eye(4)), "the common frame is the first placed fragment's scan frame"
    assert np.linalg.det(second[:3, :3]) == pytest.approx(1.0, abs=1e-12)
    assert np.allclose(second[:3, :3] @ second[:3, :3].T, np.eye(3), atol=1e-12) and (second[3] == [0, 0, 0, 1]).all()
    assert worst_error_mm(case, 1, second, 0, first) < case.spacing_mm / 3
    assert joined["fit"]["fragments"][1]["u95_mm"] > 0


def test_the_whole_lies_in_the_common_frame(joined: dict[str, Any], case: Case) -> None:
    """Volume and holes of the intact solid; read back by an independent library."""
    import trimesh

    whole, told = trimesh.load(joined["out"]), joined["fit"]["whole"]
    assert whole.is_watertight and told["closed"] and told["shells"] == 1
    assert told["genus"] == case.intact_genus
    assert told["volume_mm3"] == pytest.approx(whole.volume, rel=1e-5)
    assert whole.volume == pytest.approx(case.intact_volume_mm3, rel=0.005)
    truth = (
        case.intact.vertices @ case.part_from_scan[0][:3, :3]
        - case.part_from_scan[0][:3, 3] @ case.part_from_scan[0][:3, :3]
    )
    assert np.allclose(whole.bounds, [truth.min(axis=0), truth.max(axis=0)], atol=2 * case.spacing_mm)


def test_the_saved_project_opens(joined: dict[str, Any]) -> None:
    from rejoin import load_project

    project = load_project(joined["saved"])
    assert len(project.scans) == 2 and project.whole is not None


def test_no_temporary_file_is_left(joined: dict[str, Any]) -> None:
    assert sorted(p.name for p in joined["folder"].iterdir()) == [
        "fit.json", "knob.rejoin", "whole.ply", "whole.report.txt"
    ]  # fmt: skip


def test_a_mixed_bag_is_joined_all_the_same(scans: list[Path], case: Case, tmp_path: Path, rejoin: Any) -> None:
    """One scan in inches (3MF states its unit), one in mm, and that one given twice."""
    from rejoin import write_mesh

    inch, fit = tmp_path / "second.3mf", tmp_path / "fit.json"
    write_mesh(read_fragment(scans[1]).mesh, inch, "inch")
    told = rejoin("join", inch, scans[0], scans[0], "--unit", "mm", "--json", fit)
    content = json.loads(fit.read_text())
    rows = content["fragments"]
    assert (told.code, content["unit"], content["whole"]) == (1, "inch", None)
    assert [(row["unit"], row["placement"] is None) for row in rows] == [("inch", False), ("mm", False), ("mm", True)]
    assert len({row["name"] for row in rows}) == 3 and "given twice" in rows[2]["why"]
    placement = np.array(rows[1]["placement"])
    placement[:3, 3] *= 25.4
    assert worst_error_mm(case, 0, placement, 1, np.eye(4)) < case.spacing_mm / 3


# ---- what does not join ----


@pytest.fixture(scope="module")
def strangers(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("strangers")
    one = make_case("knob", 5, spacing_mm=1.0)
    other = make_case("bracket", 6, spacing_mm=1.0)
    return [write_case(one, folder / "one")[0], write_case(other, folder / "other")[1]]


def test_strangers_are_refused_with_a_reason(strangers: list[Path], tmp_path: Path, rejoin: Any) -> None:
    out, fit = tmp_path / "whole.stl", tmp_path / "fit.json"
    told = rejoin("join", *strangers, "--out", out, "--json", fit)
    content = json.loads(fit.read_text())
    assert told.code == 1 and not out.exists() and content["whole"] is None
    where = [f["placement"] for f in content["fragments"]]
    areas = [triangle_areas(read_fragment(path).mesh).sum() for path in strangers]
    largest = int(np.argmax(areas))
    assert where[largest] == np.eye(4).tolist() and where[1 - largest] is None
    assert is_a_sentence(content["fragments"][1 - largest]["why"])
    assert content["fragments"][largest]["why"] is None
    assert "was not written" in told.err and "not placed" in told.out


def test_the_same_scan_twice_is_left_out(scans: list[Path], tmp_path: Path, rejoin: Any) -> None:
    again, fit = tmp_path / "again.stl", tmp_path / "fit.json"
    again.write_bytes(scans[0].read_bytes())
    told = rejoin("join", scans[0], again, "--json", fit)
    content = json.loads(fit.read_text())
    assert told.code == 1
    assert content["fragments"][0]["placement"] == np.eye(4).tolist()
    assert content["fragments"][1]["placement"] is None and "same scan" in content["fragments"][1]["why"]
    assert "same scan" in told.err
    told = rejoin("join", scans[0], scans[0])
    assert f"{scans[0]} was given twice." in told.err and "was given twice" in told.out and "same scan" not in told.err


@pytest.mark.parametrize(("mm3", "words"), [
    (36121.4, "36121 mm3"), (2.7855, "2.79 mm3"), (0.0, "0 mm3"), (0.026, "0.026 mm3"),
])  # fmt: skip
def test_a_small_volume_keeps_its_digits(mm3: float, words: str) -> None:
    assert commands._volume(mm3) == words


def test_a_card_of_an_unknown_kind_is_called_a_card(tmp_path: Path, rejoin: Any) -> None:
    told = rejoin("report", tmp_path / "job.rejoin", "--out", tmp_path / "card.doc")
    assert told.code == 2 and told.err.startswith("The job card cannot be written as card.doc.")


def test_a_step_without_an_answer_still_leaves_the_fit(
    scans: list[Path], tmp_path: Path, rejoin: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: Any, **__: Any) -> Any:
        raise NoAnswer("The faces could not be compared.", "Try more careful scans.")

    monkeypatch.setattr(steps, "STEPS", tuple((n, refuse if n == "match" else s) for n, s in steps.STEPS))
    fit = tmp_path / "fit.json"
    told = rejoin("join", *scans, "--out", tmp_path / "whole.ply", "--json", fit)
    assert told.code == 3 and "could not be compared. Try more careful scans." in told.err
    rows = json.loads(fit.read_text())["fragments"]
    assert sorted(row["placement"] is None for row in rows) == [False, True]
    assert [r["why"] for r in rows if r["why"]] == ["The faces could not be compared. Try more careful scans."]


# ---- bad input: a sentence, an exit code, nothing half written ----

TRIANGLE = ((0, 0, 0), (10, 0, 0), (0, 10, 0))
NAN_BOX = stl(*[((0, 0, 0), (10, 0, float("nan")), (0, 10, i)) for i in range(12)])
BAD = {
    "empty.stl": b"",
    "truncated.stl": stl(*[TRIANGLE] * 40)[:700],
    "lying.stl": STL_HEAD + struct.pack("<I", 4_000_000_000),
    "words.stl": b"this is not a mesh at all\n" * 20,
    "picture.ply": b"\x89PNG\r\n\x1a\n" + bytes(300),
    "nan.stl": NAN_BOX,
    "one.stl": stl(TRIANGLE),
    "flat.obj": b"v 0 0 0\nv 1 0 0\nf 1 2 9\n",
    "few.xyz": b"0 0 0\n1 0 0\n0 1 0\n",
    "nothing.ply": b"ply\nformat ascii 1.0\nelement vertex 0\nproperty float x\nproperty float y\n"
    b"property float z\nend_header\n",
    "scan.docx": b"PK\x03\x04",
    "broken.3mf": b"PK\x03\x04 not a zip",
    "broken.glb": b"glTF\x02\x00\x00\x00",
}  # fmt: skip


@pytest.mark.parametrize("name", [*BAD, "missing.stl"])
def test_a_bad_scan_is_refused_in_words(name: str, scans: list[Path], tmp_path: Path, rejoin: Any) -> None:
    bad, out = tmp_path / "in" / name, tmp_path / "out"
    bad.parent.mkdir()
    out.mkdir()
    if name in BAD:
        bad.write_bytes(BAD[name])
    told = rejoin("join", scans[0], bad, "--out", out / "whole.ply", "--json", out / "fit.json")
    assert told.code == 4, told.err
    assert is_a_sentence(told.err) and name in told.err, told.err
    assert list(out.iterdir()) == []


def test_a_folder_without_a_scan_is_refused(scans: list[Path], tmp_path: Path, rejoin: Any) -> None:
    (tmp_path / "empty").mkdir()
    told = rejoin("join", scans[0], tmp_path / "empty")
    assert told.code == 4 and "empty" in told.err and is_a_sentence(told.err)


def test_a_folder_stands_for_its_scan(scans: list[Path], tmp_path: Path, rejoin: Any) -> None:
    folder = tmp_path / "piece"
    folder.mkdir()
    (folder / "view.stl").write_bytes(scans[0].read_bytes())
    row = telling.files_as_typed(read_fragment(folder), str(folder))
    assert row == [os.path.join(folder, "view.stl")]
    assert rejoin("scans", folder).code == 0


@pytest.mark.parametrize("option, name, code, word", [
    ("--out", "nowhere/whole.ply", 4, "folder"),
    ("--out", "file.txt/whole.ply", 4, "folder"),
    ("--json", "nowhere/fit.json", 4, "folder"),
    ("--save", "nowhere/p.rejoin", 4, "folder"),
    ("--out", "whole.doc", 2, ".stl"),
    ("--save", "project.zip", 2, ".rejoin"),
    ("--json", "", 4, "folder"),
])  # fmt: skip
def test_where_nothing_can_be_written_is_said_before_the_work(
    option: str, name: str, code: int, word: str, scans: list[Path], tmp_path: Path, rejoin: Any
) -> None:
    (tmp_path / "file.txt").write_text("x")
    told = rejoin("join", *scans, option, tmp_path / name)
    assert told.code == code and word in told.err and is_a_sentence(told.err)
    assert "Reading" not in told.err, "the scans were read before the folder was looked at"


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="needs a folder that even root cannot write to")
def test_a_folder_that_refuses_is_found_before_the_work(scans: list[Path], rejoin: Any) -> None:
    told = rejoin("join", *scans, "--json", "/proc/self/fit.json")
    assert told.code == 4 and is_a_sentence(told.err) and "Reading" not in told.err


def test_nothing_overwrites_a_scan(scans: list[Path], rejoin: Any) -> None:
    before = scans[0].read_bytes()
    told = rejoin("join", *scans, "--out", scans[0])
    assert told.code == 2 and "overwrite" in told.err and scans[0].read_bytes() == before


def test_two_results_do_not_share_a_file(scans: list[Path], tmp_path: Path, rejoin: Any) -> None:
    told = rejoin("join", *scans, "--out", tmp_path / "a.ply", "--json", tmp_path / "a.ply")
    assert told.code == 2 and "overwrite" in told.err


@pytest.mark.parametrize("arguments, word", [
    (("join",), "FRAGMENT"),
    (("join", "one.stl"), "Name the scans of at least two"),
    (("glue", "a", "b"), "glue"),
    (("join", "a.stl", "b.stl", "--unit", "furlong"), "furlong"),
    (("join", "a.stl", "b.stl", "--thoroughness", "9"), "thoroughness"),
    (("join", "a.stl", "b.stl", "--reach", "far"), "far"),
    (("join", "a.stl", "b.stl", "--bogus"), "bogus"),
    (("scans",), "FILE"),
    (("sample", "no-such-part"), "no-such-part"),
    (("--sample", "no-such-part"), "no-such-part"),
])  # fmt: skip
def test_wrong_use_is_told_in_words(arguments: tuple[str, ...], word: str, rejoin: Any) -> None:
    told = rejoin(*arguments)
    assert told.code == 2 and word in told.err and is_a_sentence(told.err) and told.out == ""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="other systems always have a screen")
def test_without_a_screen_the_window_says_so(rejoin: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(name, raising=False)
    told = rejoin()
    assert told.code == 3 and "no screen" in told.err and is_a_sentence(told.err)


def test_the_window_gets_what_was_typed(
    scans: list[Path], tmp_path: Path, rejoin: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    from rejoin.app import main as window

    calls: list[Any] = []
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")
    monkeypatch.setattr(window, "run", lambda *given: calls.append(given) or 0)
    project = tmp_path / "part.rejoin"
    project.touch()
    files = [str(path) for path in scans]
    assert [rejoin().code, rejoin("open", *files).code, rejoin("open", project).code] == [0, 0, 0]
    assert [call[:3] for call in calls] == [(None, [], None), (None, files, None), (None, [], str(project))]
    assert not any(call[3]() for call in calls), "nobody pressed Ctrl-C"
    assert rejoin("open", project, *files).code == 2
    assert rejoin("open", tmp_path / "gone.ply").code == 4
    assert len(calls) == 3


def test_what_nobody_foresaw_is_one_sentence(scans: list[Path], rejoin: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def break_down(*_: Any, **__: Any) -> Any:
        raise ZeroDivisionError("a tool broke\nin two")

    monkeypatch.delenv("REJOIN_TRACEBACK", raising=False)
    monkeypatch.setattr(steps, "read", break_down)
    told = rejoin("join", *scans)
    assert told.code == 3 and told.err.count("\n") == 1 and "a tool broke in two" in told.err
    monkeypatch.setenv("REJOIN_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError):
        main(["join", *map(str, scans)])


@pytest.mark.parametrize("error", [
    MemoryError(), RuntimeError("can't start new thread"),
    ImportError("libx.so: failed to map segment from shared object"),
])  # fmt: skip
def test_too_little_memory_is_one_sentence(
    error: Exception, scans: list[Path], rejoin: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def run_out(*_: Any, **__: Any) -> Any:
        raise error

    monkeypatch.setattr(steps, "read", run_out)
    told = rejoin("join", *scans)
    assert told.code == 3 and told.err.count("\n") == 1 and "not enough memory" in told.err


@pytest.mark.skipif(os.name != "posix", reason="sends a signal")
def test_ctrl_c_ends_cleanly(case: Case, tmp_path: Path) -> None:
    files = write_case(case, tmp_path / "in")
    out = tmp_path / "out"
    out.mkdir()
    command = [
        sys.executable,
        "-m",
        "rejoin",
        "join",
        *map(str, files),
        "--json",
        str(out / "f.json"),
        "--out",
        str(out / "w.ply"),
    ]
    running = subprocess.Popen(command, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT)
    assert running.stderr is not None
    try:
        first = running.stderr.readline()
        assert first.startswith("Reading")
        time.sleep(0.2)
        running.send_signal(signal.SIGINT)
        _, err = running.communicate(timeout=120)
    finally:
        running.kill()
    assert running.returncode == 3 and "stopped" in err and "Traceback" not in err, err
    assert list(out.iterdir()) == []


def test_ctrl_c_waits_for_the_end_of_an_import(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Raised within it, the import lock would stay taken and the program would hang at its end."""
    (tmp_path / "pressed_meanwhile.py").write_text("import signal\nsignal.raise_signal(signal.SIGINT)\nwhole = True\n")
    monkeypatch.syspath_prepend(str(tmp_path))
    before, hook = signal.getsignal(signal.SIGINT), sys.unraisablehook
    stop_on_ctrl_c()
    try:
        assert importlib.import_module("pressed_meanwhile").whole
        with pytest.raises(KeyboardInterrupt):
            raise_if_stopped()
        stop_on_ctrl_c()
        raise_if_stopped()
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    finally:
        stop_on_ctrl_c()
        signal.signal(signal.SIGINT, before)
        sys.unraisablehook = hook


def test_small_matrices_are_solved_on_one_thread() -> None:
    """Set before numpy is loaded, and never against the person's own wish."""
    code = (
        "import os, sys; from rejoin.cli import main; main(['--version']); "
        "print(os.environ['OPENBLAS_NUM_THREADS'], 'numpy' in sys.modules)"
    )
    plain = {k: v for k, v in os.environ.items() if k != "OPENBLAS_NUM_THREADS"}
    for wish, told in ((plain, "1 False"), ({**plain, "OPENBLAS_NUM_THREADS": "2"}, "2 False")):
        done = subprocess.run([sys.executable, "-c", code], env=wish, cwd=ROOT, capture_output=True, text=True)
        assert done.stdout.splitlines()[-1] == told


# ---- the unit ----


def test_a_guess_of_the_unit_is_said_aloud(scans: list[Path], rejoin: Any) -> None:
    told = rejoin("scans", scans[0])
    size = np.ptp(read_fragment(scans[0]).mesh.vertices, axis=0)
    line = next(line for line in told.err.splitlines() if line.startswith("no unit in these files, taken as mm: "))
    numbers = [float(n) for n in line.split(":")[1].split(" mm")[0].split(" x ")]
    assert np.allclose(numbers, size, rtol=0.01) and line.endswith("; use --unit if that is wrong")
    assert "no unit" not in rejoin("scans", scans[0], "--unit", "mm").err


# ---- the look at scans ----


def test_scans_gives_lengths_in_the_files_unit(case: Case, tmp_path: Path, rejoin: Any) -> None:
    paths = [write_case(case, tmp_path / unit, unit=unit)[0] for unit in ("mm", "inch")]
    rows = []
    for path, unit in zip(paths, ("mm", "inch"), strict=True):
        assert rejoin("scans", path, "--unit", unit, "--json", tmp_path / "s.json").code == 0
        rows += json.loads((tmp_path / "s.json").read_text())["scans"]
    mm, inch = rows
    assert set(mm) == {
        "file",
        "unit",
        "size",
        "points",
        "triangles",
        "spacing",
        "noise",
        "specks",
        "holes",
        "closed",
        "repairs",
        "role",
        "views",
        "faults",
    }
    assert (mm["file"], mm["unit"], inch["unit"]) == (str(paths[0]), "mm", "inch")
    assert np.allclose(mm["size"], np.ptp(case.fragments[0].vertices, axis=0), rtol=1e-5)
    assert np.allclose(np.array(inch["size"]) * 25.4, mm["size"], rtol=1e-5)
    for name in ("spacing", "noise"):
        assert inch[name] * 25.4 == pytest.approx(mm[name], rel=1e-3)
    assert mm["points"] == len(case.fragments[0].vertices) and mm["triangles"] == len(case.fragments[0].triangles)
    assert mm["spacing"] == pytest.approx(case.spacing_mm, rel=0.2)
    assert mm["closed"] is True and mm["holes"] == 0 and mm["specks"] == 0


def test_scans_counts_what_is_wrong(tmp_path: Path, rejoin: Any) -> None:
    worse = make_case("knob", 2, spacing_mm=0.9, scan_holes=2, specks=3)
    path = write_case(worse, tmp_path)[0]
    assert rejoin("scans", path, "--json", tmp_path / "s.json").code == 0
    row = json.loads((tmp_path / "s.json").read_text())["scans"][0]
    assert row["closed"] is False and row["holes"] >= 1 and row["specks"] == 3
    one = write_case(make_case("knob", 2, spacing_mm=0.9, scan_holes=1, specks=1), tmp_path / "one")[0]
    assert "  open, 1 hole, 1 loose speck left out\n" in rejoin("scans", one).out
    whole = write_case(make_case("knob", 2, spacing_mm=0.9), tmp_path / "whole")[0]
    assert "  closed, no holes, no loose specks\n" in rejoin("scans", whole).out
    assert {repair["kind"] for repair in row["repairs"]} >= {"specks", "holes"}
    assert all(repair["sentence"] for repair in row["repairs"])


def test_of_two_files_of_one_name_the_one_that_is_refused_is_named(tmp_path: Path, rejoin: Any) -> None:
    good = write_case(make_case("knob", 2, spacing_mm=1.5), tmp_path)[0]
    (tmp_path / "left").mkdir()
    (tmp_path / "right").mkdir()
    first, second = (tmp_path / side / f"piece{good.suffix}" for side in ("left", "right"))
    first.write_bytes(good.read_bytes())
    second.write_bytes(good.read_bytes()[:3000])
    for other, called in ((first, str(second)), (good, second.name)):
        told = rejoin("join", other, second)
        assert told.code == 4 and f"{called} is damaged or incomplete" in told.err, told.err
        assert (str(second) in told.err) == (other == first)
        assert f"{called} is damaged" in rejoin("scans", other, second).err


def test_a_bad_file_does_not_hold_up_the_others(scans: list[Path], tmp_path: Path, rejoin: Any) -> None:
    told = rejoin("scans", tmp_path / "gone.stl", scans[0], "--json", tmp_path / "s.json")
    rows = json.loads((tmp_path / "s.json").read_text())["scans"]
    assert told.code == 4 and "gone.stl" in told.err
    assert "error" in rows[0] and rows[1]["file"] == str(scans[0])


def test_bare_points_are_taken_as_a_surface_or_refused_in_words(case: Case, tmp_path: Path, rejoin: Any) -> None:
    path = tmp_path / "points.xyz"
    np.savetxt(path, case.fragments[0].vertices[::2], fmt="%.4f")
    told = rejoin("scans", path)
    assert told.code in (0, 4) and "Traceback" not in told.err
    assert "points" in told.out + told.err


# ---- samples and known dimensions ----


def test_samples_are_listed_and_copied(tmp_path: Path, rejoin: Any) -> None:
    from rejoin.core.samples import sample_names

    listed = rejoin("sample").out
    assert all(f"{name}: " in listed for name in sample_names())
    name = sample_names()[0]
    told = rejoin("sample", name, "--to", tmp_path / "new" / "part")
    copied = [Path(line) for line in told.out.splitlines()]
    assert told.code == 0 and len(copied) >= 3 and all(path.is_file() for path in copied)
    assert (ROOT / "sample_scans" / name / copied[0].name).read_bytes() == copied[0].read_bytes()
    (tmp_path / "file").write_text("x")
    told = rejoin("sample", name, "--to", tmp_path / "file")
    assert told.code == 4 and is_a_sentence(told.err)
    assert rejoin("sample", name).code == 2


def _known(**change: Any) -> list[dict[str, Any]]:
    end = {"file": "a.stl", "point": [1, 2, 3.5]}
    return [{"kind": "points", "a": end, "b": {**end, "file": "b.stl"}, "value": 40, "limit": 0.1, **change}]


def test_known_dimensions_are_read_into_millimetres(tmp_path: Path) -> None:
    scans = [replace(_scan(name, name), unit=unit) for name, unit in (("a", "inch"), ("b", "cm"))]
    path = tmp_path / "known.json"
    path.write_text(json.dumps(_known()))
    (known,) = read_known(path, scans, ["somewhere/a.stl", "b.stl"])
    assert (known.fragment_a, known.fragment_b, known.kind) == (0, 1, "points")
    assert np.allclose(known.point_a_mm, [25.4, 50.8, 88.9]) and np.allclose(known.point_b_mm, [10, 20, 35])
    assert (known.value_mm, known.limit_mm) == (pytest.approx(1016), pytest.approx(2.54))


@pytest.mark.parametrize("name", ["bracket", "pump_rocker", "treadle"])
def test_the_samples_known_dimensions_are_true(name: str) -> None:
    """Against the exact placements beside them, within the stated limits and a reading's error."""
    from rejoin.core.samples import sample_folder, sample_fragments

    truth = json.loads((sample_folder(name) / "truth.json").read_text())
    files = sample_fragments(name)
    scans = [read_fragment(path) for path in files]
    places = [np.array(matrix) for matrix in truth["part_from_scan_mm"]]
    known = read_known(sample_folder(name) / "known.json", scans, [str(path) for path in files])
    assert known
    for item in known:
        a, b = (
            np.append(p, 1) @ places[n].T
            for n, p in ((item.fragment_a, item.point_a_mm), (item.fragment_b, item.point_b_mm))
        )
        assert np.linalg.norm(a - b) == pytest.approx(item.value_mm, abs=2 * item.limit_mm)


@pytest.mark.parametrize("content, code, word", [
    ("{", 4, "JSON"),
    ("{}", 2, "list"),
    ("[3]", 2, "dimension 1"),
    (json.dumps(_known(kind="guess")), 2, "bore centres"),
    (json.dumps(_known(value=-1)), 2, "value"),
    (json.dumps(_known(limit=0)), 2, "limit"),
    (json.dumps(_known(value=True)), 2, "value"),
    (json.dumps(_known(value=math.nan)), 2, "value"),
    (json.dumps(_known(b={"file": "c.stl", "point": [0, 0, 0]})), 2, "c.stl"),
    (json.dumps(_known(b={"file": "a.stl", "point": [0, 0, 0]})), 2, "two different"),
    (json.dumps(_known(b={"file": "b.stl", "point": [0, 0]})), 2, "three numbers"),
    (json.dumps(_known(b={"file": "b.stl", "point": [0, 0, "x"]})), 2, "three numbers"),
    (json.dumps(_known(unit="mm")), 2, "nothing else"),
])  # fmt: skip
def test_a_wrong_known_dimension_is_told_in_words(content: str, code: int, word: str, tmp_path: Path) -> None:
    path = tmp_path / "known.json"
    path.write_text(content)
    with pytest.raises(RejoinError, match=word) as caught:
        read_known(path, [_scan("a", "1"), _scan("b", "2")], ["a.stl", "b.stl"])
    assert caught.value.exit_code == code and "known.json" in str(caught.value)


def test_known_dimensions_reach_the_step_that_places(
    scans: list[Path], tmp_path: Path, rejoin: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, seen = tmp_path / "known.json", []
    ends = {e: {"file": scans[n].name, "point": [1, 2, 3]} for n, e in enumerate("ab")}
    path.write_text(json.dumps(_known(**ends)))

    def with_known(project: Any, settings: Any, report: Any, known: Any = ()) -> Any:
        seen.extend(known)
        raise NoAnswer("Enough.", "Go home.")

    monkeypatch.setattr(steps, "STEPS", (("align", with_known),))
    told = rejoin("join", *scans, "--known", path)
    assert told.code == 3 and is_a_sentence(told.err)
    assert [(item.fragment_a, item.fragment_b, item.value_mm) for item in seen] == [(0, 1, 40.0)]


def test_a_known_dimension_that_the_scans_contradict_is_told(
    joined: dict[str, Any], scans: list[Path], tmp_path: Path, rejoin: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The distance that the scans alone give passes in silence; one 5 mm away does not."""
    project = load_project(joined["saved"])
    points = [scan.mesh.vertices[0] for scan in project.scans]
    a, b = (p.part_from_scan for p in project.placements)
    apart = float(np.linalg.norm(a[:3, :3] @ points[0] + a[:3, 3] - b[:3, :3] @ points[1] - b[:3, 3]))
    ends = {e: {"file": scans[n].name, "point": points[n].tolist()} for n, e in enumerate("ab")}
    path, fit = tmp_path / "known.json", tmp_path / "fit.json"
    matched = replace(project, placements=(), fits=(), whole=None)
    monkeypatch.setattr(steps, "read", lambda *_, **__: matched)
    monkeypatch.setattr(steps, "STEPS", tuple(step for step in steps.STEPS if step[0] in ("align", "measure_fit")))
    for wrong_mm in (0.0, 5.0):
        path.write_text(json.dumps(_known(**ends, value=apart + wrong_mm, limit=0.05)))
        told = rejoin("join", *scans, "--unit", "mm", "--known", path, "--json", fit)
        notes = [note for fragment in json.loads(fit.read_text())["fragments"] for note in fragment["notes"]]
        assert len(notes) == (1 if wrong_mm else 0) and ("contradict" in told.out) == bool(wrong_mm), told.out
        assert all(note in told.out for note in notes)


# ---- settings, JSON and small pieces ----


def test_every_command_names_a_function_that_is_there() -> None:
    commands = parser()._subparsers._group_actions[0].choices  # type: ignore[union-attr]
    for name, command in commands.items():  # type: ignore[union-attr]
        module, _, function = command.get_default("run").partition(":")
        assert callable(getattr(importlib.import_module(module), function)), name


def test_every_setting_is_an_option_and_reaches_its_step() -> None:
    from rejoin.options import STEP_SETTINGS, settings_of

    assert set(STEP_SETTINGS) == {name for name, _ in steps.STEPS}
    given = parser().parse_args(
        ["join", "a", "b", "--thoroughness", "3", "--no-missing-layer", "--largest-hole-mm", "4.5"]
    )
    settings = settings_of(given)
    assert settings["match"].thoroughness == 3  # type: ignore[attr-defined]
    assert settings["align"].missing_layer is False  # type: ignore[attr-defined]
    assert settings["fuse"].largest_hole_mm == 4.5  # type: ignore[attr-defined]
    assert settings["clean"] == STEP_SETTINGS["clean"]()


def test_json_never_holds_what_is_no_number(tmp_path: Path) -> None:
    untidy = {
        "a": [math.nan, math.inf, np.float64(1.5)],
        "b": np.int32(3),
        "c": np.array([1.0, -math.inf]),
        "d": np.bool_(True),
    }
    assert telling.tidy(untidy) == {"a": [None, None, 1.5], "b": 3, "c": [1.0, None], "d": True}
    with pytest.raises(ValueError):
        telling.write_json(tmp_path / "x.json", {"a": math.nan})
    assert list(tmp_path.iterdir()) == []


def test_json_is_written_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "fit.json"
    telling.write_json(path, {"old": 1})

    def refuse(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(FileTrouble, match="No space left"):
        telling.write_json(path, {"new": 2})
    assert json.loads(path.read_text()) == {"old": 1} and list(tmp_path.iterdir()) == [path]


def _scan(name: str, sha: str) -> Scan:
    mesh = Mesh(np.eye(3), np.array([[0, 1, 2]]))
    return Scan(name, (f"{name}.stl",), mesh, "mm", True, False, (sha,))


def test_repeats_and_names() -> None:
    scans = [_scan("a", "1"), _scan("a", "2"), _scan("b", "1"), _scan("a", "1")]
    assert telling.same_scans(scans) == {2: 0, 3: 0}
    assert telling.names_of(scans) == ("a", "a (2)", "b", "a (3)")


def test_the_common_frame_is_the_first_placed_fragments() -> None:
    from rejoin.core.records import Placement, Project
    from rejoin.core.transforms import from_vector

    poses = [from_vector(np.array([0.3, -0.2, 0.5, 4, 5, 6.0]) * k, np.zeros(3)) for k in (1, 2)]
    placements = (Placement(None, "program", "no"), *(Placement(p, "program") for p in poses))
    project = Project(scans=tuple(_scan(n, n) for n in "abc"), placements=placements)
    found = telling.settled_placements(project)
    assert found[0][0] is None and found[0][1] == "no"
    assert np.array_equal(found[1][0], np.eye(4))
    assert np.allclose(poses[0] @ found[2][0], poses[1], atol=1e-12)
    bare = telling.settled_placements(replace(project, placements=()))
    assert [f[0] is None for f in bare] == [False, True, True]


@pytest.mark.parametrize("window", [True, False])
def test_after_a_window_nothing_is_taken_down_that_could_crash(window: bool) -> None:
    """What is said is seen, what was started is stopped, and the exit code is right."""
    code = (
        "import atexit, multiprocessing, sys, time\n"
        "from rejoin import cli\n"
        "if __name__ == '__main__':\n"
        "    atexit.register(lambda: print('taken down'))\n"
        f"    sys.modules.update(dict.fromkeys(['PySide6.QtWidgets'] if {window} else []))\n"
        "    multiprocessing.get_context('fork').Process(target=time.sleep, args=(60,), daemon=True).start()\n"
        "    cli.main = lambda: 3 if print('told') is None else 0\n"
        "    cli.program()\n"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=30)
    assert ran.returncode == 3 and ran.stdout.split() == (["told"] if window else ["told", "taken", "down"]), ran.stderr
