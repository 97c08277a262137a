"""Dimensions, readings, scales and fit-ups in plain words, in the reader's unit."""

from __future__ import annotations

import math

from rejoin.app.words.in_units import in_units
from rejoin.app.words.sentences import Units, counted, letter, step_words
from rejoin.core.records import DimensionCheck, FitUp, Project, Reading, ScaleCheck

KINDS = {
    "points": "Two points", "faces": "Two faces", "bore": "Bore", "shaft": "Shaft, pin or boss",
    "centres": "Between two axes", "angle": "Angle", "wall": "Wall", "depth": "Depth", "ball": "Ball",
    "taper": "Taper", "datum": "Datum, to square up on", "weight": "Weight of the whole",
}  # fmt: skip
"""What can be measured, as a person is offered it."""

ASKED = {
    "points": ("one point", "the other point"), "faces": ("one face", "the face opposite"),
    "bore": ("inside the bore",),
    "shaft": ("on the round outside",), "centres": ("one bore or shaft", "the other bore or shaft"),
    "angle": ("one face or bore", "the other face or bore"), "wall": ("where the wall is to be measured",),
    "depth": ("the face it is measured from", "the bottom"), "ball": ("on the ball, or in the hollow",),
    "taper": ("on the cone",), "datum": ("a face, or inside a bore",), "weight": (),
}  # fmt: skip
"""What is to be clicked, one pick after the other."""

DEGREES, WEIGHT = ("angle", "taper"), "weight"
GOOD, BAD, PLAIN = "good", "bad", ""
Line = tuple[str, str]
"""A look and a line of words."""


def value(kind: str, amount: float, units: Units, fine: float = 0.0, signed: bool = False) -> str:
    """A length, angle or weight with as many places as its uncertainty ``fine`` is worth."""
    scale, name = _scale(kind, units)
    places = _places(fine / scale, _most(kind, scale))
    text = f"{amount / scale:{'+' if signed else ''}.{places}f}".replace("-", "−")
    return text + ("°" if kind in DEGREES else f" {name}")


def typed(kind: str, amount: float | None, units: Units) -> str:
    """A number as it stands in a field; empty where there is none."""
    if amount is None:
        return ""
    scale = _scale(kind, units)[0]
    return f"{amount / scale:.{5 if scale > 1 else 4}f}".rstrip("0").rstrip(".")


def read(reading: Reading, units: Units) -> str:
    """What the caliper read, with the digits that were typed."""
    if reading.value is None:
        return ""
    name = _scale(reading.kind, units)[1]
    return typed(reading.kind, reading.value, units) + (name if name == "°" else f" {name}")


def unit_of(kind: str, units: Units) -> str:
    """The unit in which a kind of size is typed, as the tables of readings name it."""
    return "deg" if kind in DEGREES else "g" if kind == WEIGHT else units.name


def unit_shown(kind: str, units: Units) -> str:
    """The unit of a kind of size as it stands beside a figure."""
    return _scale(kind, units)[1]


def with_spread(kind: str, amount: float, u95: float | None, units: Units) -> str:
    """A value, give or take what it is good to."""
    if not u95:
        return value(kind, amount, units)
    scale, name = _scale(kind, units)
    least = scale * 10.0 ** -_most(kind, scale)
    spread = f"± {value(kind, u95, units, u95)}" if u95 >= 0.5 * least else f"± under {value(kind, least, units)}"
    return f"{value(kind, amount, units, u95).removesuffix(name).rstrip()} {spread}"


def state(project: Project, units: Units) -> str:
    """The state of row 60."""
    if not project.fragments and project.whole is None:
        return "Waits for scans"
    if not project.readings:
        return "Nothing measured yet"
    words = [counted(len(project.readings), "dimension")]
    read = [one for one in project.checks if one.agreement != "not read"]
    agree = sum(one.agreement == "agrees" for one in read)
    if read:
        words.append(f"{agree} of {len(read)} agree with the caliper")
    failed = sum(one.verdict == "fail" for one in project.checks)
    if failed:
        words.append(f"{failed} outside the limits")
    if not project.scales or any(one.state != "proven" for one in project.scales):
        words.append("scale not proven")
    return ", ".join(words)


def complete(project: Project) -> bool:
    """Whether something was measured and nothing measured is contradicted, out of its limits, or unproven."""
    sound = all(one.value is not None and one.agreement in ("agrees", "not read")
                and one.verdict in ("pass", "no limits") for one in project.checks)  # fmt: skip
    proven = bool(project.scales) and all(one.state == "proven" for one in project.scales)
    return bool(project.checks) and sound and proven


def short(check: DimensionCheck | None, units: Units) -> str:
    """The measured size for the table."""
    if check is None:
        return "…"
    if check.value is None:
        return "not yet" if check.kind == WEIGHT else "not found"
    return with_spread(check.kind, check.value, check.u95, units)


def mark(check: DimensionCheck | None) -> str:
    """A sign for the table: agreement and limits together."""
    if check is None:
        return ""
    if check.value is None and check.kind == WEIGHT:
        return "·"
    if check.value is None or check.agreement in ("disagrees", "far off") or check.verdict == "fail":
        return "✗"
    return "✓" if check.agreement == "agrees" and check.verdict in ("pass", "no limits") else "·"


def check_lines(reading: Reading, check: DimensionCheck | None, units: Units) -> list[Line]:
    """All that is known of one dimension, a line each."""
    if check is None:
        return [(PLAIN, "Not measured yet.")]
    if check.value is None and check.kind == WEIGHT:
        return [(PLAIN, f"· {check.sentence}")]
    if check.value is None:
        return [(BAD, f"✗ {in_units(check.sentence, units)}")]
    lines = [(PLAIN, f"On the scan {with_spread(check.kind, check.value, check.u95, units)} (95 %).")]
    if check.kind == "datum":
        lines = [(PLAIN, f"Out of true by {value('points', check.value, units, check.u95 or 0.001)}.")]
    if check.sizes:
        fine = check.u95 or 0.001
        lines.append((PLAIN, "; ".join(f"{name} {value(check.kind, one, units, fine)}" for name, one in check.sizes)))
    lines += _agreement(reading, check, units)
    lines += _limits(check)
    return lines + _fit(check, units)


def _fit(check: DimensionCheck, units: Units) -> list[Line]:
    """How it fits with what it goes with."""
    if check.clearance is None:
        return []
    sure = abs(check.clearance) > (check.clearance_u95 or 0.0)
    word = "Clearance" if check.clearance > 0 else "Interference"
    amount = with_spread(check.kind, abs(check.clearance), check.clearance_u95, units)
    if not sure:
        return [(PLAIN, f"· Clearance or interference, the measurement cannot tell: {amount}."), *_fit_limits(check)]
    return [(PLAIN, f"· {word} with what it goes with: {amount}."), *_fit_limits(check)]


def _fit_limits(check: DimensionCheck) -> list[Line]:
    """The clearance against its limits, which the core tells at the end of its sentence."""
    return {
        "pass": [(GOOD, "✓ The clearance is within its limits, proven.")],
        "fail": [(BAD, "✗ The clearance is outside its limits.")],
        "not proven": [(PLAIN, "· The clearance is not proven against its limits.")],
    }.get(check.fit.partition("Against the limits: ")[2].rstrip("."), [])


def _agreement(reading: Reading, check: DimensionCheck, units: Units) -> list[Line]:
    if reading.value is None or check.value is None:
        return []
    if check.difference is None or check.normalised_error is None:
        return [(PLAIN, "· The instrument's limit is missing; without it nothing can be said of the agreement.")]
    differ = value(check.kind, check.difference, units, check.u95 or 0.001, signed=True)
    if check.agreement == "far off":
        return [(BAD, f"✗ The reading is far off ({differ}): look at the digit, the unit and the pick.")]
    good = check.agreement == "agrees"
    other = "balance" if check.kind == WEIGHT else "caliper"
    return [(GOOD if good else BAD, f"{'✓' if good else '✗'} Scan and {other} {'agree' if good else 'do not agree'}: "
             f"they differ by {differ}, {check.normalised_error:.2g} of what both are good for.")]  # fmt: skip


def _limits(check: DimensionCheck) -> list[Line]:
    return {
        "pass": [(GOOD, "✓ Within the limits, proven.")],
        "fail": [(BAD, "✗ Outside the limits.")],
        "not proven": [(PLAIN, "· Not proven against the limits: too near to one, or not sure enough.")],
    }.get(check.verdict, [])


def scale_line(scale: ScaleCheck) -> Line:
    look = {"proven": GOOD, "off": BAD, "contradictory": BAD}.get(scale.state, PLAIN)
    sign = {GOOD: "✓", BAD: "✗"}.get(look, "·")
    name = "The whole" if scale.on < 0 else letter(scale.on)
    return look, f"{sign} {name}: {scale.sentence[:1].lower()}{scale.sentence[1:]}".replace("+-", "±")


def angle_words(angle_deg: float, u95_deg: float | None) -> str:
    """What the angle across a crack, with its 95 % bound, means to a welder."""
    told = f"{angle_deg:.2f}°" if u95_deg is None else f"{angle_deg:.2f} ± {u95_deg:.2f}°"
    seen = u95_deg is None or angle_deg > u95_deg
    means = "that is angular misalignment, unless the part was made so" if seen else "too little to be told from none"
    return f"The original surfaces meet at {told} along the crack: {means}."


def _met(one: FitUp, limit: float) -> tuple[str, str, str]:
    """Sign, look and words of a step that keeps a limit, does not, or may: its doubt decides (as in ISO 14253-1)."""
    if one.step_mm is None:
        return "·", PLAIN, "; the step was not measured"
    away = one.step_u95_mm or 0.0
    if one.step_mm + away <= limit:
        return "✓", GOOD, ""
    return ("✗", BAD, "") if one.step_mm - away > limit else ("·", PLAIN, ": too near to tell")


def fit_up_lines(project: Project, one: FitUp, units: Units) -> list[Line]:
    """What a welder wants to know of one joint, a line each."""
    joint = project.joints[one.joint]
    lines: list[Line] = []
    if one.step_mm is not None:
        step = step_words(one.step_mm, one.step_u95_mm, units)
        lines.append((PLAIN, f"Step across the crack (linear misalignment): {step}."))
    for quality, limit in one.limits_mm:
        sign, look, told = _met(one, limit)
        lines.append((look, f"{sign} Quality level {quality} of ISO 5817 allows {units.length(limit)}{told}."))
    if one.angle_deg is not None:
        lines.append((PLAIN, angle_words(one.angle_deg, one.angle_u95_deg)))
    if one.gap_low_mm is not None and one.gap_high_mm is not None:
        low, high = units.length(one.gap_low_mm, True), units.length(one.gap_high_mm, True)
        minus = " Below zero they overlap." if one.gap_low_mm < 0.0 else ""
        lines.append((PLAIN, f"Gap along the crack {low} to {high}.{minus}"))
    lines.append((PLAIN, f"Crack {units.length(one.length_mm)} long, section {units.area(one.section_mm2)}."))
    if one.wall_mm is not None:
        least, middle, most = (units.length(wall) for wall in one.wall_mm)
        lines.append((PLAIN, f"Wall along the crack {least} to {most}, mostly {middle}."))
    for number, (apart, u95) in enumerate(zip(one.target_mm.tolist(), one.target_u95_mm.tolist(), strict=True), 1):
        lines.append((PLAIN, f"Gauge marks {number}: {with_spread('points', apart, u95, units)} apart."))
    free = one.blocked_share <= 0.03
    way = f"{letter(joint.b)} comes straight off {letter(joint.a)}"
    lines.append((PLAIN, f"{way}." if free else f"{way} only past {one.blocked_share:.0%} of the joint."))
    return lines + [(PLAIN, in_units(note, units)) for note in one.notes]


def _scale(kind: str, units: Units) -> tuple[float, str]:
    if kind in DEGREES:
        return 1.0, "°"
    return (1.0, "g") if kind == WEIGHT else (units.mm, units.short)


def _most(kind: str, scale: float) -> int:
    """The most places that are ever shown."""
    return 2 if kind in DEGREES else 0 if kind == WEIGHT else 4 if scale > 1 else 3


def _places(fine: float, most: int) -> int:
    """Places that show two digits of an uncertainty."""
    if fine <= 0:
        return most
    return int(min(max(1 - math.floor(math.log10(fine)), 0), most))
