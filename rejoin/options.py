"""What may be typed after ``rejoin``: the commands, their arguments, and which function runs each.

A command's ``run`` is the name of that function, so that asking for help loads
none of the modules that do the work.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import Any, NoReturn

from rejoin import __version__
from rejoin.core.settings import (
    UNITS,
    AlignSettings,
    CleanSettings,
    FaceSettings,
    FitSettings,
    FuseSettings,
    MakeSettings,
    MatchSettings,
    RestoreSettings,
    Settings,
)
from rejoin.terminal import say

STEP_SETTINGS: dict[str, type[Settings]] = {
    "clean": CleanSettings,
    "find_faces": FaceSettings,
    "match": MatchSettings,
    "align": AlignSettings,
    "measure_fit": FitSettings,
    "fuse": FuseSettings,
}
"""The settings whose fields become options of ``rejoin join``."""

SHAPES = ("plane", "line", "circle", "sphere", "cylinder", "cone")
"""What ``rejoin measure`` can fit."""


class _Parser(argparse.ArgumentParser):
    """Complains in two sentences, without repeating the usage."""

    def error(self, message: str) -> NoReturn:
        say(f"{message[:1].upper()}{message[1:].rstrip('.')}. See {self.prog} --help.")
        raise SystemExit(2)


def parser() -> argparse.ArgumentParser:
    """The command line, described."""
    top = _Parser(
        prog="rejoin",
        description="Rejoin the scanned fragments of a broken part. Without a command the window opens.",
        epilog="Exit codes: 0 done; 1 done, with something left unplaced or doubtful; 2 wrong use; "
        "3 a step could give no answer; 4 file trouble.",
        allow_abbrev=False,
    )
    top.add_argument("--version", action="version", version=f"rejoin {__version__}")
    top.add_argument("--sample", metavar="NAME", help="open the window on a sample (see: rejoin sample)")
    top.set_defaults(run="rejoin.cli:window_command", files=[])
    commands = top.add_subparsers(title="commands", metavar="COMMAND", parser_class=_Parser)
    _add_join(commands)
    _add_scans(commands)
    _add_measure(commands)
    _add_check(commands)
    _add_report(commands)
    _add_restore(commands)
    _add_make(commands)
    _add_split(commands)
    _add_compare(commands)
    _add_papers(commands)
    _add_sample(commands)
    _add_open(commands)
    return top


def _add_join(commands: Any) -> None:
    text = "join fragments: find their fracture faces, place them, measure the gaps, fuse the whole"
    join = _command(commands, "join", text)
    join.add_argument("fragments", nargs="+", metavar="FRAGMENT", help="a scan, or a folder: one fragment, of which it "
                      "holds one scan or several from different sides")  # fmt: skip
    _add_unit(join)
    _add_support(join)
    join.add_argument("--reference", metavar="SCAN", help="a whole part of the same pattern: fragments that join "
                      "nothing are laid on it")  # fmt: skip
    join.add_argument("--opposite-hand", action="store_true", help="the reference is of the opposite hand: mirror it")
    join.add_argument("--mating", metavar="SCAN", help="what the part fits to; kept in the project, never joined")
    join.add_argument("--out", metavar="WHOLE", help="write the fused whole (.ply .stl .obj .3mf)")
    join.add_argument("--json", metavar="FIT", help="write placements, joints and figures as JSON")
    join.add_argument("--save", metavar="PROJECT", help="save the project, to go on in the window")
    _add_marks(join)
    join.add_argument("--known", metavar="FILE", help="dimensions known from elsewhere, as JSON (see the README)")
    for step, kind in STEP_SETTINGS.items():
        _add_settings(join.add_argument_group(f"settings of the step {step}"), step, kind)
    join.set_defaults(run="rejoin.commands:join_command")


def _add_scans(commands: Any) -> None:
    text = "look at scans one by one: size, spacing, noise, holes, repairs"
    scans = _command(commands, "scans", text)
    scans.add_argument("files", nargs="+", metavar="FILE", help="a scan, or a folder with one fragment's scan")
    _add_unit(scans)
    _add_support(scans)
    _add_marks(scans)
    scans.add_argument("--judge", action="store_true", help="look whether they are good enough, and what to scan again")
    scans.add_argument("--coat", type=float, default=0.0, metavar="MM", help="thickness of a spray coat, taken off")
    scans.add_argument("--json", metavar="FILE", help="write the same as JSON, lengths in the files' unit")
    scans.set_defaults(run="rejoin.commands:scans_command")


def _add_measure(commands: Any) -> None:
    text = "fit a plane, line, circle, sphere, cylinder or cone to the points of a file"
    measure = _command(commands, "measure", text)
    measure.add_argument(
        "file", metavar="FILE", help="points (.xyz .csv .txt .ply ...) or a scan; two columns are a plane figure"
    )
    measure.add_argument("--shape", required=True, choices=SHAPES, help="what the points should lie on")
    _add_unit(measure)
    measure.add_argument("--json", metavar="FILE", help="write the shape as JSON, in mm and degrees")
    measure.set_defaults(run="rejoin.dimension_commands:measure_command")


def _add_check(commands: Any) -> None:
    text = "measure a whole, or a saved project, against a table of caliper readings"
    check = _command(commands, "check", text)
    check.add_argument("whole", metavar="WHOLE", help="a mesh file, or a project (.rejoin)")
    check.add_argument("--readings", metavar="CSV", help="picks, readings and limits (see the README)")
    _add_unit(check)
    check.add_argument("--json", metavar="FILE", help="write sizes, agreement, verdicts and scale as JSON")
    check.add_argument("--sheet", metavar="SHEET", help="write a dimensioned sheet from the datums (.dxf .pdf)")
    check.add_argument("--squared", metavar="MODEL", help="write the whole squared up on its datums")
    check.add_argument("--section", metavar="PLANE", help="cut WHOLE at x,y,z,nx,ny,nz, in its unit")
    check.add_argument("--section-out", metavar="SHEET", help="write that section, dimensioned, 1:1 (.dxf .pdf)")
    check.add_argument("--mating", metavar="FILE", help="scan of the part it fits with, in position: the clearance")
    check.add_argument("--mating-reach", type=float, metavar="MM", help="largest clearance that is looked at")
    check.add_argument("--mating-map", metavar="CSV", help="write the clearance at each point of WHOLE that faces it")
    check.add_argument("--metal", metavar="METAL", help="metal of the part, for its weight and for temperature")
    for whose in ("part", "instrument"):
        check.add_argument(f"--{whose}-temperature", type=float, metavar="C", help=f"of the {whose}; give both or none")
    check.set_defaults(run="rejoin.dimension_commands:check_command")


def _add_report(commands: Any) -> None:
    text = "write the job card of a saved project: scans, joins, gaps, the whole, cautions"
    report = _command(commands, "report", text)
    report.add_argument("project", metavar="PROJECT", help="a saved project (.rejoin)")
    report.add_argument("--out", required=True, metavar="CARD", help="the card to write (.pdf or .html)")
    report.add_argument("--json", metavar="FILE", help="write what the card tells as JSON")
    report.add_argument("--unit", choices=("mm", "inch"), default="mm", help="how the card shows lengths; mm")
    report.add_argument("--paper", choices=("A4", "letter"), default="A4", help="size of the paper; A4 unless given")
    report.add_argument("--title", metavar="TEXT", help="heading of the card; the project's file name unless given")
    report.set_defaults(run="rejoin.card_command:report_command")


def _add_restore(commands: Any) -> None:
    text = "restore a lost piece of a whole, from the part itself or from the scan of a sister part"
    restore = _command(commands, "restore", text)
    restore.add_argument("whole", metavar="WHOLE", help="a closed mesh file, or a project (.rejoin) with its whole")
    restore.add_argument("--reference", metavar="SCAN", help="scan of a sister part, for the source reference")
    restore.add_argument("--opposite-hand", action="store_true", help="the sister part is of the opposite hand")
    _add_unit(restore)
    restore.add_argument("--out", metavar="FILE", required=True, help="the restored whole (.ply .stl .obj .3mf)")
    restore.add_argument("--json", metavar="FILE", help="write what was restored, and from what, as JSON")
    restore.add_argument("--save", metavar="PROJECT", help="save the project with the restored whole")
    _add_settings(restore.add_argument_group("settings"), "restore", RestoreSettings)
    restore.set_defaults(run="rejoin.restoring_command:restore_command")


def _add_make(commands: Any) -> None:
    text = "make a trial print, a pattern, a model for the mill or a cradle of a whole"
    make = _command(commands, "make", text)
    make.add_argument("whole", metavar="WHOLE", help="a closed mesh file, or a project (.rejoin) with its whole")
    make.add_argument("--for", dest="make.purpose", default=argparse.SUPPRESS, help="what is made",
                      choices=("print", "pattern", "machining", "cradle"))  # fmt: skip
    _add_unit(make)
    make.add_argument("--out", metavar="FILE", help="where to (.3mf .stl .ply .obj); named for what it is unless given")
    make.add_argument("--out-unit", choices=tuple(UNITS), help="unit of the written file; that of WHOLE unless given")
    make.add_argument("--json", metavar="FILE", help="the companion file; beside the part unless given")
    for name, what in (("restore", "are restored by number"), ("stock", "get machining stock, are cast solid or cored"),
                       ("draft", "get draft"), ("windows", "of a cradle stay open")):  # fmt: skip
        make.add_argument(f"--{name}", metavar="FILE", help=f"faces that {what}, as JSON (see the README)")
    make.add_argument("--test-bar", metavar="FILE", help="write the printer's test bar too")
    make.add_argument("--after", metavar="FILE", help="companion file of the part that was tried")
    make.add_argument("--trial", metavar="FILE", help="what the trial showed, as JSON: makes the next revision")
    make.add_argument("--undo", action="store_true", help="take the last trial's corrections back")
    _add_settings(make.add_argument_group("settings"), "make", MakeSettings, without=("purpose",))
    make.set_defaults(run="rejoin.making_command:make_command")


def _add_split(commands: Any) -> None:
    text = "split the scan of a glued part along its seam, and tell what the glue did"
    split = _command(commands, "split", text)
    split.add_argument("scan", metavar="SCAN", help="the scan of the glued part")
    split.add_argument("--seam", required=True, metavar="POINTS", help="points on the seam, all round (.csv .xyz .txt)")
    split.add_argument("--out", required=True, nargs=2, metavar="SIDE", help="the two sides, as they belong together")
    split.add_argument("--whole", metavar="FILE", help="both sides sewn along the seam into one closed mesh")
    split.add_argument("--size", metavar="X1,Y1,Z1,X2,Y2,Z2,SIZE,LIMIT", help="a size across the seam that is known "
                       "from elsewhere, mm")  # fmt: skip
    _add_unit(split)
    split.add_argument("--json", metavar="FILE", help="write thickness, step, tilt and what is unknown as JSON")
    split.set_defaults(run="rejoin.mending_commands:split_command")


def _add_compare(commands: Any) -> None:
    text = "compare a new scan of the mended part with the whole: distortion"
    compare = _command(commands, "compare", text)
    compare.add_argument("whole", metavar="WHOLE", help="the whole as fused (a mesh file, or a project)")
    compare.add_argument("rescan", metavar="SCAN", help="a scan of the mended part, or a folder of several")
    _add_unit(compare)
    compare.add_argument("--json", metavar="FILE", help="write the figures as JSON")
    compare.add_argument("--map", metavar="CSV", help="write the distance at every point")
    compare.set_defaults(run="rejoin.mending_commands:compare_command")


def _add_papers(commands: Any) -> None:
    text = "keep notes, casting marks, photographs and the original files with a saved project"
    papers = _command(commands, "papers", text)
    papers.add_argument("project", metavar="PROJECT", help="a saved project (.rejoin)")
    about = ("part", "material", "casting mark", "photograph", "scanner", "conditions")
    papers.add_argument("--about", choices=about, help="what a paper is about")
    papers.add_argument("--text", metavar="WORDS", help="the note")
    papers.add_argument("--file", metavar="FILE", help="a photograph or another file")
    papers.add_argument("--beside", action="store_true", help="keep only the file's name and checksum")
    papers.add_argument("--take-out", type=int, metavar="NUMBER", help="take a paper out again")
    papers.add_argument("--keep-originals", action="store_true", help="keep the scans' own files inside the project")
    papers.add_argument("--write-to", metavar="FOLDER", help="write the files that are kept inside to a folder")
    papers.set_defaults(run="rejoin.paper_command:papers_command")


def _add_sample(commands: Any) -> None:
    text = "list the samples, or copy one to a folder"
    sample = _command(commands, "sample", text)
    sample.add_argument("name", nargs="?", metavar="NAME", help="which sample to copy")
    sample.add_argument("--to", metavar="FOLDER", help="where to copy it; made where it does not exist")
    sample.set_defaults(run="rejoin.sample_command:sample_command")


def _add_open(commands: Any) -> None:
    text = "open the window on scans or on a saved project"
    window = _command(commands, "open", text)
    window.add_argument("files", nargs="*", metavar="FILE", help="scan files, or one project file")
    window.set_defaults(run="rejoin.cli:window_command")


def _command(commands: Any, name: str, text: str) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = commands.add_parser(
        name, help=text, description=f"{text[0].upper()}{text[1:]}.", allow_abbrev=False
    )
    return made


def _add_unit(command: argparse.ArgumentParser) -> None:
    command.add_argument("--unit", choices=tuple(UNITS), help="unit of files that do not say theirs (STL, PLY, OBJ)")


def _add_marks(command: argparse.ArgumentParser) -> None:
    command.add_argument("--marks", metavar="FILE", help="places that two scans of one folder both show, as JSON (see "
                         "the README): those two are laid together so")  # fmt: skip


def _add_support(command: argparse.ArgumentParser) -> None:
    command.add_argument("--keep-support", action="store_true", help="in a folder of several scans nothing is cut away "
                         "as the plate that the fragment lay on")  # fmt: skip


def _add_settings(group: Any, step: str, kind: type[Settings], without: Sequence[str] = ()) -> None:
    """One option for each field of a settings record, named as the field."""
    for field in kind.__dataclass_fields__.values():  # type: ignore[attr-defined]
        if field.name in without:
            continue
        flag, meta = f"--{field.name.replace('_', '-')}", field.metadata
        unit = f" {meta['unit']}" if meta["unit"] else ""
        common: dict[str, Any] = {
            "dest": f"{step}.{field.name}",
            "default": argparse.SUPPRESS,
            "help": f"{meta['meaning']}; {field.default}{unit} unless given".replace("%", "%%"),
        }
        if isinstance(field.default, bool):
            group.add_argument(flag, action=argparse.BooleanOptionalAction, **common)
        else:
            kind_of_value = type(field.default) if field.default is not None else str
            group.add_argument(flag, type=kind_of_value, metavar=kind_of_value.__name__.upper(), **common)


def given_for(arguments: argparse.Namespace, step: str) -> dict[str, Any]:
    """What was given on the command line of a step's settings, by field."""
    return {name.partition(".")[2]: value for name, value in vars(arguments).items() if name.startswith(f"{step}.")}


def settings_of(arguments: argparse.Namespace) -> dict[str, Settings]:
    """The settings record of each step, with what was given on the command line.

    Raises
    ------
    WrongUse
        Where a value is out of its range.
    """
    return {step: kind(**given_for(arguments, step)) for step, kind in STEP_SETTINGS.items()}
