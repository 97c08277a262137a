"""Is a wrong joint ever called good? Random breaks of every kind, strangers among them, scanned coarsely.

    python -m tests.benchmarks.wrong_joins --parts 300 --seed 1 [--json FILE]

Each part goes through clean, find_faces, match and align as one puzzle. A
placement is wrong where the fragment's worst point is off by more than 2 % of
its size and a spacing; every placement of a stranger is wrong.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from rejoin.core import steps
from rejoin.core.errors import RejoinError
from rejoin.core.records import Joint, Project, Scan
from rejoin.core.transforms import displacement, inverse
from tests.benchmarks.families import FAMILIES, NOISE_MM
from tests.makers import Case, make_case

SPACING_MM = 0.5
STRANGERS = 0.35
"""Share of the parts that come with a stranger."""

COLUMNS = (
    "good", "good, WRONG", "doubtful", "doubtful, WRONG", "placed", "placed, WRONG", "left out", "stranger refused"
)  # fmt: skip


def random_cases(parts: int, seed: int, only: list[str], spacing_mm: float = SPACING_MM) -> Iterator[tuple[str, Case]]:
    """Broken parts of random kind, shape and seed."""
    rng = np.random.default_rng([seed, 77])
    names = only or list(FAMILIES)
    while parts:
        name = str(rng.choice(names))
        options = {"spacing_mm": spacing_mm, "noise_mm": NOISE_MM, **FAMILIES[name].options}
        if rng.random() < STRANGERS:
            options["strangers"] = 1
        try:
            yield name, make_case(str(rng.choice(FAMILIES[name].shapes)), int(rng.integers(1000, 2**31)), **options)
        except RuntimeError:  # some proportions cannot be broken as asked
            continue
        parts -= 1


def placed(case: Case) -> Project:
    scans = tuple(Scan(f"f{n}", (f"f{n}",), m, "mm", True, False, (str(n),)) for n, m in enumerate(case.fragments))
    return steps.align(steps.match(steps.find_faces(steps.clean(Project(scans=scans)))))


def wrong(case: Case, a: int, b: int, a_from_b: np.ndarray) -> bool:
    """Whether two fragments do not belong together like this."""
    true = inverse(case.part_from_scan[a]) @ case.part_from_scan[b]
    points = case.fragments[b].vertices[::50]
    size = float(np.linalg.norm(np.ptp(points, axis=0)))
    return not (displacement(true, a_from_b, points).max() < 0.02 * size + case.spacing_mm)


def counted(case: Case, project: Project) -> tuple[Counter[str], list[str]]:
    """Verdicts on one part, and a line for each wrong one."""
    tally: Counter[str] = Counter()
    lines = []
    for joint in project.joints:
        verdict = "good" if joint.evidence.good else "doubtful"
        off = wrong(case, joint.a, joint.b, joint.a_from_b)
        tally[verdict + (", WRONG" if off else "")] += 1
        if off:
            lines.append(f"  WRONG, {verdict}: {case.note}, {told(joint)}")
    first = next((n for n, p in enumerate(project.placements) if p.part_from_scan is not None), 0)
    for number, placement in enumerate(project.placements):
        if placement.part_from_scan is None:
            tally["stranger refused" if number in case.strangers else "left out"] += 1
        elif number != first:
            a_from_b = inverse(project.placements[first].part_from_scan) @ placement.part_from_scan
            tally["placed" + (", WRONG" if wrong(case, first, number, a_from_b) else "")] += 1
    return tally, lines


def told(joint: Joint) -> str:
    e = joint.evidence
    figures = f"score {e.score:.0f}, runner-up {e.runner_up:.0f}, held {e.held:.2f}"
    return f"fragments {joint.a} and {joint.b}: {figures}; {e.reason}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--parts", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--spacing", type=float, default=SPACING_MM, help="mm between the points of a scan")
    parser.add_argument("--only", nargs="*", default=[], choices=list(FAMILIES))
    parser.add_argument("--json", type=Path)
    arguments = parser.parse_args()
    table: dict[str, Counter[str]] = {}
    cases = random_cases(arguments.parts, arguments.seed, arguments.only, arguments.spacing)
    for number, (name, case) in enumerate(cases):
        started = time.process_time()
        try:
            tally, lines = counted(case, placed(case))
        except RejoinError as error:
            tally, lines = Counter({"no answer": 1}), [f"  no answer: {case.note}: {error}"]
        tally["parts"] += 1
        table.setdefault(name, Counter()).update(tally)
        spent = time.process_time() - started
        print(f"{number + 1:4d} {name:12s} {dict(tally)} {spent:.0f} s", *lines, sep="\n", flush=True)
    table["all"] = sum(table.values(), Counter())
    print("", "| kind | parts | " + " | ".join(COLUMNS) + " |", "|---" * (len(COLUMNS) + 2) + "|", sep="\n")
    for name, tally in table.items():
        print(f"| {name} | {tally['parts']} | " + " | ".join(str(tally[c]) for c in COLUMNS) + " |")
    if arguments.json:
        arguments.json.write_text(json.dumps(table, indent=1))


if __name__ == "__main__":
    main()
