"""All readings of a project at once: measure each, compare, judge, prove the scale."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core.dimensions.agreement import (
    FAR_OFF,
    RULE,
    Pairs,
    conformance,
    instrument_u95,
    normalised_error,
    scale_of,
)
from rejoin.core.dimensions.mating import Fit, fit_of
from rejoin.core.dimensions.placing import Body
from rejoin.core.dimensions.readings import WEIGHT
from rejoin.core.dimensions.remembering import Bench, ready_ground, size_once
from rejoin.core.dimensions.sizes import DEGREES, Size, measure
from rejoin.core.dimensions.tables import DENSITY_G_CM3, at_20_degrees
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.meshes import is_closed, volume
from rejoin.core.records import DimensionCheck, FloatArray, Reading, ScaleCheck
from rejoin.core.settings import DimensionSettings, Report
from rejoin.core.transforms import apply, identity

NOT_PROVEN = "Scale not proven."


def check_all(
    bench: Bench, readings: Sequence[Reading], settings: DimensionSettings, report: Report
) -> tuple[tuple[DimensionCheck, ...], tuple[ScaleCheck, ...]]:
    """Measure every dimension and judge it; what was measured before on the same things is not measured again.

    Parameters
    ----------
    bench : Bench
    readings : sequence of Reading
    settings : DimensionSettings
    report : Report

    Returns
    -------
    checks : tuple of DimensionCheck
        One a reading, in order. What cannot be measured says why in its sentence.
    scales : tuple of ScaleCheck
        One for each thing that was picked.
    """
    _check_temperatures(settings)
    bodies = _Bodies(bench)
    sizes: list[Size | str] = []
    for number, reading in enumerate(readings):
        report(number / max(len(readings), 1), f"Measuring {reading.name}")
        sizes.append(_size(bodies, reading, settings))
    read = [_at_reference(reading, settings) for reading in readings]
    scales, far = _scales(readings, sizes, read)
    checks = tuple(
        _weighed(bench, reading, settings) if reading.kind == WEIGHT
        else _checked(reading, size, value, scales, number in far)
        for number, (reading, size, value) in enumerate(zip(readings, sizes, read, strict=True))
    )  # fmt: skip
    report(1.0, f"Measured {len(checks)} dimensions")
    return checks, tuple(scales.values())


def _check_temperatures(settings: DimensionSettings) -> None:
    given = (settings.part_temperature_c, settings.instrument_temperature_c)
    if (given[0] is None) != (given[1] is None):
        raise WrongUse("Only one temperature was given.", "Give the part's and the instrument's, or neither.")
    if given[0] is not None and settings.metal is None:
        raise WrongUse("The metal is needed to allow for temperature.", "Give it with the temperatures.")


class _Bodies:
    """What can be picked, each made ready once, in the part's frame or its own."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self._made: dict[tuple[int, bool], Body] = {}
        self._owners: list[tuple[int, cKDTree]] | None = None

    def body(self, on: int, placed: bool) -> Body:
        if (on, placed) not in self._made:
            self._made[on, placed] = self._make(on, placed)
        return self._made[on, placed]

    def _make(self, on: int, placed: bool) -> Body:
        if on < 0:
            if self.bench.whole is None:
                raise NoAnswer("There is no whole to measure on.", "Fuse the fragments first.")
            return Body(ready_ground(self.bench.whole), -1, identity(), None, None, self.bench.noise_mm)
        if on >= len(self.bench.fragments):
            raise NoAnswer("The fragment that was picked is no longer there.", "Pick the dimension again.")
        fragment = self.bench.fragments[on]
        known = self._made.get((on, not placed))
        ground = ready_ground(fragment.mesh) if known is None else known.ground
        if not placed:
            return Body(ground, on, identity(), None, None, fragment.noise_mm)
        placement = self.bench.placements[on] if on < len(self.bench.placements) else None
        if placement is None or placement.part_from_scan is None:
            raise NoAnswer(f"{fragment.scan.name} is not placed, so nothing can be measured across the joint.",
                           "Join the fragments first.")  # fmt: skip
        to = placement.part_from_scan
        centre = apply(to, fragment.mesh.vertices.mean(axis=0)[None])[0]
        return Body(ground, on, to, placement, centre, fragment.noise_mm, on)

    def of(self, reading: Reading) -> list[Body]:
        """The bodies of a reading's picks; picks on the whole are those of the fragment beneath."""
        across = len(set(reading.on)) > 1
        bodies = [self.body(on, across) for on in reading.on]
        return [
            self._with_owner(body, pick) if body.number < 0 else body
            for body, pick in zip(bodies, reading.picks_mm, strict=True)
        ]

    def _with_owner(self, body: Body, pick: FloatArray) -> Body:
        """The whole, moving as the fragment that a pick lies on."""
        if self._owners is None:
            self._owners = [
                (n, cKDTree(apply(p.part_from_scan, f.mesh.vertices[::5])))
                for n, (f, p) in enumerate(zip(self.bench.fragments, self.bench.placements, strict=False))
                if p.part_from_scan is not None
            ]
        if not self._owners:
            return body
        number = min(self._owners, key=lambda owner: float(owner[1].query(pick)[0]))[0]
        owner = self.body(number, True)
        return replace(body, number=-2 - number, placement=owner.placement, centre_mm=owner.centre_mm,
                       noise_mm=owner.noise_mm, fragment=number)  # fmt: skip


def _size(bodies: _Bodies, reading: Reading, settings: DimensionSettings) -> Size | str:
    if reading.kind == WEIGHT:
        return ""

    def measured() -> Size | str:
        try:
            return measure(reading.kind, reading.picks_mm, bodies.of(reading), settings.pick_reach)
        except NoAnswer as error:
            return str(error)

    return size_once(reading, bodies.bench, settings.pick_reach, measured)


def _at_reference(reading: Reading, settings: DimensionSettings) -> float | None:
    """The reading at 20 degrees C, where temperatures were given; angles and weights as they are."""
    part, instrument = settings.part_temperature_c, settings.instrument_temperature_c
    if reading.value is None or reading.kind in (*DEGREES, WEIGHT) or part is None or instrument is None:
        return reading.value
    return at_20_degrees(reading.value, settings.metal or "", part, instrument)


def _scales(
    readings: Sequence[Reading], sizes: Sequence[Size | str], read: Sequence[float | None]
) -> tuple[dict[int, ScaleCheck], set[int]]:
    """The scale of each thing picked, and the readings that are far off."""
    scales: dict[int, ScaleCheck] = {}
    far: set[int] = set()
    for on in sorted({one for reading in readings for one in reading.on}):
        rows, values = [], []
        for number, (reading, size, value) in enumerate(zip(readings, sizes, read, strict=True)):
            usable = set(reading.on) == {on} and reading.kind not in (*DEGREES, WEIGHT, "datum")
            if usable and isinstance(size, Size) and value is not None and reading.limit is not None and size.value > 0:
                rows.append(number)
                values.append((size.value, size.u95, value, instrument_u95(reading.limit)))
        columns = np.array(values, dtype=np.float64).reshape(-1, 4).T
        scales[on], kept = scale_of(Pairs(*columns), on)
        far |= {number for number, used in zip(rows, kept, strict=True) if not used}
    return scales, far


def _checked(
    reading: Reading, size: Size | str, value: float | None, scales: Mapping[int, ScaleCheck], far: bool
) -> DimensionCheck:
    whole_frame = len(set(reading.on)) > 1 or -1 in reading.on
    frame = -1 if whole_frame else reading.on[0]
    if isinstance(size, str):
        return DimensionCheck(reading.name, reading.kind, None, None, (), np.empty((0, 2, 3)), (), frame, value, None,
                              None, None, "not read" if value is None else "disagrees",
                              "no limits" if reading.low is None and reading.high is None else "not proven",
                              False, size)  # fmt: skip
    angle = reading.kind in DEGREES
    proven = angle or all(scales[on].state == "proven" for on in set(reading.on))
    u95 = size.u95
    if proven and not angle:
        u95 = float(np.hypot(u95, size.value * max(scales[on].u95 or 0.0 for on in set(reading.on))))
    reading_u95 = None if value is None or reading.limit is None else instrument_u95(reading.limit)
    difference = None if value is None else size.value - _comparable(reading, value, size.value)
    error = None if difference is None or reading_u95 is None else normalised_error(difference, size.u95, reading_u95)
    agreement = _agreement(value, error, far)
    verdict = _verdict(reading, size.value, u95, value, reading_u95, agreement, proven)
    told = _sentence(reading, size, u95, difference, error, agreement, verdict, proven)
    fit = _fit(reading, size, u95)
    return DimensionCheck(reading.name, reading.kind, size.value, u95, size.sizes, size.lines_mm, size.shapes, frame,
                          value, reading_u95, difference, error, agreement, verdict, proven,
                          told if fit is None else f"{told} {fit.sentence}", None if fit is None else fit.clearance_mm,
                          None if fit is None else fit.u95_mm, "" if fit is None else fit.sentence)  # fmt: skip


def _fit(reading: Reading, size: Size, u95: float) -> Fit | None:
    """The fit with the mating size that was typed beside a bore or shaft."""
    if reading.mating is None or reading.kind not in ("bore", "shaft"):
        return None
    sizes, its = dict(size.sizes), 0.0 if reading.mating_limit is None else instrument_u95(reading.mating_limit)
    own = sizes.get("largest inscribed" if reading.kind == "bore" else "smallest circumscribed", size.value)
    # The inscribed size hangs on a few points: how much of its difference is form, and how much noise, is not known.
    u95 = float(np.hypot(u95, own - size.value))
    bore, shaft = ((own, u95), (reading.mating, its)) if reading.kind == "bore" else ((reading.mating, its), (own, u95))
    return fit_of(*bore, *shaft, reading.fit_low, reading.fit_high)


def _comparable(reading: Reading, value: float, size: float) -> float:
    """An angle may be read on either side: the one nearer to the size."""
    other = 180.0 - value if reading.kind == "angle" else value
    return min(value, other, key=lambda one: abs(one - size))


def _agreement(value: float | None, error: float | None, far: bool) -> str:
    if value is None or error is None:
        return "not read"
    if far or error > 3.0 * FAR_OFF:
        return "far off"
    return "agrees" if error <= 1.0 else "disagrees"


def _verdict(reading: Reading, value: float, u95: float, read: float | None, read_u95: float | None, agreement: str,
             proven: bool) -> str:  # fmt: skip
    """The surer of scan and reading is judged; neither where they contradict each other."""
    if reading.low is None and reading.high is None:
        return "no limits"
    if agreement in ("disagrees", "far off"):
        return "not proven"
    if read is not None and read_u95 is not None and (not proven or read_u95 < u95):
        return conformance(read, read_u95, reading.low, reading.high)
    return conformance(value, u95, reading.low, reading.high) if proven else "not proven"


def _sentence(reading: Reading, size: Size, u95: float, difference: float | None, error: float | None,
              agreement: str, verdict: str, proven: bool) -> str:  # fmt: skip
    unit = "degrees" if reading.kind in DEGREES else "mm"
    digits = 3 if unit == "mm" else 2
    parts = [f"{size.value:.{digits}f} +- {u95:.{digits}f} {unit}."]
    if agreement == "far off":
        parts.append(f"The reading is far off ({difference:+.3g} {unit}): look at the digit, the unit and the pick.")
    elif error is not None:
        parts.append(f"Scan and reading {'agree' if error <= 1 else 'do not agree'}: they differ by "
                     f"{difference:+.{digits}f} {unit}, {error:.2f} of what both are good for.")  # fmt: skip
    elif reading.value is not None:
        parts.append("Without the instrument's limit of error nothing can be said of the agreement.")
    if verdict != "no limits":
        parts.append(f"Against the limits: {verdict} ({RULE}).")
    if not proven:
        parts.append(NOT_PROVEN)
    return " ".join([*parts, *size.notes])


def _weighed(bench: Bench, reading: Reading, settings: DimensionSettings) -> DimensionCheck:
    """The weight of the whole from its volume and the metal's density, beside the balance."""
    value, u95, difference, error = None, None, None, None
    agreement = "not read"
    if bench.whole is None or not is_closed(bench.whole):
        text = "The weight needs a closed whole."
    elif settings.metal is None:
        text = "The weight needs the metal: it is one of the settings."
    else:
        low, high = DENSITY_G_CM3[settings.metal]
        cm3 = volume(bench.whole) / 1000.0
        value, u95 = cm3 * (low + high) / 2.0, cm3 * (high - low) / 3.0**0.5
        text = f"{cm3:.1f} cm3 of {settings.metal} weigh {cm3 * low:.0f} to {cm3 * high:.0f} g."
        if reading.value is not None:
            difference = value - reading.value
            error = normalised_error(difference, u95, instrument_u95(reading.limit or 0.0))
            agreement = "agrees" if error <= 1.0 else "disagrees"
            text += f" The balance says {reading.value:.0f} g: they {'agree' if error <= 1 else 'do not agree'}."
            if error > 1:
                text += " A cavity, a missing piece, the metal or the scale may be why."
    return DimensionCheck(reading.name, reading.kind, value, u95, (), np.empty((0, 2, 3)), (), -1, reading.value,
                          None if reading.limit is None else instrument_u95(reading.limit), difference, error,
                          agreement, "no limits", False, text)  # fmt: skip
