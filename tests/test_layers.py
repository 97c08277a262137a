"""The imports of the program go one way, and heavy libraries stay behind their doorway.

Reads the source only (AST); DEVELOPERS.md draws the same picture.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PROGRAM = Path(__file__).resolve().parents[1] / "rejoin"

LAYERS: tuple[frozenset[str], ...] = tuple(
    frozenset(names.split())
    for names in (
        "errors cautions",
        "records settings",
        "abreast capacity shelf",
        "transforms robust naming",
        "meshes",
        "libraries noise",
        "files",
        "views",
        "contact",
        "surfaces planes",
        "relief form outline continuity shadows",
        "evidence search likeness uncertainty turns icp",
        "flat stretches waiting prepared",
        "rims misalignment polishing",
        "stepped",
        "cleaning faces matching alignment fit fusing dimensions making drawings judging glued book",
        "assembling placing merging mended bending",
        "restoring",
        "project distortion",
        "codec",
        "edits steps storage report samples known",
        "cardtables lessons further",
        "card",
    )
)
"""The modules of rejoin/core from the ground up: each imports from the lines above its own, none from its own line."""

FOLDERS = ("words", "parts", "paper", "work", "view", "bench", "mouse", "panels", "lessons")
"""The folders of rejoin/app from the ground up: each imports from those before it; the modules beside them from all."""

SCREENLESS = {("app", "words"), ("app", "work")}
"""What is said, and what the worker process runs."""

SCREEN = {"PySide6", "shiboken6", "pyvista", "pyvistaqt", "qtpy"}
DOORWAY = {
    "open3d", "manifold3d", "vtk", "vtkmodules", "igl", "lib3mf", "trimesh", "small_gicp", "ezdxf", "reportlab",
    "threadpoolctl",
}  # fmt: skip
HEAVY = SCREEN | DOORWAY | {"numba", "llvmlite", "matplotlib", "cmcrameri", "rich"}
QUICK = {"__init__", "__main__", "cli", "options", "terminal"}
"""Modules beside core and app that ``rejoin --help`` runs: they may import no more than errors and settings."""


def imports(source: str) -> list[tuple[str, bool]]:
    """Every module that a source imports, and whether on import (True) or only when a function is called."""
    found: list[tuple[str, bool]] = []

    def visit(node: ast.AST, at_once: bool) -> None:
        if isinstance(node, ast.Import):
            found.extend((alias.name, at_once) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative imports hide the layer"
            if node.module in {"rejoin.core", "rejoin.app"}:
                found.extend((f"{node.module}.{alias.name}", at_once) for alias in node.names)
            else:
                found.append((node.module or "", at_once))
        elif isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            return
        for child in ast.iter_child_nodes(node):
            visit(child, at_once and not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda))

    visit(ast.parse(source), True)
    return found


def layer(core_module: str) -> int:
    """The line of `LAYERS` that names the module."""
    for number, names in enumerate(LAYERS):
        if core_module in names:
            return number
    raise AssertionError(f"rejoin/core/{core_module} is new: give it a line in LAYERS and in DEVELOPERS.md")


def offences(where: tuple[str, ...], source: str) -> list[str]:
    """What a module at ``where`` (path below rejoin/, without suffix) imports against the rules."""
    wrong = []
    in_core, in_app = where[0] == "core" and len(where) > 1, where[0] == "app"
    for name, at_once in imports(source):
        parts = name.split(".")
        if parts[0] in SCREEN and not in_app:
            wrong.append(f"{name}: only rejoin/app may know the screen")
        if parts[0] in SCREEN and where[:2] in SCREENLESS:
            wrong.append(f"{name}: {where[1]} has no screen")
        if parts[0] in DOORWAY and where[:2] != ("core", "libraries") and not in_app:
            wrong.append(f"{name}: only rejoin/core/libraries may call it")
        if parts[0] in HEAVY and at_once and not in_app:
            wrong.append(f"{name}: import it inside the function that needs it")
        if parts[0] != "rejoin":
            continue
        inner = parts[1] if len(parts) > 1 else ""
        if in_core and where[1] != "__init__":
            wrong += _core_offences(where[1], name, parts)
        if where[0] in QUICK and at_once and parts[:3] not in ALLOWED_WHEN_QUICK:
            wrong.append(f"{name}: asking for help must not load it")
        if in_app and inner == "app":
            wrong += _app_offences(where[1:], name, parts[2:])
        if in_app and inner in {"cli", "options", "commands", "terminal"}:
            wrong.append(f"{name}: the window does not call the command line")
    return wrong


ALLOWED_WHEN_QUICK = [["rejoin"], ["rejoin", "cli"], ["rejoin", "options"], ["rejoin", "terminal"],
                      ["rejoin", "core", "errors"], ["rejoin", "core", "settings"]]  # fmt: skip


def _core_offences(own: str, name: str, parts: list[str]) -> list[str]:
    if parts[1:2] != ["core"]:
        return [f"{name}: core knows nothing above it"] if len(parts) > 1 else []
    if parts[2] != own and layer(parts[2]) >= layer(own):
        return [f"{name}: {own} may only import from lower layers"]
    return []


def height(folder: str) -> int:
    """The place of a folder of rejoin/app in `FOLDERS`."""
    if folder in FOLDERS:
        return FOLDERS.index(folder)
    raise AssertionError(f"rejoin/app/{folder} is new: give it a place in FOLDERS and in DEVELOPERS.md")


def _app_offences(below_app: tuple[str, ...], name: str, parts: list[str]) -> list[str]:
    if len(below_app) < 2:  # it holds the window together and may call everything
        return []
    own, other = below_app[0], parts[0] if parts else ""
    if other not in FOLDERS:
        return [f"{name}: {own} knows nothing of what holds the window together"]
    if height(other) > height(own):
        return [f"{name}: {own} may only import from the folders below it"]
    return []


SOURCES = sorted(PROGRAM.rglob("*.py"))


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(PROGRAM)))
def test_imports_go_one_way(path: Path) -> None:
    where = path.relative_to(PROGRAM).with_suffix("").parts
    assert offences(where, path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("where, source, complaint", [
    (("core", "faces"), "from rejoin.core.fit import x", "lower layers"),
    (("core", "meshes"), "def f():\n    from rejoin.core import steps", "lower layers"),
    (("core", "fusing", "ring"), "import rejoin.core.project", "lower layers"),
    (("core", "fit"), "from rejoin.app.main import run", "nothing above"),
    (("core", "fit"), "def f():\n    import open3d as o3d", "only rejoin/core/libraries"),
    (("core", "libraries", "solids"), "import manifold3d", "inside the function"),
    (("core", "libraries", "pictures"), "def f():\n    import pyvista", "only rejoin/app"),
    (("commands",), "def f():\n    from PySide6.QtCore import QObject", "only rejoin/app"),
    (("cli",), "from rejoin.core.steps import read", "asking for help"),
    (("app", "bench", "session"), "from rejoin.commands import join_command", "does not call"),
    (("app", "view", "scene"), "from rejoin.app.panels.base import Panel", "folders below"),
    (("app", "words", "sentences"), "def f():\n    from rejoin.app.parts import colours", "folders below"),
    (("app", "mouse", "tools"), "from rejoin.app import panels", "folders below"),
    (("app", "panels", "base"), "from rejoin.app.window import Window", "holds the window"),
    (("app", "panels", "base"), "from rejoin.app import window", "holds the window"),
    (("app", "work", "tasks"), "def f():\n    from PySide6.QtCore import QObject", "no screen"),
    (("app", "words", "sentences"), "from PySide6.QtWidgets import QLabel", "no screen"),
])  # fmt: skip
def test_each_rule_fires(where: tuple[str, ...], source: str, complaint: str) -> None:
    assert any(complaint in sentence for sentence in offences(where, source))


@pytest.mark.parametrize("where, source", [
    (("core", "fusing", "healing"), "from rejoin.core.fusing.ring import Contact"),
    (("core", "libraries", "solids"), "def f():\n    import manifold3d"),
    (("core", "steps"), "def f():\n    from rejoin.core.fit import x"),
    (("app", "view", "widget"), "from pyvistaqt import QtInteractor"),
    (("app", "panels", "gap"), "from rejoin.app.panels.base import Panel\nfrom rejoin.app.mouse import tools"),
    (("app", "window"), "from rejoin.app.strip import Strip\nfrom rejoin.app.lessons import class_mode"),
    (("cli",), "def f():\n    from rejoin.app.main import run"),
    (("core", "fit"), "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from rejoin.core.steps import x"),
])  # fmt: skip
def test_what_is_allowed_passes(where: tuple[str, ...], source: str) -> None:
    assert offences(where, source) == []


def test_a_new_module_must_be_placed() -> None:
    with pytest.raises(AssertionError, match="LAYERS"):
        layer("shortcuts")


def test_a_new_folder_of_the_window_must_be_placed() -> None:
    with pytest.raises(AssertionError, match="FOLDERS"):
        height("shortcuts")


def test_every_folder_of_the_window_has_its_place_and_says_what_it_is() -> None:
    app = PROGRAM / "app"
    there = {p.name: p for p in app.iterdir() if p.is_dir() and p.name != "__pycache__"}
    assert set(there) == set(FOLDERS)
    for folder in there.values():
        assert ast.get_docstring(ast.parse((folder / "__init__.py").read_text(encoding="utf-8"))), folder


def test_every_core_module_has_its_line() -> None:
    core = PROGRAM / "core"
    there = {p.stem for p in core.iterdir() if p.suffix == ".py" or (p / "__init__.py").exists()} - {"__init__"}
    assert there <= frozenset().union(*LAYERS)
