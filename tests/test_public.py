"""The public list of the package, what a bare start loads, and the binding under the window."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

import rejoin

ROOT = Path(__file__).resolve().parents[1]


def python(code: str, *arguments: str, timeout: float = 120) -> subprocess.CompletedProcess[str]:
    """Run a piece of Python in a fresh interpreter."""
    return subprocess.run(
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, timeout=timeout, cwd=ROOT
    )


@pytest.mark.parametrize("name", rejoin.__all__)
def test_each_public_name_is_there_and_explained(name: str) -> None:
    thing = getattr(rejoin, name)
    assert thing.__doc__ and thing.__doc__.strip(), f"{name} has no docstring"
    assert thing.__module__.startswith("rejoin.core")


def test_the_list_says_everything_once() -> None:
    assert sorted(set(rejoin.__all__)) == list(rejoin.__all__)
    assert set(rejoin.__all__) == set(rejoin._HOME_OF)


def test_type_checkers_see_the_same_list() -> None:
    tree = ast.parse(Path(rejoin.__file__).read_text(encoding="utf-8"))
    block = next(n for n in tree.body if isinstance(n, ast.If))
    seen = {alias.name: n.module for n in block.body if isinstance(n, ast.ImportFrom) for alias in n.names}
    assert seen == rejoin._HOME_OF


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'glue'"):
        rejoin.glue  # noqa: B018
    assert not hasattr(rejoin, "glue")


def test_the_names_are_those_of_the_steps() -> None:
    steps = import_module("rejoin.core.steps")
    assert {name for name, _ in steps.STEPS} <= set(rejoin.__all__)


WEIGHTY = ("numpy", "scipy", "open3d", "manifold3d", "vtkmodules", "pyvista", "PySide6", "trimesh", "lib3mf",
           "numba", "igl", "rich", "matplotlib")  # fmt: skip

BARE = """
import sys, time
from rejoin.cli import main
code = main(sys.argv[1:])
import json
print(json.dumps([code, time.process_time(), sorted(m for m in sys.modules)]), file=sys.stderr)
"""


@pytest.mark.parametrize("arguments", [("--help",), ("--version",), ("join", "--help"), ("sample", "--help")])
def test_help_loads_nothing_heavy_and_is_quick(arguments: tuple[str, ...]) -> None:
    runs = []
    for _ in range(3):
        done = python(BARE, *arguments)
        code, seconds, loaded = json.loads(done.stderr.splitlines()[-1])
        assert code == 0 and done.stdout.strip()
        assert not [name for name in WEIGHTY if name in loaded]
        runs.append(seconds)
    assert min(runs) < 0.4, f"{runs} s of processor time"


def test_importing_the_package_loads_nothing_heavy() -> None:
    done = python("import sys, rejoin; print([m for m in sys.argv[1:] if m in sys.modules])", *WEIGHTY)
    assert done.stdout.strip() == "[]", done.stdout + done.stderr


VOID_CALLS = """
import sys
from PySide6.QtCore import QObject
thing = QObject()
before = sys.getrefcount(None)
for number in range(200_000):
    thing.setObjectName("a")
lost = before - sys.getrefcount(None)
print(lost)
"""


def test_the_binding_keeps_its_references_to_none() -> None:
    """A binding that drops one reference to None at each void call aborts the process after minutes of use."""
    done = python(VOID_CALLS)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) < 1000
