"""The printed job card: what was scanned, how it was joined, what came out, as one page of HTML.

All figures come from the content of FIT and of the list of scans, so that the
card and the JSON can never differ.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any

from rejoin.core.cautions import CAUTIONS
from rejoin.core.dimensions.sizes import DEGREES
from rejoin.core.records import Placement, Project
from rejoin.core.report import fit_content, scan_content, told_joints
from rejoin.core.settings import UNITS

MM_PER_INCH = UNITS["inch"]

NOT_PROVEN = (
    "Until a caliper reading on the real part agrees with the scan, the scanner's own scale is not proven: 0.2 % is "
    "0.4 mm on 200 mm, and no figure above can show it."
)


@dataclass(frozen=True)
class Shown:
    """How the card shows lengths: "mm" or "inch"."""

    unit: str = "mm"

    def length(self, mm: float | None, places: int = 3) -> str:
        """A length that is known in mm; a dash where it is not."""
        if mm is None:
            return "–"
        return f"{mm / MM_PER_INCH:.{places + 1}f} in" if self.unit == "inch" else f"{mm:.{places}f} mm"

    def area(self, mm2: float | None) -> str:
        if mm2 is None:
            return "–"
        return f"{mm2 / MM_PER_INCH**2:.3f} in²" if self.unit == "inch" else f"{mm2:.0f} mm²"

    def volume(self, mm3: float | None) -> str:
        if mm3 is None:
            return "–"
        return f"{mm3 / MM_PER_INCH**3:.4f} in³" if self.unit == "inch" else f"{mm3:.1f} mm³"


def card_content(project: Project, version: str) -> dict[str, Any]:
    """All that the card tells, ready for JSON: FIT, the list of scans, checksums, settings."""
    typed = [scan.files[0] if scan.files else scan.name for scan in project.scans]
    return {
        "fit": fit_content(project, typed, version),
        "scans": [scan_content(f, name) for f, name in zip(project.fragments, typed, strict=False)],
        "checksums": [list(scan.sha256) for scan in project.scans],
        "weakest": [placement.weakest for placement in project.placements],
        "steps": [{"step": r.step, "settings": [[k, str(v)] for k, v in r.settings]} for r in project.history],
    }


def card_html(project: Project, title: str, date: str, version: str, shown: Shown, pictures: Mapping[int, str]) -> str:
    """The card as one HTML page.

    Parameters
    ----------
    project : Project
    title, date, version : str
    shown : Shown
    pictures : mapping of int to str
        For each joint told, HTML of its pictures.
    """
    content = card_content(project, version)
    parts = [
        f"<h1>Job card: {escape(title)}</h1>",
        f"<p>{escape(date)} · rejoin {escape(version)} · lengths in {shown.unit}</p>",
        "<h2>10 Scans</h2>", _scans(content, shown),
        "<h2>30 Join</h2>", _placements(project.placements, content, shown),
        "<h2>40 Gap</h2>", *_joints(project, content, shown, pictures),
        "<h2>50 Whole</h2>", _whole(project, content, shown),
        *_dimensions(project, shown),
        *_made(project),
        f"<p>{NOT_PROVEN}</p>",
        "<h2>Cautions</h2>", "<ul>" + "".join(f"<li>{escape(text)}</li>" for text in CAUTIONS) + "</ul>",
        "<h2>How it was made</h2>", _steps(content),
    ]  # fmt: skip
    head = f"<head><meta charset='utf-8'><title>Job card: {escape(title)}</title>{STYLE}</head>"
    return "\n".join([f"<html>{head}<body>", *parts, "</body></html>"]) + "\n"


STYLE = """<style>
body { font-family: sans-serif; font-size: 9pt; color: #111; }
h1 { font-size: 15pt; } h2 { font-size: 11pt; margin-top: 10px; } p, li { font-size: 9pt; }
table { border-collapse: collapse; }
th, td { border: 1px solid #777; padding: 2px 5px; font-size: 7pt; text-align: left; }
th { background-color: #e8e4da; }
</style>"""


def table(head: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[int] = ()) -> str:
    """An HTML table, its columns so many per cent wide; the texts are escaped here."""
    sizes = [f" width='{width}%'" for width in widths] or [""] * len(head)
    cells = (f"<th{size}>{escape(text)}</th>" for text, size in zip(head, sizes, strict=True))
    lines = ["<tr>" + "".join(cells) + "</tr>"]
    lines += ["<tr>" + "".join(f"<td>{escape(text)}</td>" for text in row) + "</tr>" for row in rows]
    return "<table border='1' cellspacing='0' cellpadding='3' width='100%'>" + "".join(lines) + "</table>"


def _scans(content: Mapping[str, Any], shown: Shown) -> str:
    rows = []
    for number, scan in enumerate(content["scans"]):
        one = UNITS[scan["unit"]]
        size = " x ".join(shown.length(v * one, 1).split()[0] for v in scan["size"])
        repairs = "; ".join(item["sentence"] for item in scan["repairs"]) or "none"
        fragment, sums = content["fit"]["fragments"][number], content["checksums"][number]
        rows.append((
            fragment["name"], f"{Path(scan['file']).name}, {', '.join(s[:12] for s in sums)}",
            f"{scan['points']} points, {scan['triangles']} triangles", size,
            f"{shown.length(scan['spacing'] * one)}, noise {shown.length(scan['noise'] * one)}", repairs,
        ))  # fmt: skip
    head = ("Fragment", "File, start of its SHA-256", "Held", f"Size, {shown.unit}", "Spacing", "Repairs")
    return table(head, rows, (15, 22, 14, 13, 13, 23))


def _placements(placements: Sequence[Placement], content: Mapping[str, Any], shown: Shown) -> str:
    rows = []
    first = True
    for number, fragment in enumerate(content["fit"]["fragments"]):
        if fragment["placement"] is None:
            words = fragment["why"] or "not placed"
        elif first:
            words, first = "held; the others are placed relative to it", False
        else:
            bound = fragment["u95_mm"]
            good = "uncertainty not known" if bound is None else f"good to {shown.length(bound)} (95 %)"
            weakest = content["weakest"][number] if number < len(placements) else None
            words = "; ".join([good, *([weakest] if weakest else []), *fragment["notes"]])
        rows.append((fragment["name"], words))
    return table(("Fragment", "Placement"), rows, (20, 80))


def _joints(project: Project, content: Mapping[str, Any], shown: Shown, pictures: Mapping[int, str]) -> list[str]:
    joints = content["fit"]["joints"]
    if not joints:
        return ["<p>No two fragments were joined.</p>"]
    names = [fragment["name"] for fragment in content["fit"]["fragments"]]
    rows = [
        (
            f"{names[j['a']]} + {names[j['b']]}", j["verdict"], shown.area(j["area_mm2"]),
            f"{shown.length(j['gap_median_mm'])}, 95 % below {shown.length(j['gap_p95_mm'])}",
            shown.length(j["overlap_max_mm"]), shown.length(j["step_mm"]),
            "–" if j["touching_share"] is None else f"{100 * j['touching_share']:.0f} %", j["reason"],
        )
        for j in joints
    ]  # fmt: skip
    head = ("Joint", "Verdict", "Area", "Gap, median", "Overlap, at most", "Step", "Touching", "Why")
    figures = [pictures[number] for number in told_joints(project) if number in pictures]
    return [table(head, rows, (15, 11, 9, 13, 11, 9, 12, 20)), *figures]


def _whole(project: Project, content: Mapping[str, Any], shown: Shown) -> str:
    whole = content["fit"]["whole"]
    if whole is None or project.whole is None:
        return "<p>The whole has not been fused.</p>"
    rows = [
        ("Closed", "yes" if whole["closed"] else "no"),
        ("Shells", str(whole["shells"])),
        ("Through-holes", str(whole["genus"])),
        ("Volume", shown.volume(whole["volume_mm3"])),
        ("Filled, not measured", shown.volume(whole["filled_mm3"])),
        *(
            (f"Filled: {fill.kind}", f"{shown.length(fill.across_mm, 1)} across, {shown.volume(fill.volume_mm3)}")
            for fill in project.whole.fills
        ),
        *(("Note", note) for note in project.whole.notes),
    ]
    return table(("Whole", ""), rows, (30, 70))


def _dimensions(project: Project, shown: Shown) -> list[str]:
    if not project.checks:
        return []
    rows = [
        (
            check.name, check.kind, _value(check.kind, check.value, shown), _value(check.kind, check.u95, shown),
            _value(check.kind, check.reading, shown), check.agreement, check.verdict, check.sentence,
        )
        for check in project.checks
    ]  # fmt: skip
    head = ("Dimension", "Kind", "Measured", "± (95 %)", "Reading", "Agreement", "Limits", "In words")
    scales = "".join(f"<p>{escape(scale.sentence)}</p>" for scale in project.scales)
    return ["<h2>60 Dimensions</h2>", table(head, rows, (12, 11, 12, 10, 11, 14, 10, 20)), scales]


def _value(kind: str, value: float | None, shown: Shown) -> str:
    if value is None:
        return "–"
    return f"{value:.2f}°" if kind in DEGREES else f"{value:.0f} g" if kind == "weight" else shown.length(value)


def _made(project: Project) -> list[str]:
    parts = ["<h2>70 Make</h2>"] if project.made else []
    for part in project.made:
        rows = [(step.name, "yes" if step.done else "no", step.sentence) for step in part.steps]
        parts += [f"<p><b>{escape(part.title)}</b></p>", table(("Step", "Done", "What was done"), rows, (24, 8, 68))]
        parts += ["<ul>" + "".join(f"<li>{escape(text)}</li>" for text in (*part.notes, *part.cautions)) + "</ul>"]
    return parts


def _steps(content: Mapping[str, Any]) -> str:
    rows = [(s["step"], ", ".join(f"{k} {v}" for k, v in s["settings"]) or "–") for s in content["steps"]]
    return table(("Step", "Settings"), rows, (20, 80))
