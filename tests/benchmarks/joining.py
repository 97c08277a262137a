"""Joins unseen broken parts by the command line, beside the usual library recipe, and compares with the truth.

    python -m tests.benchmarks.joining --parts 12 --seed 1
    python -m tests.benchmarks.joining --only flat worn --parts 4 --no-stock --json results.json

Each part is made from the seed (family by turns; shape, cut and scans by the
seed), written to files, joined in a process of its own, and judged:

placed    belonging fragments that stand within two spacings of the truth
error     displacement of the worst vertex of the worst fragment, relative to the reference fragment, mm
x limit   that error over the 1-sigma error of an ideal least squares (see `limit`)
in u95    the tool's own 95 % bound held for so many of the placed fragments
false     joints called good that are wrong (further off than two spacings, or with a stranger)
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from rejoin.core.records import FloatArray
from rejoin.core.settings import UNITS
from rejoin.core.transforms import displacement, inverse
from tests.benchmarks.families import FAMILIES, NOISE_MM, SPACING_MM, unseen_case
from tests.benchmarks.limit import noise_limit_mm
from tests.makers import Case, worst_error_mm, write_case

ROOT = Path(__file__).resolve().parents[2]
WRONG_SPACINGS = 2.0


@dataclass
class Result:
    """What one broken part came to; None where there is nothing to tell."""

    family: str
    part: str
    vertices: int
    spacing_mm: float
    exit_code: int | None = None
    belonging: int = 0
    placed: int = 0
    error_mm: float | None = None
    over_limit: float | None = None
    bounds_kept: int = 0
    bounds_told: int = 0
    false_good: int = 0
    strangers_placed: int = 0
    closed: bool | None = None
    volume_percent: float | None = None
    genus_off: int | None = None
    seconds: float = 0.0
    steps: dict[str, float] = field(default_factory=dict)
    memory_mb: float | None = None
    said: str = ""
    stock_error_mm: float | None = None
    stock_seconds: float | None = None
    stock_memory_mb: float | None = None

    @property
    def right(self) -> bool:
        """Everything that belongs stands within two spacings, nothing else was placed, no false joint.

        Where the middle is lost the right answer is that nothing was placed, not even doubtfully.
        """
        joins = FAMILIES[self.family].joins
        clean = self.false_good == self.strangers_placed == 0
        return clean and (self.placed == self.belonging if joins else self.error_mm is None)


@dataclass(frozen=True)
class Run:
    """How a command ended: ``code`` None where it ran out of time; peak memory None where the system does not tell."""

    code: int | None
    said: str
    seconds: float
    memory_mb: float | None


def run(command: Sequence[str], timeout: float) -> Run:
    """Run a command in a process of its own, watching its memory."""
    started = time.perf_counter()
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    memory = None
    with tempfile.TemporaryFile() as said:
        process = subprocess.Popen(command, stdout=said, stderr=said, cwd=ROOT, env=environment)
        while process.poll() is None:
            memory = _peak_mb(process.pid) or memory
            if time.perf_counter() - started > timeout:
                process.kill()
                process.wait()
                return Run(None, "out of time", timeout, memory)
            time.sleep(0.02)
        said.seek(0)
        return Run(process.returncode, said.read().decode(errors="replace"), time.perf_counter() - started, memory)


def _peak_mb(process: int) -> float | None:
    """Peak resident memory so far. (What waiting for a process tells starts at its parent's size.)"""
    try:
        lines = Path(f"/proc/{process}/status").read_text(encoding="ascii").splitlines()
    except (OSError, ValueError):
        return None
    return next((float(line.split()[1]) / 1e3 for line in lines if line.startswith("VmHWM")), None)


def judge(case: Case, result: Result, fit: dict[str, Any]) -> None:
    """Compare a FIT with the truth."""
    unit = UNITS[fit["unit"]]
    stands: dict[int, FloatArray] = {}
    for index, fragment in enumerate(fit["fragments"]):
        if fragment["placement"] is not None:
            stands[index] = np.array(fragment["placement"])
            stands[index][:3, 3] *= unit
    result.strangers_placed = sum(i in stands for i in case.strangers) if len(stands) > 1 else 0
    belonging = [i for i in stands if i not in case.strangers]
    result.placed = len(belonging) if len(stands) > 1 else 0
    if len(belonging) > 1:
        reference = belonging[0]
        limits = noise_limit_mm(case, reference)
        errors = {i: worst_error_mm(case, i, stands[i], reference, stands[reference]) for i in belonging[1:]}
        result.error_mm = max(errors.values())
        ratios = [error / limits[i] for i, error in errors.items() if limits.get(i)]
        result.over_limit = max(ratios, default=None)
        told = {i: fit["fragments"][i]["u95_mm"] for i in errors}
        result.bounds_told = sum(bound is not None for bound in told.values())
        result.bounds_kept = sum(bound is not None and errors[i] <= bound for i, bound in told.items())
        result.placed = 1 + sum(error < WRONG_SPACINGS * case.spacing_mm for error in errors.values())
    for joint in fit["joints"]:
        a, b = joint["a"], joint["b"]
        if joint["verdict"] == "good" and a in stands and b in stands:
            result.false_good += _is_wrong(case, a, b, inverse(stands[a]) @ stands[b])
    whole = fit["whole"]
    if whole is not None and len(stands) > 1:
        result.closed = whole["closed"]
        result.volume_percent = 100 * (whole["volume_mm3"] / case.intact_volume_mm3 - 1)
        result.genus_off = whole["genus"] - case.intact_genus


def _is_wrong(case: Case, a: int, b: int, a_from_b: FloatArray) -> bool:
    if a in case.strangers or b in case.strangers:
        return True
    true = inverse(case.part_from_scan[a]) @ case.part_from_scan[b]
    off = displacement(true, a_from_b, case.fragments[b].vertices).max()
    return bool(off > WRONG_SPACINGS * case.spacing_mm)


def one_part(family: str, case: Case, stock: bool, timeout: float, folder: Path) -> Result:
    """Join and judge one part."""
    kind = FAMILIES[family]
    files = [str(path) for path in write_case(case, folder, unit=kind.unit, fmt=kind.fmt)]
    result = Result(family, case.name, sum(len(scan.vertices) for scan in case.fragments), case.spacing_mm)
    result.belonging = len(case.fragments) - len(case.strangers)
    fit, whole = folder / "fit.json", folder / "whole.ply"
    command = [sys.executable, "-m", "rejoin", "join", *files, "--unit", kind.unit]
    command += ["--json", str(fit), "--out", str(whole)]
    ran = run(command, timeout)
    result.exit_code, result.seconds, result.memory_mb = ran.code, ran.seconds, ran.memory_mb
    result.said = ran.said.strip().rpartition("\n")[2]
    if fit.exists():
        content = json.loads(fit.read_text(encoding="utf-8"))
        result.steps = content["seconds"]
        judge(case, result, content)
    if stock:
        _stock(case, result, files, kind.unit, folder / "stock.json", timeout)
    return result


def _stock(case: Case, result: Result, files: list[str], unit: str, out: Path, timeout: float) -> None:
    spacing = case.spacing_mm / UNITS[unit]
    command = [sys.executable, "-m", "tests.benchmarks.stock", str(out), str(spacing), *files]
    ran = run(command, timeout)
    result.stock_seconds, result.stock_memory_mb = ran.seconds, ran.memory_mb
    if not out.exists():
        return
    stands = [np.array(m) for m in json.loads(out.read_text(encoding="utf-8"))["placements"]]
    for matrix in stands:
        matrix[:3, 3] *= UNITS[unit]
    own = [i for i in range(1, len(stands)) if i not in case.strangers]
    result.stock_error_mm = max(worst_error_mm(case, i, stands[i], 0, stands[0]) for i in own)


HEADS = (
    f"{'family':12}{'part':27}{'k pts':>6}{'placed':>7}{'error':>8}{'x limit':>8}{'in u95':>7}{'false':>6}"
    f"{'closed':>7}{'vol %':>7}{'genus':>6}{'sec':>6}{'MB':>6}{'stock':>8}{'sec':>6}"
)


def _shown(value: float | None, form: str) -> str:
    return "-" if value is None else format(value, form)


def row(r: Result) -> str:
    """One line of the table."""
    closed = {None: "-", True: "yes", False: "NO"}[r.closed]
    remark = "" if r.right else f"  <-- {r.said[:70]}"
    return (
        f"{r.family:12}{r.part[:26]:27}{r.vertices / 1e3:6.0f}{f'{r.placed}/{r.belonging}':>7}"
        f"{_shown(r.error_mm, '.3f'):>8}{_shown(r.over_limit, '.1f'):>8}{f'{r.bounds_kept}/{r.bounds_told}':>7}"
        f"{r.false_good + r.strangers_placed:6d}{closed:>7}{_shown(r.volume_percent, '+.2f'):>7}"
        f"{_shown(r.genus_off, '+d'):>6}{r.seconds:6.0f}{_shown(r.memory_mb, '.0f'):>6}"
        f"{_shown(r.stock_error_mm, '.2f'):>8}{_shown(r.stock_seconds, '.0f'):>6}{remark}"
    )


def summary(results: list[Result]) -> list[str]:
    """Medians and counts over all parts."""

    def median(name: str, form: str) -> str:
        values = [v for r in results if (v := getattr(r, name)) is not None]
        return format(statistics.median(values), form) if values else "-"

    joining = [r for r in results if FAMILIES[r.family].joins]
    wholes = [r for r in results if r.closed is not None]
    stock = [r for r in joining if r.stock_error_mm is not None]
    lines = [
        f"{sum(r.right for r in results)} of {len(results)} parts right, "
        f"{sum(r.placed for r in joining)} of {sum(r.belonging for r in joining)} fragments placed, "
        f"{sum(r.false_good for r in results)} wrong joints called good, "
        f"{sum(r.strangers_placed for r in results)} strangers placed",
        f"median error {median('error_mm', '.3f')} mm, {median('over_limit', '.2f')} times the noise limit; "
        f"95 % bound held for {sum(r.bounds_kept for r in results)} of {sum(r.bounds_told for r in results)}",
        f"wholes: {sum(bool(r.closed) for r in wholes)} of {len(wholes)} closed, "
        f"{sum(r.genus_off == 0 for r in wholes)} with the right number of through-holes, "
        f"median volume error {median('volume_percent', '+.3f')} %",
        f"median {median('seconds', '.1f')} s, {median('memory_mb', '.0f')} MB",
    ]
    if stock:
        fine = sum((r.stock_error_mm or 0) < WRONG_SPACINGS * r.spacing_mm for r in stock)
        lines.append(
            f"library recipe: {fine} of {len(stock)} parts within two spacings, median error "
            f"{median('stock_error_mm', '.2f')} mm, {median('stock_seconds', '.1f')} s"
        )
    names = sorted({name for r in results for name in r.steps})
    each = {n: statistics.median([r.steps[n] for r in results if r.steps.get(n) is not None]) for n in names}
    lines.append("median seconds by step: " + ", ".join(f"{name} {value:.1f}" for name, value in each.items()))
    return lines


def main(argv: Sequence[str] | None = None) -> int:
    """Run the benchmark; 0 where no wrong joint was called good."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.joining", description=__doc__.splitlines()[0])
    parser.add_argument("--parts", type=int, default=len(FAMILIES), help="how many broken parts")
    parser.add_argument("--seed", type=int, default=1, help="another seed, other parts")
    parser.add_argument("--only", nargs="+", choices=tuple(FAMILIES), metavar="FAMILY", help=", ".join(FAMILIES))
    parser.add_argument("--spacing", type=float, default=SPACING_MM, help="of the scans, mm, where a family has none")
    parser.add_argument("--noise", type=float, default=NOISE_MM, help="of the scans, mm, one sigma")
    parser.add_argument("--no-stock", action="store_true", help="leave the library recipe out")
    parser.add_argument("--timeout", type=float, default=600.0, help="seconds allowed for one part")
    parser.add_argument("--json", type=Path, help="write all results here")
    parser.add_argument("--keep", type=Path, help="keep scans and answers in this folder")
    wish = parser.parse_args(argv)
    families = wish.only or list(FAMILIES)
    results = []
    print(HEADS, flush=True)
    for number in range(wish.parts):
        family = families[number % len(families)]
        seed = 1000 * wish.seed + number // len(families)
        with tempfile.TemporaryDirectory() as scratch:
            folder = wish.keep / f"{family.replace(' ', '_')}_{seed}" if wish.keep else Path(scratch)
            case = unseen_case(family, seed, wish.spacing, wish.noise)
            results.append(one_part(family, case, not wish.no_stock, wish.timeout, folder))
        print(row(results[-1]), flush=True)
        if wish.json:
            wish.json.write_text(json.dumps([asdict(r) for r in results], indent=1) + "\n", encoding="utf-8")
    print("\n".join(["", *summary(results)]))
    return int(any(r.false_good or r.strangers_placed for r in results))


if __name__ == "__main__":
    sys.exit(main())
