"""The wheel holds what it should, and runs in an environment of its own, away from the repository."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest

from tests.benchmarks import packaging


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    pytest.importorskip("hatchling", reason="the wheel is built without a network only where hatchling is installed")
    return packaging.built(tmp_path_factory.mktemp("wheel"), isolated=False)


def test_the_wheel_holds_all_of_the_program_its_samples_and_pages(wheel: Path) -> None:
    assert packaging.lacking(wheel) == []
    names = set(zipfile.ZipFile(wheel).namelist())
    data = {f"rejoin/_data/{name}" for name in ("assets/help/window.md", "sample_scans/bracket/truth.json", "LICENSE")}
    assert {"rejoin/py.typed", *data} <= names


def test_what_a_wheel_lacks_is_named(wheel: Path, tmp_path: Path) -> None:
    poorer = tmp_path / wheel.name
    with zipfile.ZipFile(wheel) as whole, zipfile.ZipFile(poorer, "w") as cut:
        for name in whole.namelist():
            if name != "rejoin/py.typed":
                cut.writestr(name, b"other" if name == "rejoin/cli.py" else whole.read(name))
        cut.writestr("rejoin/stray.txt", b"")
    faults = ["rejoin/cli.py (other content)", "rejoin/py.typed", "rejoin/stray.txt (too many)"]
    assert packaging.lacking(poorer) == faults


def test_it_runs_outside_the_repository(wheel: Path, tmp_path: Path) -> None:
    (tmp_path / "yard").mkdir()
    commands = packaging.installed(wheel, tmp_path / "new")
    for typed, code, last in packaging.used(commands, tmp_path / "yard", join=False):
        assert code == 0, f"{typed}: {last}"
    assert (tmp_path / "yard" / "part" / "fragment_2.stl").exists()
