"""The tables of the printed job card, and how it shows lengths."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any

from rejoin.core.dimensions.sizes import DEGREES
from rejoin.core.naming import lettered
from rejoin.core.settings import UNITS

MM_PER_INCH = UNITS["inch"]
NUMBER = re.compile(r"[-−+]?\d+(?:\.\d+)?")
IN_MM = re.compile(r"((?:[-−+]?\d+(?:\.\d+)?(?: x | to | \+- | ± |, ))*[-−+]?\d+(?:\.\d+)?) mm(?![²³\w/])")
"""A length in a sentence, or several with one unit behind them."""


@dataclass(frozen=True)
class Shown:
    """How the card shows lengths: "mm" or "inch"."""

    unit: str = "mm"

    def length(self, mm: float | None, places: int = 3) -> str:
        """A length that is known in mm; a dash where it is not."""
        if mm is None:
            return "–"
        value, name = (mm / MM_PER_INCH, "in") if self.unit == "inch" else (mm, "mm")
        places += self.unit == "inch"
        return f"{round(value, places) + 0.0:.{places}f} {name}"  # + 0.0: nothing has no sign

    def give_or_take(self, mm: float | None, u95_mm: float | None) -> str:
        """A length with its 95 % bound, where it has one."""
        return self.length(mm) if mm is None or u95_mm is None else f"{self.length(mm)} ± {self.length(u95_mm)}"

    def area(self, mm2: float | None) -> str:
        if mm2 is None:
            return "–"
        return f"{mm2 / MM_PER_INCH**2:.3f} in²" if self.unit == "inch" else f"{mm2:.0f} mm²"

    def volume(self, mm3: float | None) -> str:
        if mm3 is None:
            return "–"
        return f"{mm3 / MM_PER_INCH**3:.4f} in³" if self.unit == "inch" else f"{mm3:.1f} mm³"

    def words(self, text: str) -> str:
        """A sentence with its lengths in this unit."""
        if self.unit != "inch":
            return text

        return IN_MM.sub(lambda found: f"{NUMBER.sub(_inches, found[1])} in", text)


def _inches(found: re.Match[str]) -> str:
    """A number of millimetres in inches: as many digits, and one more."""
    text = found[0].replace("−", "-")
    sign = "+" if text.startswith("+") else ""
    return f"{sign}{float(text) / MM_PER_INCH:.{len(text.partition('.')[2]) + 1}f}"


def table(
    head: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[int] = (), below: Sequence[str] = ()
) -> str:
    """An HTML table, its columns so many per cent wide, a line of its own ``below`` a row; texts are escaped here."""
    sizes = [f" width='{width}%'" for width in widths] or [""] * len(head)
    cells = (f"<th{size}>{escape(text)}</th>" for text, size in zip(head, sizes, strict=True))
    lines = ["<thead><tr>" + "".join(cells) + "</tr></thead>"]
    for number, row in enumerate(rows):
        lines.append("<tr>" + "".join(f"<td>{escape(text)}</td>" for text in row) + "</tr>")
        if number < len(below) and below[number]:
            lines.append(f"<tr><td colspan='{len(head)}'><i>{escape(below[number])}</i></td></tr>")
    return "<table border='1' cellspacing='0' cellpadding='3' width='100%'>" + "".join(lines) + "</table>"


def scans(content: Mapping[str, Any], shown: Shown) -> str:
    """What was scanned, and what was repaired."""
    rows = []
    for number, scan in enumerate(content["scans"]):
        one = UNITS[scan["unit"]]
        size = " x ".join(shown.length(v * one, 1).split()[0] for v in scan["size"])
        repairs = "; ".join(shown.words(item["sentence"]) for item in scan["repairs"]) or "none"
        fragment, sums = content["fit"]["fragments"][number], content["checksums"][number]
        role = "" if scan["role"] == "fragment" else f" ({_role(fragment)})"
        told = "".join(f"; {shown.words(fault['sentence'])}" for fault in scan["faults"] or [])
        rows.append((
            lettered(number, fragment["name"]) + role, f"{Path(scan['file']).name}, {', '.join(s[:12] for s in sums)}",
            f"{scan['points']} points, {scan['triangles']} triangles", size,
            f"{shown.length(scan['spacing'] * one)}, noise {shown.length(scan['noise'] * one)}", repairs + told,
        ))  # fmt: skip
    head = ("Fragment", "File, start of its SHA-256", "Held", f"Size, {shown.unit}", "Spacing", "Repairs")
    return table(head, rows, (18, 19, 19, 16, 17, 11))


def _role(fragment: Mapping[str, Any]) -> str:
    """What a scan is of that is no piece."""
    words = {"reference": "reference", "mating": "mating part"}[fragment["role"]]
    return f"{words} of the opposite hand" if fragment["mirrored"] else words


def placements(content: Mapping[str, Any], shown: Shown) -> str:
    """Where each fragment stands, and how sure that is."""
    rows = []
    first = True
    for number, fragment in enumerate(content["fit"]["fragments"]):
        if fragment["placement"] is None:
            words = shown.words(fragment["why"] or "not placed")
        elif first:
            words, first = "held; the others are placed relative to it", False
        else:
            bound = fragment["u95_mm"]
            good = "uncertainty not known" if bound is None else f"good to {shown.length(bound)} (95 %)"
            weakest = content["weakest"][number] if number < len(content["weakest"]) else None
            told = [good, *([weakest] if weakest else []), *fragment["notes"]]
            told = [told[0], *map(shown.words, told[1:])]
            words = " ".join(f"{one[:1].upper()}{one[1:].rstrip('.')}." for one in told)
        rows.append((fragment["name"], words))
    return table(("Fragment", "Placement"), rows, (20, 80))


def joints(content: Mapping[str, Any], shown: Shown) -> str:
    """How well each joint fits."""
    names = [fragment["name"] for fragment in content["fit"]["fragments"]]
    told = content["fit"]["joints"]
    rows = [
        (
            f"{names[j['a']]} + {names[j['b']]}", j["verdict"], shown.area(j["area_mm2"]),
            f"{shown.length(j['gap_median_mm'])}, 95 % below {shown.length(j['gap_p95_mm'])}",
            shown.length(j["overlap_max_mm"]), shown.give_or_take(j["step_mm"], j["step_u95_mm"]),
            "–" if j["touching_share"] is None else f"{100 * j['touching_share']:.0f} %",
        )
        for j in told
    ]  # fmt: skip
    head = ("Joint", "Verdict", "Area", "Gap, median", "Overlap, at most", "Step", "Touching")
    return table(head, rows, (21, 10, 11, 20, 13, 13, 12), [shown.words(str(j["reason"])) for j in told])


def whole(content: Mapping[str, Any], shown: Shown) -> str:
    """The fused whole, with what no scan measured."""
    told = content["fit"]["whole"]
    size = " x ".join(shown.length(axis, 2).split()[0] for axis in told["size_mm"])
    near, far = shown.length(told["farthest_in_band_mm"]), shown.length(told["farthest_outside_mm"])
    made, brought = told["crossing_pairs"], told["scan_crossing_pairs"]
    reduced = told["reduced_mm"]
    rows = [
        ("Closed", "yes" if told["closed"] else "NO"),
        ("Separate bodies; through-holes", f"{told['shells']}; {told['genus']}"),
        ("Size along the axes", f"{size} {'in' if shown.unit == 'inch' else 'mm'}"),
        ("Volume; area", f"{shown.volume(told['volume_mm3'])}; {shown.area(told['area_mm2'])}"),
        ("Thinnest wall at the crack", shown.length(told["thinnest_mm"])),
        ("Farthest from the scans", f"{near} at the crack, {far} elsewhere"),
        ("Triangles that run through each other",
         f"{made} pairs made at the crack, {brought} brought by the scans near it"),
        ("Triangles", "as scanned" if reduced is None else f"reduced, within {shown.length(reduced)}"),
        ("Filled, not measured", shown.volume(told["filled_mm3"])),
        *((f"Filled: {fill['kind']}", _filled(fill, shown)) for fill in told["fills"]),
        *(("By number, not measured", shown.words(text)) for text in told["by_number"]),
        *(("Note", shown.words(note)) for note in told["notes"]),
    ]  # fmt: skip
    return table(("Whole", ""), rows, (30, 70))


def _filled(fill: Mapping[str, Any], shown: Shown) -> str:
    return f"{shown.length(fill['across_mm'], 1)} across, {shown.volume(fill['volume_mm3'])}"


def dimensions(content: Mapping[str, Any], shown: Shown) -> str:
    """Each dimension beside its reading, with what follows from both."""
    rows, below = [], []
    for item in content["dimensions"]:
        kind = item["kind"]
        # what was not found neither agrees nor disagrees with its reading
        agreement = item["agreement"] if item["value"] is not None or item["reading"] is None else "not measured"
        rows.append((
            item["name"], kind, value_of(kind, item["value"], shown), value_of(kind, item["u95"], shown),
            value_of(kind, item["reading"], shown), agreement, item["verdict"],
        ))  # fmt: skip
        below.append(_between(item, shown))
    head = ("Dimension", "Kind", "Measured", "± (95 %)", "Reading", "Agreement", "Limits")
    return table(head, rows, (25, 10, 14, 12, 14, 14, 11), below)


def _between(item: Mapping[str, Any], shown: Shown) -> str:
    """How far scan and reading lie apart, or why nothing was measured."""
    if item["value"] is None:
        return shown.words(str(item["sentence"]))
    if item["difference"] is None:
        return ""
    apart = value_of(item["kind"], item["difference"], shown)
    times = "" if item["normalised_error"] is None else f", {item['normalised_error']:.2f} of what both are good for"
    return f"Scan minus reading: {apart}{times}." + ("" if item["scale_proven"] else " Scale not proven.")


def value_of(kind: str, value: float | None, shown: Shown) -> str:
    """A dimension's value in its own unit: degrees, grams or a length."""
    if value is None:
        return "–"
    return f"{value:.2f}°" if kind in DEGREES else f"{value:.0f} g" if kind == "weight" else shown.length(value)


def scales(content: Mapping[str, Any]) -> str:
    """What the readings say of each scan's scale."""
    rows = [(item["of"], item["state"], item["sentence"]) for item in content["scales"]]
    return table(("Scale of", "State", "In words"), rows, (26, 16, 58))


def fit_ups(content: Mapping[str, Any], shown: Shown) -> str:
    """What a welder needs of each joint before its faces are ground."""
    rows, names = [], [fragment["name"] for fragment in content["fit"]["fragments"]]
    below, said = [], set[str]()
    for item in content["fit_ups"]:
        below.append(" ".join(shown.words(note) for note in item["notes"] if note not in said))
        said |= set(item["notes"])
        angle = "–" if item["angle_deg"] is None else f"{item['angle_deg']:.2f}°"
        angle += "" if item["angle_u95_deg"] is None else f" ± {item['angle_u95_deg']:.2f}°"
        gap = "–" if item["gap_low_mm"] is None else (
            f"{shown.length(item['gap_low_mm'])} to {shown.length(item['gap_high_mm'])}")  # fmt: skip
        wall = "–" if item["wall_mm"] is None else shown.length(item["wall_mm"][1], 1)
        rows.append((
            f"{names[item['a']]} + {names[item['b']]}", shown.give_or_take(item["step_mm"], item["step_u95_mm"]),
            angle, gap,
            shown.length(item["length_mm"], 1), shown.area(item["section_mm2"]), wall,
        ))  # fmt: skip
    head = ("Before welding", "Step", "Angle", "Gap along the crack", "Length of crack", "Section", "Wall, median")
    return table(head, rows, (20, 13, 9, 22, 13, 12, 11), below)


def made(part: Mapping[str, Any], shown: Shown) -> str:
    """The steps by which something was made."""
    rows = [(step["name"], "yes" if step["done"] else "no", shown.words(step["sentence"])) for step in part["steps"]]
    return table(("Step", "Done", "What was done"), rows, (24, 8, 68))


def steps(content: Mapping[str, Any], shown: Shown) -> str:
    """Each step with the settings that were not left open."""
    rows = []
    for step in content["steps"]:
        told = (_setting(name, value, shown) for name, value in step["settings"] if not _left_open(name, value))
        rows.append((step["step"].replace("_", " "), ", ".join(told) or "–"))
    return table(("Step", "Settings"), rows, (20, 80))


def _left_open(name: str, value: str) -> bool:
    return value == "None" or (name in ("coat_mm", "most_triangles", "groove_mm", "reduce_mm") and float(value) == 0.0)


def _setting(name: str, value: str, shown: Shown) -> str:
    """A setting in words: "largest hole 10 mm", "flip inside out: yes"."""
    plain = name.removesuffix("_mm").replace("_", " ")
    if name.endswith("_mm"):
        return f"{plain} {shown.length(float(value), 1)}"
    if name == "most_triangles":
        return f"{plain}: {value} million"
    return f"{plain}: {({'True': 'yes', 'False': 'no'}).get(value, value)}"
