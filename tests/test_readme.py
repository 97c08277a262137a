"""What README.md and DEVELOPERS.md say is true: commands run, lists are complete, the package carries its data."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import rejoin
from rejoin.cli import parser
from rejoin.core import report as telling
from rejoin.core.samples import sample_fragments, sample_names
from tests.test_layers import LAYERS

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
CI = (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def blocks(language: str, text: str = README) -> list[str]:
    """The fenced blocks of one language, in order."""
    return re.findall(rf"^```{language}\n(.*?)^```", text, flags=re.S | re.M)


def run(command: list[str], folder: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    env = {**os.environ, "PYTHONPATH": str(ROOT), **environment}
    return subprocess.run(command, capture_output=True, text=True, cwd=folder, env=env, timeout=600)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which the README's commands are typed; ``rejoin`` is this clone's."""
    folder = tmp_path_factory.mktemp("bench")
    shim = folder / "bin" / "rejoin"
    shim.parent.mkdir()
    shim.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m rejoin "$@"\n')
    shim.chmod(0o755)
    return folder


@pytest.mark.skipif(shutil.which("sh") is None, reason="needs a shell")
def test_the_terminal_examples_run(bench: Path) -> None:
    lines = next(block for block in blocks("sh") if "rejoin scans" in block).splitlines()
    for line in lines:
        done = run(["sh", "-c", line], bench, PATH=f"{bench / 'bin'}{os.pathsep}{os.environ['PATH']}")
        assert done.returncode == 0, f"{line}\n{done.stderr}"
    assert {"part", "whole.stl", "fit.json", "part.rejoin"} <= {p.name for p in bench.iterdir()}
    fit = json.loads((bench / "fit.json").read_text(encoding="utf-8"))
    assert telling.complete(fit)


@pytest.fixture(scope="module")
def coarse(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the sample of the examples as ``part``, its scans coarser: that they run is what is tried."""
    from rejoin import write_mesh
    from rejoin.core.files import read_fragment
    from rejoin.core.meshes import gathered

    folder = tmp_path_factory.mktemp("coarse")
    name = re.search(r"rejoin sample (\S+) --to part", README)[1]  # type: ignore[index]
    shutil.copytree(sample_fragments(name)[0].parent, folder / "part")
    for path in sample_fragments(name):
        write_mesh(gathered(read_fragment(path).mesh, 0.8)[0], folder / "part" / path.name)
    return folder


def test_the_python_example_runs(coarse: Path) -> None:
    (example,) = blocks("python")
    assert len([line for line in example.splitlines() if line.strip()]) == 5
    done = run([sys.executable, "-c", example], coarse)
    assert done.returncode == 0, done.stderr
    assert (coarse / "whole.stl").stat().st_size > 10_000


def test_the_known_dimension_example_is_read(tmp_path: Path) -> None:
    import numpy as np

    from rejoin.core.known import read_known
    from rejoin.core.records import Mesh, Scan

    example = blocks("json")[0]
    names = [f"part/fragment_{n}.ply" for n in (1, 2)]
    mesh = Mesh(np.eye(3), np.array([[0, 1, 2]]))
    scans = [Scan(name, (name,), mesh, "mm", True, False, (name,)) for name in names]
    path = tmp_path / "known.json"
    path.write_text(example, encoding="utf-8")
    (known,) = read_known(path, scans, names)
    assert (known.fragment_a, known.fragment_b, known.value_mm, known.kind) == (0, 1, 96.0, "bore centres")


def test_the_example_of_marks_is_read(tmp_path: Path) -> None:
    from rejoin.core.files.marks import read_marks
    from rejoin.core.transforms import from_marks

    for name in ("top.ply", "bottom.ply"):
        (tmp_path / name).touch()
    path = tmp_path / "marks.json"
    path.write_text(blocks("json")[1], encoding="utf-8")
    (marks,) = read_marks(path, [tmp_path])
    assert (marks.a.name, marks.b.name, len(marks.on_a)) == ("top.ply", "bottom.ply", 3)
    assert from_marks(marks.on_a, marks.on_b).shape == (4, 4)


def test_the_install_commands_name_one_list_of_packages() -> None:
    start, checks = blocks("sh")[:2]
    listed = re.search(r'packages="(.*?)"', CI, flags=re.S)[1].split()  # type: ignore[index]
    asked = re.search(r"install -y (.*?) &&", start)[1].split()  # type: ignore[index]
    assert set(listed) - set(asked) == {"xvfb", "xauth"} and set(asked) <= set(listed)
    assert checks.strip() == "bash .ci/run"


def test_every_sample_named_is_there() -> None:
    named = set(re.findall(r"--sample (\S+?)[`\s,;]", README)) | set(
        re.findall(r"rejoin sample ([^\s\[`]+) --to", README)
    )
    named -= {"NAME"}
    assert named and named <= set(sample_names())
    for name in sample_names():
        assert len(sample_fragments(name)) >= 2 and all(path.is_file() for path in sample_fragments(name))


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_every_file_linked_to_is_there(text: str) -> None:
    links = [link for link in re.findall(r"\]\(([^)#]+)\)", text) if "://" not in link]
    assert [link for link in links if not (ROOT / link).exists()] == []


def test_every_command_and_option_is_told() -> None:
    actions = parser()._subparsers._group_actions[0].choices  # type: ignore[union-attr]
    assert isinstance(actions, dict)
    for name in actions:
        assert f"`rejoin {name}" in README, name
    for option in ("--unit", "--out", "--json", "--save", "--known", "--marks"):
        assert f"`{option} " in README
        assert option in actions["join"]._option_string_actions


def test_every_field_of_fit_is_told() -> None:
    import numpy as np

    from rejoin.core.records import Evidence, FractureFace, Joint, Mesh, Placement, Project, Scan, Whole

    mesh = Mesh(np.eye(3), np.array([[0, 1, 2]]))
    scans = tuple(Scan(n, (n,), mesh, "mm", True, False, (n,)) for n in "ab")
    face = FractureFace(0, np.array([0]), 1.0, 1.0, "program")
    joint = Joint(0, 1, face, face, np.eye(4), Evidence(2.0, 1.0, 3.0, 0.5, 0.01, 0.0, 2.0, False, "It is doubtful."))
    none = np.empty(0, np.int32)
    whole = Whole(mesh, 1.0, 1.0, True, 1, 0, none, none, 0.0, (), 0, 0.0, ())
    placements = (Placement(np.eye(4), "program"), Placement(None, "program", "No face fits."))
    project = Project(scans, joints=(joint,), placements=placements, whole=whole)
    content = telling.fit_content(project, ["a", "b"], "1")
    assert content["joints"][0]["verdict"] == "doubtful" and not telling.complete(content)
    section = README[README.index("### What FIT holds") : README.index("### Known dimensions")]
    told = set(re.findall(r"`\.?([a-z_0-9]+)(?:\[\])?`", section))
    fields = {*content, *content["fragments"][0], *content["joints"][0], *content["whole"]}
    assert fields <= told, fields - told


def test_the_exit_codes_are_told() -> None:
    told = dict(re.findall(r"^\| (\d) \| (.*?) \|$", README, flags=re.M))
    assert set(told) == {"0", "1", "2", "3", "4"}
    codes = {
        rejoin.WrongUse.exit_code: "wrong",
        rejoin.NoAnswer.exit_code: "no answer",
        rejoin.FileTrouble.exit_code: "file",
    }
    assert all(word in told[str(code)] for code, word in codes.items())


def test_the_map_names_every_module() -> None:
    drawing = DEVELOPERS[DEVELOPERS.index("## The map") : DEVELOPERS.index("## Rules")]
    words = set(re.findall(r"[a-z_]+", drawing))
    assert frozenset().union(*LAYERS) <= words
    beside = {p.stem for p in (ROOT / "rejoin").glob("*.py")} - {"__init__", "__main__"}
    assert beside <= words
    window = {p.stem for p in (ROOT / "rejoin" / "app").iterdir() if p.suffix == ".py" or p.name == "panels"}
    assert window - {"__init__"} <= words, window - words


def test_the_installed_package_carries_samples_and_assets(tmp_path: Path) -> None:
    code = (
        "import json, rejoin; from rejoin.core.samples import data_folder;"
        "print(json.dumps([str(data_folder(kind)) for kind in ('sample_scans', 'assets')]))"
    )
    env = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=tmp_path, env=env, timeout=60
    )
    if "ModuleNotFoundError: No module named 'rejoin'" in done.stderr:
        pytest.skip("the package is not installed in this environment (.ci/run installs it)")
    assert done.returncode == 0, done.stderr
    folders = json.loads(done.stdout)
    for kind, folder in zip(("sample_scans", "assets"), folders, strict=True):
        here = sorted(p.relative_to(ROOT / kind) for p in (ROOT / kind).rglob("*") if p.is_file() and p.name[0] != ".")
        assert here
        for name in here:
            assert (Path(folder) / name).read_bytes() == (ROOT / kind / name).read_bytes(), (
                f"{kind}/{name} is not in the package"
            )


def test_the_console_command_is_installed(tmp_path: Path) -> None:
    command = Path(sys.executable).with_name("rejoin")
    if not command.exists():
        pytest.skip("the package is not installed in this environment (.ci/run installs it)")
    env = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}
    done = subprocess.run(
        [str(command), "--version"], capture_output=True, text=True, cwd=tmp_path, env=env, timeout=60
    )
    assert done.stdout.strip() == f"rejoin {rejoin.__version__}"


TYPED: dict[str, list[list[str]]] = {
    "rejoin": [],
    "rejoin open FILE...": [],
    "rejoin join FRAGMENT FRAGMENT...": [],
    "rejoin scans FILE...": [["scans", "part/fragment_1.ply", "--unit", "mm", "--json", "scans.json"]],
    "rejoin measure FILE --shape S": [
        ["measure", "ring.csv", "--shape", "circle", "--unit", "mm", "--json", "ring.json"],
    ],
    "rejoin check WHOLE --readings CSV": [
        ["check", "part.rejoin", "--readings", "part/readings.csv", "--unit", "mm", "--json", "check.json"],
    ],
    "rejoin report PROJECT --out CARD": [
        ["report", "part.rejoin", "--out", "card.pdf", "--unit", "inch", "--paper", "letter", "--json", "card.json"],
        ["report", "part.rejoin", "--out", "card.html"],
    ],
    "rejoin restore WHOLE --source S --out F": [],
    "rejoin make WHOLE --for P": [["make", "whole.stl", "--unit", "mm", "--for", "print", "--out", "trial.3mf"]],
    "rejoin split SCAN --seam POINTS --out A B": [],
    "rejoin compare WHOLE SCAN": [],
    "rejoin papers PROJECT": [["papers", "part.rejoin", "--about", "part", "--text", "the rocker of the pump"]],
    "rejoin sample [NAME --to FOLDER]": [["sample"], ["sample", "bracket", "--to", "yard"]],
    "rejoin --version": [["--version"]],
    "rejoin COMMAND --help": [
        [name, "--help"]
        for name in "join scans measure check report restore make split compare papers sample open".split()
    ],
}  # fmt: skip
"""Each command of the README's table as somebody would type it. `join` and those that open the window are typed above
and below, `restore` in tests/core/test_restoring.py, `split` and `compare` in tests/test_mending_commands.py."""


def commands_of_the_table() -> list[str]:
    table = README[README.index("| command | does |") : README.index("| option of `join`")]
    cells = re.findall(r"^\| (`rejoin.*?) \|", table, flags=re.M)
    return [command for cell in cells for command in re.findall(r"`(rejoin[^`]*)`", cell)]


def test_every_command_of_the_table_is_typed_in_a_test() -> None:
    assert set(commands_of_the_table()) == set(TYPED)


@pytest.fixture(scope="module")
def joined_part(bench: Path, coarse: Path) -> Path:
    """The folder as the terminal examples would leave it."""
    block = next(block for block in blocks("sh") if "rejoin scans" in block)
    (line,) = [line for line in block.splitlines() if line.startswith("rejoin join")]
    done = run(["sh", "-c", line], coarse, PATH=f"{bench / 'bin'}{os.pathsep}{os.environ['PATH']}")
    assert done.returncode == 0, done.stderr
    points = [(5.0 * c, 5.0 * s) for c, s in ((1, 0), (0, 1), (-1, 0), (0, -1), (0.6, 0.8), (-0.8, 0.6))]
    (coarse / "ring.csv").write_text("\n".join(f"{x:.6f},{y:.6f}" for x, y in points) + "\n", encoding="utf-8")
    return coarse


@pytest.mark.skipif(shutil.which("sh") is None, reason="needs a shell")
@pytest.mark.parametrize("command", [name for name, typed in TYPED.items() if typed])
def test_the_commands_of_the_table_run(joined_part: Path, command: str) -> None:
    for typed in TYPED[command]:
        done = run([sys.executable, "-m", "rejoin", *typed], joined_part)
        assert done.returncode in ((0, 1) if typed[0] == "check" else (0,)), f"{typed}\n{done.stderr}"
    if command.startswith("rejoin measure"):
        told = json.loads((joined_part / "ring.json").read_text(encoding="utf-8"))
        assert told["params"]["radius"] == pytest.approx(5.0, abs=1e-6)
    if command.startswith("rejoin report"):
        assert (joined_part / "card.pdf").read_bytes().startswith(b"%PDF")
        told = json.loads((joined_part / "card.json").read_text(encoding="utf-8"))
        assert told["fit"]["joints"] and told["cautions"]
    if command.startswith("rejoin make"):
        assert (joined_part / "trial.3mf").stat().st_size > 10_000


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs the virtual screen of the tests")
@pytest.mark.parametrize("typed", [["--sample", "bracket"], ["open", "part/fragment_1.ply", "part/fragment_2.ply"]])
def test_the_commands_that_open_the_window_run(joined_part: Path, tmp_path: Path, typed: list[str]) -> None:
    """It stays open until it is told to stop, and says so by its exit code."""
    if not os.environ.get("DISPLAY"):
        pytest.skip("needs a screen")
    pytest.importorskip("PySide6")
    env = {**os.environ, "PYTHONPATH": str(ROOT), "XDG_CONFIG_HOME": str(tmp_path), "XDG_DATA_HOME": str(tmp_path)}
    shown = subprocess.Popen([sys.executable, "-m", "rejoin", *typed], cwd=joined_part, env=env,
                             stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)  # fmt: skip
    try:
        for _ in range(12):
            time.sleep(0.5)
            assert shown.poll() is None, shown.communicate()[1]
        shown.send_signal(signal.SIGINT)
        assert shown.wait(60) == 3, shown.communicate()[1]
    finally:
        shown.kill()
        shown.communicate()


def test_the_table_of_readings_is_read(tmp_path: Path) -> None:
    from rejoin.core.dimensions.readings import read_readings

    (example,) = blocks("csv")
    (tmp_path / "readings.csv").write_text(example, encoding="utf-8")
    bore, centres, rib = read_readings(tmp_path / "readings.csv")
    assert (bore.value, bore.low, bore.high) == (20.01, 19.9, 20.1)
    assert centres.value == pytest.approx((1 + 37 / 64) * 25.4) and rib.value is None


def test_every_anchor_leads_to_a_heading() -> None:
    from rejoin.app.paper.pages import slug

    headings = {slug(line.lstrip("# ")) for line in README.splitlines() if line.startswith("#")}
    assert [anchor for anchor in re.findall(r"\]\(#([^)]+)\)", README) if anchor not in headings] == []


def test_the_cautions_are_those_of_the_program() -> None:
    from rejoin.core.cautions import CAUTIONS

    section = " ".join(README[README.index("## Cautions") : README.index("## Sources")].split())
    assert [caution for caution in CAUTIONS if caution not in section] == []
    assert section.index(CAUTIONS[0]) < section.index(CAUTIONS[1]), "the law first"


def test_the_dangers_are_all_named() -> None:
    """What can hurt whoever repairs a casting (common practice, no source)."""
    from rejoin.core.cautions import BEFORE_WELDING, CAUTIONS, ON_EVERYTHING_MADE

    told = " ".join(CAUTIONS).lower()
    for danger in ("pressure", "load", "lift", "brake", "steering", "wheels", "flywheels", "pulleys", "springs",
                   "presses", "heat", "dust", "lead paint", "asbestos", "laser class", "local codes", "licensed",
                   "hidden cracks", "guards"):  # fmt: skip
        assert danger in told, danger
    for part in (BEFORE_WELDING, ON_EVERYTHING_MADE):
        assert part[0] == CAUTIONS[0] and set(part) <= set(CAUTIONS)
