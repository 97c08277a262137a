"""The printed job card: what was scanned, how it was joined, what came out, as one page of HTML.

All figures come from one content, that of FIT, of the list of scans and of the
later rows, so that the card and the JSON can never differ.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from rejoin.core import cardtables as tables
from rejoin.core.cardtables import Shown
from rejoin.core.cautions import CAUTIONS
from rejoin.core.records import MadePart, Project
from rejoin.core.report import fit_content, names_of, scan_content, tidy, told_joints

NOT_PROVEN = (
    "Until a caliper reading on the real part agrees with the scan, the scanner's own scale is not proven: 0.2 % is "
    "0.4 mm on 200 mm, and no figure above can show it."
)


def card_content(project: Project, version: str) -> dict[str, Any]:
    """All that the card tells, ready for JSON: FIT, scans, checksums, dimensions, what was made, settings."""
    typed = [scan.files[0] if scan.files else scan.name for scan in project.scans]
    names = names_of(project.scans)
    content: dict[str, Any] = tidy({
        "fit": fit_content(project, typed, version),
        "scans": [scan_content(f, name) for f, name in zip(project.fragments, typed, strict=False)],
        "checksums": [list(scan.sha256) for scan in project.scans],
        "weakest": [placement.weakest for placement in project.placements],
        "dimensions": [_fields(check, DIMENSION) for check in project.checks],
        "scales": [
            {"of": "the whole" if s.on < 0 else names[s.on], **_fields(s, SCALE)} for s in project.scales
        ],
        "fit_ups": [
            {"a": project.joints[one.joint].a, "b": project.joints[one.joint].b, **_fields(one, FIT_UP)}
            for one in project.fit_ups if one.joint < len(project.joints)
        ],
        "made": [_made_content(part) for part in project.made],
        "papers": [
            {"kind": one.kind, "text": one.text, "name": one.name, "sha256": one.sha256, "kept": one.data is not None}
            for one in project.attachments
        ],
        "cautions": list(CAUTIONS),
        "steps": [{"step": r.step, "settings": [[k, str(v)] for k, v in r.settings]} for r in project.history],
    })  # fmt: skip
    return content


DIMENSION = ("name", "kind", "value", "u95", "reading", "reading_u95", "difference", "normalised_error", "agreement",
             "verdict", "scale_proven", "sentence")  # fmt: skip
SCALE = ("factor", "u95", "readings", "state", "sentence")
FIT_UP = ("step_mm", "step_u95_mm", "angle_deg", "angle_u95_deg", "gap_low_mm", "gap_high_mm", "length_mm",
          "section_mm2", "wall_mm", "notes")  # fmt: skip


def _fields(record: object, names: Sequence[str]) -> dict[str, Any]:
    values = {name: getattr(record, name) for name in names}
    return {name: list(value) if isinstance(value, tuple) else value for name, value in values.items()}


def _made_content(part: MadePart) -> dict[str, Any]:
    return {
        "title": part.title,
        "revision": part.revision,
        "steps": [{"name": step.name, "done": step.done, "sentence": step.sentence} for step in part.steps],
        "notes": [*part.notes, *(text for text in part.cautions if text not in CAUTIONS)],
    }


def card_html(
    project: Project, title: str, date: str, version: str, shown: Shown, pictures: Mapping[str, str],
    on_screen: bool = False,
) -> str:  # fmt: skip
    """The card as one HTML page.

    Parameters
    ----------
    project : Project
    title, date, version : str
    shown : Shown
    pictures : mapping of str to str
        Address of each picture: ``gap-N`` and ``section-N`` of joint N, ``whole``, ``paper-N`` of attachment N.
    on_screen : bool, optional
        Whether it is also read on a screen, where the letters of paper are too small.
    """
    content = card_content(project, version)
    parts = [
        f"<h1>Job card: {escape(title)}</h1>",
        f"<p>{escape(date)} · rejoin {escape(version)} · lengths in {shown.unit}</p>",
        "<h2>10 Scans</h2>", tables.scans(content, shown),
        "<h2>30 Join</h2>", tables.placements(content, shown),
        "<h2>40 Gap</h2>", *_joints(project, content, shown, pictures),
        "<h2>50 Whole</h2>", *_whole(content, shown, pictures),
        *_dimensions(content, shown),
        *_made(content, shown),
        *_papers(content, project, pictures),
        "<h2>Cautions</h2>", _list(content["cautions"]),
        "<h2>How it was made</h2>", tables.steps(content, shown),
    ]  # fmt: skip
    style = STYLE + LARGER if on_screen else STYLE
    head = f"<head><meta charset='utf-8'><title>Job card: {escape(title)}</title>{style}</head>"
    return "\n".join([f"<html>{head}<body>", *parts, "</body></html>"]) + "\n"


def _papers(content: Mapping[str, Any], project: Project, pictures: Mapping[str, str]) -> list[str]:
    """Notes, marks, photographs and how it was scanned."""
    if not content["papers"]:
        return []
    rows = []
    for one in content["papers"]:
        where = "in the project" if one["kept"] else "beside it" if one["name"] else "–"
        rows.append((one["kind"], one["text"] or "–", one["name"] or "–", one["sha256"][:12] or "–", where))
    shown = [
        f"<p><img width='{PHOTOGRAPH}' src='{pictures[name]}'><br>{escape(one.text or one.name)}</p>"
        for number, one in enumerate(project.attachments) if (name := f"paper-{number}") in pictures
    ]  # fmt: skip
    head = ("About", "Words", "File", "Start of its SHA-256", "Kept")
    return ["<h2>Papers of the job</h2>", tables.table(head, rows, (14, 40, 20, 14, 12)), *shown]


STYLE = """<style>
body { font-family: sans-serif; color: #111; }
h1 { font-size: 14pt; margin-bottom: 0px; } h2 { font-size: 10pt; margin-top: 9px; margin-bottom: 2px; }
p { font-size: 7pt; margin-top: 2px; margin-bottom: 3px; } li { font-size: 7pt; }
ul { margin-top: 2px; margin-bottom: 2px; }
table { border-collapse: collapse; }
th, td { border: 1px solid #777; padding: 2px 5px; font-size: 7pt; text-align: left; }
th { background-color: #e8e4da; }
</style>"""

LARGER = """<style>
@media screen {
body { max-width: 62em; margin: 1.5em auto; padding: 0 1em; }
h1 { font-size: 20pt; } h2 { font-size: 14pt; margin-top: 1em; }
p, li, li span, th, td { font-size: 11pt !important; }
img { max-width: 100%; height: auto; } td img { width: 100%; }
}
</style>"""


def _list(texts: Sequence[str]) -> str:
    return "<ul>" + "".join(f"<li><span style='font-size: 7pt'>{escape(text)}</span></li>" for text in texts) + "</ul>"


def _beside(cells: Sequence[tuple[str, str]]) -> str:
    """Pictures side by side, each with its caption; ``cells`` are (address, caption)."""
    made = "".join(
        f"<td style='border: none' width='{100 // len(cells)}%'><img src='{address}' width='{PICTURE[0]}' "
        f"height='{PICTURE[1]}'><p>{escape(caption)}</p></td>"
        for address, caption in cells
    )
    return f"<table width='100%' cellspacing='0' cellpadding='2' border='0'><tr>{made}</tr></table>"


PHOTOGRAPH = 320
"""Width and most height of a photograph on the page."""

PICTURE = (244, 158)
"""Width and height of a picture on the page."""


def _joints(project: Project, content: Mapping[str, Any], shown: Shown, pictures: Mapping[str, str]) -> list[str]:
    if not content["fit"]["joints"]:
        return ["<p>No two fragments were joined.</p>"]
    names = [fragment["name"] for fragment in content["fit"]["fragments"]]
    figures = []
    for number in told_joints(project):
        a, b = (names[end] for end in (project.joints[number].a, project.joints[number].b))
        captions = (
            (f"gap-{number}", f"{a} + {b}: gap over the face of {a}; + open, − overlapping (hatched)"),
            (f"section-{number}", f"Section across the crack: {a} thin and dark, {b} wide and pale"),
        )
        there = [(pictures[name], caption) for name, caption in captions if name in pictures]
        figures += [_beside(there)] if there else []
    return [tables.joints(content, shown), *figures]


def _whole(content: Mapping[str, Any], shown: Shown, pictures: Mapping[str, str]) -> list[str]:
    if content["fit"]["whole"] is None:
        return ["<p>The whole has not been fused.</p>"]
    parts = [tables.whole(content, shown)]
    if "whole" in pictures:
        caption = "The whole from two sides: dark is what was made at the crack, black what no scan measured"
        parts.append(_beside([(pictures["whole"], caption), (pictures["whole-back"], "")]))
    return parts


def _dimensions(content: Mapping[str, Any], shown: Shown) -> list[str]:
    proven = bool(content["scales"]) and all(item["state"] == "proven" for item in content["scales"])
    said = [] if proven else [f"<p>{escape(shown.words(NOT_PROVEN))}</p>"]
    if not content["dimensions"] and not content["fit_ups"]:
        return said
    parts = ["<h2>60 Dimensions</h2>"]
    parts += [tables.dimensions(content, shown)] if content["dimensions"] else []
    parts += [tables.scales(content)] if content["scales"] else []
    parts += [tables.fit_ups(content, shown)] if content["fit_ups"] else []
    return parts + said


def _made(content: Mapping[str, Any], shown: Shown) -> list[str]:
    parts = ["<h2>70 Make</h2>"] if content["made"] else []
    for part in content["made"]:
        parts += [f"<p><b>{escape(part['title'])}</b></p>", tables.made(part, shown)]
        parts += [_list([shown.words(text) for text in part["notes"]])]
    return parts
