"""What ``rejoin join`` and ``rejoin scans`` do, once the command line is understood."""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rejoin import __version__
from rejoin.core import edits, steps
from rejoin.core import report as telling
from rejoin.core.errors import FileTrouble, RejoinError, WrongUse
from rejoin.core.files import WRITABLE, write_mesh
from rejoin.core.files.alike import told_apart
from rejoin.core.libraries.registration import warm_up
from rejoin.core.project import changed
from rejoin.core.records import Project, Scan
from rejoin.core.settings import CleanSettings, ReadSettings
from rejoin.core.storage import SUFFIX, save_project
from rejoin.options import settings_of
from rejoin.terminal import Progress, say, say_error

if TYPE_CHECKING:
    from rejoin.core.files.marks import FileMarks


def join_command(arguments: argparse.Namespace) -> int:
    """The whole job: read, join, measure, fuse, and write what was asked for.

    Returns
    -------
    int
        The exit code; a step that gives no answer still leaves its FIT.
    """
    typed: list[str] = arguments.fragments
    settings = settings_of(arguments)
    _check_join(arguments)
    with Progress() as reading:
        project = steps.read(typed, _reading(arguments), reading.step("read"), marks=_marks(arguments, typed))
        project = _with_roles(project, arguments, reading)
    typed = _typed(arguments)
    warm_up()
    _say_unit(project.scans)
    project, left_out = _without_repeats(project, typed)
    known = _known(arguments.known, project, typed, left_out)
    failure: RejoinError | None = None
    with Progress() as progress:
        try:
            for name, step in steps.STEPS:
                if not _worth_going_on(name, project, arguments):
                    break
                wish = known if name == "align" else {}
                project = step(project, settings[name], progress.step(name), **wish)
        except RejoinError as error:
            failure = error
    return _hand_over(arguments, project, left_out, failure, {**reading.seconds, **progress.seconds})


def _reading(arguments: argparse.Namespace) -> ReadSettings:
    return ReadSettings(unit=arguments.unit, support="keep" if arguments.keep_support else "cut away")


def _marks(arguments: argparse.Namespace, inputs: list[str]) -> tuple[FileMarks, ...]:
    """What ``--marks`` tells of the scans in these folders."""
    if not arguments.marks:
        return ()
    from rejoin.core.files.marks import read_marks

    return read_marks(arguments.marks, inputs)


def _with_roles(project: Project, arguments: argparse.Namespace, progress: Progress) -> Project:
    """The project with the scans that are no pieces, each in its role."""
    if arguments.opposite_hand and not arguments.reference:
        raise WrongUse("Which scan is of the opposite hand was not said.", "Name it: --reference SCAN.")
    for role, file in (("reference", arguments.reference), ("mating", arguments.mating)):
        if file:
            project = steps.read([file], _reading(arguments), progress.step("read"), project)
            hand = role == "reference" and arguments.opposite_hand
            project = edits.set_role(project, len(project.scans) - 1, role, hand)
    return project


def _hand_over(
    arguments: argparse.Namespace,
    project: Project,
    left_out: dict[int, tuple[Scan, str]],
    failure: RejoinError | None,
    seconds: dict[str, float],
) -> int:
    """Write whole, project and FIT, tell the outcome, and give the exit code."""
    written = None
    with Progress() as progress:
        try:
            mesh = telling.whole_in_common_frame(project)
            if mesh is not None and arguments.out:
                progress.step("write")
                write_mesh(mesh, arguments.out, project.scans[0].unit)
                telling.write_whole_report(project, arguments.out)
                written = arguments.out
            if arguments.save:
                save_project(project, arguments.save)
        except RejoinError as error:
            failure = failure or error
    why = telling.NOT_JOINED if failure is None else str(failure)
    seconds = {**seconds, **progress.seconds}
    content = telling.fit_content(project, _typed(arguments), __version__, left_out, written, why, seconds)
    if arguments.json:
        telling.write_json(arguments.json, content)
    print("\n".join(summary(content)))
    if failure is not None:
        say_error(failure)
        return failure.exit_code
    if arguments.out and not written:
        say(f"No two fragments were joined, so {arguments.out} was not written.")
    return 0 if telling.complete(content) else 1


def _typed(arguments: argparse.Namespace) -> list[str]:
    return [*arguments.fragments, *(other for other in (arguments.reference, arguments.mating) if other)]


def summary(content: dict[str, Any]) -> list[str]:
    """A FIT in a few lines for a reader."""
    placed = sum(fragment["placement"] is not None for fragment in content["fragments"])
    lines = [f"{placed} of {len(content['fragments'])} fragments placed" if placed > 1 else "no fragments joined"]
    for fragment in content["fragments"]:
        if fragment["placement"] is None:
            lines.append(f"  {fragment['name']}: not placed. {fragment['why']}")
        elif fragment["u95_mm"]:
            lines.append(f"  {fragment['name']}: placed, good to {fragment['u95_mm']:.2g} mm (95 %)")
        lines += [f"  {fragment['name']}: {note}" for note in fragment["notes"]]
    for joint in content["joints"]:
        gap, high, step = (_number(joint[name]) for name in ("gap_median_mm", "gap_p95_mm", "step_mm"))
        doubt = "" if joint["step_u95_mm"] is None else f" +- {_number(joint['step_u95_mm'])}"
        a, b = (content["fragments"][joint[end]]["name"] for end in ("a", "b"))
        lines.append(f"  {a} + {b}: {joint['verdict']}, gap {gap} mm (95 % below {high} mm), "
                     f"step {step}{doubt} mm. {joint['reason']}".rstrip())  # fmt: skip
    whole = content["whole"]
    if whole is not None:
        state = "closed" if whole["closed"] else "NOT closed"
        lines.append(f"  whole: {whole['file'] or 'not written'}, {state}, {_volume(whole['volume_mm3'])}, "
                     f"through-holes: {whole['genus']}, {_volume(whole['filled_mm3'])} filled")  # fmt: skip
        if whole["crossing_pairs"]:
            lines.append(f"  whole: {whole['crossing_pairs']} pairs of triangles at the crack run through each other.")
        lines += [f"  whole: {note}" for note in whole["notes"]]
    return lines


def scans_command(arguments: argparse.Namespace) -> int:
    """Look at scans one by one; one that cannot be read does not hold up the others."""
    if arguments.json:
        check_target(arguments.json, "JSON file", arguments.files, ())
    rows, code, unstated, marks = [], 0, [], _marks(arguments, arguments.files)
    for file in arguments.files:
        try:
            with Progress() as progress, told_apart(file, arguments.files):
                project = steps.read([file], _reading(arguments), progress.step("read"), marks=marks)
                project = steps.clean(project, CleanSettings(coat_mm=arguments.coat), progress.step("clean"))
                if arguments.judge:
                    project = steps.judge(project, progress.step("find_faces"))
        except RejoinError as error:
            say_error(error)
            rows.append({"file": file, "error": str(error)})
            code = max(code, error.exit_code)
            continue
        unstated += list(project.scans)
        rows.append(telling.scan_content(project.fragments[0], file))
        print("\n".join(_scan_lines(rows[-1])))
    _say_unit(unstated)
    if arguments.json:
        telling.write_json(arguments.json, {"scans": rows})
    return code


def _scan_lines(row: dict[str, Any]) -> list[str]:
    unit, size = row["unit"], " x ".join(f"{value:.4g}" for value in row["size"])
    lines = [
        f"{row['file']}: {size} {unit}",
        f"  {row['points']:,} points, {row['triangles']:,} triangles, spacing {row['spacing']:.3g} {unit}, "
        f"noise {_number(row['noise'])} {unit}",
        f"  {'closed' if row['closed'] else 'open'}, {_counted(row['holes'], 'hole')}, "
        f"{_counted(row['specks'], 'loose speck')}{' left out' if row['specks'] else ''}",
    ]
    lines += [f"  {repair['sentence']}" for repair in row["repairs"]]
    if row["faults"] is not None:
        lines += [f"  {fault_words(fault)}" for fault in row["faults"]] or ["  Good enough: nothing was found wanting."]
        lines.append("  Whether the scale is right no scan can tell: check it with a caliper (rejoin check).")
    return lines


def _counted(number: int, what: str) -> str:
    return f"{number or 'no'} {what}{'' if number == 1 else 's'}"


def fault_words(fault: dict[str, Any]) -> str:
    """A fault of a scan with its place."""
    if fault["place_mm"] is None:
        return str(fault["sentence"])
    return f"{fault['sentence']} At {', '.join(f'{value:.1f}' for value in fault['place_mm'])} mm."


def _check_join(arguments: argparse.Namespace) -> None:
    """Find out before the long work whether the call makes sense and the results can be written."""
    if len(arguments.fragments) < 2:
        raise WrongUse("Only one fragment was given.", "Name the scans of at least two; a folder is one fragment.")
    targets: list[str] = []
    for target, kind, suffixes in (
        (arguments.out, "whole", WRITABLE),
        (arguments.json, "JSON file", ()),
        (arguments.save, "project", (SUFFIX,)),
    ):
        if target:
            check_target(target, kind, [*arguments.fragments, *targets], suffixes)
            targets.append(target)


def check_target(target: str, kind: str, others: Sequence[str], suffixes: Sequence[str]) -> None:
    """Find out before the work whether a result can be written there, without overwriting what is read."""
    path, folder = Path(target), Path(target).parent
    if suffixes and path.suffix.lower() not in suffixes:
        raise WrongUse(f"The {kind} cannot be written as {path.name}.", f"Let the name end in {' or '.join(suffixes)}.")
    if any(path.resolve() == Path(other).resolve() for other in others):
        raise WrongUse(
            f"Writing the {kind} to {target} would overwrite another file of this call.", "Give it its own name."
        )
    if path.is_dir():
        raise FileTrouble(f"{target} is a folder.", f"Give the {kind} a file name.")
    if not folder.is_dir():
        raise FileTrouble(f"There is no folder {folder}.", "Make it first, or choose another.")
    try:
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise FileTrouble(
            f"Nothing can be written in the folder {folder} ({error.strerror}).", "Choose another folder."
        ) from error


def _say_unit(scans: Sequence[Scan]) -> None:
    unstated = [scan for scan in scans if not scan.unit_stated]
    if unstated:
        sizes = [scan.mesh.vertices.max(axis=0) - scan.mesh.vertices.min(axis=0) for scan in unstated]
        largest = max(sizes, key=lambda size: float((size**2).sum()))
        text = " x ".join(f"{value:.3g}" if value < 100 else f"{value:.0f}" for value in largest)
        say(f"no unit in these files, taken as mm: {text} mm; use --unit if that is wrong")


def _without_repeats(project: Project, typed: Sequence[str]) -> tuple[Project, dict[int, tuple[Scan, str]]]:
    """The project without scans that repeat an earlier one, and those, with the reason."""
    repeats = telling.same_scans(project.scans)
    if not repeats:
        return project, {}
    left_out = {}
    for number, earlier in repeats.items():
        what = "was given twice" if typed[number] == typed[earlier] else f"is the same scan as {typed[earlier]}"
        left_out[number] = (project.scans[number], f"This scan {what}.")
        say(f"{typed[number]} {what}. It is left out; give each fragment once.")
    kept = tuple(scan for n, scan in enumerate(project.scans) if n not in repeats)
    return changed(project, scans=kept), left_out


def _worth_going_on(name: str, project: Project, arguments: argparse.Namespace) -> bool:
    if len(project.scans) < 2:
        return False
    if name == "fuse":
        together = sum(p.part_from_scan is not None for p in project.placements)
        return together > 1 and bool(arguments.out or arguments.save)
    return True


def _known(
    file: str | None, project: Project, typed: Sequence[str], left_out: dict[int, tuple[Scan, str]]
) -> dict[str, Any]:
    """What the step align is told besides its settings."""
    if file is None:
        return {}
    from rejoin.core.known import read_known

    names = [name for number, name in enumerate(typed) if number not in left_out]
    return {"known": read_known(file, project.scans, names)}


def _volume(mm3: float) -> str:
    return f"{mm3:.0f} mm3" if mm3 >= 100 else f"{mm3:.3g} mm3"


def _number(value: float | None) -> str:
    return "?" if value is None else f"{value:.3f}"
