"""Scan against caliper, a size against its limits, the scale of a scan: each a verdict with its rule.

Sources: ISO/IEC 17043 (normalised error); ISO 14253-1 (proving conformance); JCGM 100:2008 (a limit of error a as a
rectangle, a / sqrt 3; k = 2).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rejoin.core.records import FloatArray, ScaleCheck
from rejoin.core.settings import UNITS

RULE = "ISO 14253-1, guard band U (k = 2) at each limit, as in the edition of 2013; that of 2017 asks for 1.65 u"
"""The edition and guard band by which limits are judged (from memory)."""

LARGEST_CORRECTION = 0.03
"""Share by which a scanner's scale may be off on the word of a single reading."""

FAR_OFF = 3.0
"""Normalised errors from which a reading is held for a slip, not for a measurement."""


def instrument_u95(limit: float) -> float:
    """U (k = 2) of a reading from the instrument's limit of error, plus or minus."""
    return 2.0 * limit / float(np.sqrt(3.0))


def normalised_error(difference: float, u95_a: float, u95_b: float) -> float:
    """|d| / sqrt(U1^2 + U2^2); infinite where both are zero and they differ."""
    both = float(np.hypot(u95_a, u95_b))
    if both > 0.0:
        return abs(difference) / both
    return 0.0 if difference == 0.0 else float("inf")


def conformance(value: float, u95: float, low: float | None, high: float | None) -> str:
    """ "pass" where the value with its uncertainty lies within the limits, "fail" where outside, else "not proven"."""
    if low is None and high is None:
        return "no limits"
    under = low is not None and value < low - u95
    over = high is not None and value > high + u95
    if under or over:
        return "fail"
    above = low is None or value >= low + u95
    below = high is None or value <= high - u95
    return "pass" if above and below else "not proven"


@dataclass(frozen=True, eq=False)
class Pairs:
    """Lengths of one scan beside their readings, mm, each with U (k = 2)."""

    scan: FloatArray
    scan_u95: FloatArray
    reading: FloatArray
    reading_u95: FloatArray


def scale_of(pairs: Pairs, on: int) -> tuple[ScaleCheck, tuple[bool, ...]]:
    """The scale of a scan by weighted least squares through zero, reading = factor times scan.

    Readings that stand far off the others are left out, where two or more others agree.

    Returns
    -------
    ScaleCheck
    kept : tuple of bool
        Which readings were used.
    """
    kept = np.ones(len(pairs.scan), bool)
    if not kept.any():
        why = "there is no reading with its limit to compare with"
        return ScaleCheck(on, None, None, 0, "not proven", f"Scale not proven: {why}."), ()
    if len(kept) >= 3:
        kept = _together(pairs)
    factor, u95 = _factor(pairs, kept)
    errors = _errors(pairs, factor)[kept]
    return _told(on, factor, u95, int(kept.sum()), float(errors.max())), tuple(kept.tolist())


def _factor(pairs: Pairs, used: npt.NDArray[np.bool_]) -> tuple[float, float]:
    """Weighted least squares, the weights at the factor itself; u grows where the readings scatter (Birge 1932)."""
    scan, reading = pairs.scan[used], pairs.reading[used]
    factor = float(np.median(reading / scan))
    for _ in range(20):
        square = (pairs.reading_u95[used] / 2) ** 2 + (factor * pairs.scan_u95[used] / 2) ** 2
        weight = 1.0 / np.maximum(square, 1e-18)
        factor = float((weight * scan * reading).sum() / (weight * scan * scan).sum())
    u = float(1.0 / np.sqrt((weight * scan * scan).sum()))
    if len(scan) > 1:
        chi = float((weight * (reading - factor * scan) ** 2).sum()) / (len(scan) - 1)
        u *= max(1.0, chi**0.5)
    return factor, 2.0 * u


def _errors(pairs: Pairs, factor: float) -> FloatArray:
    both = np.hypot(pairs.reading_u95, factor * pairs.scan_u95)
    return np.asarray(np.abs(pairs.reading - factor * pairs.scan) / np.maximum(both, 1e-9))


def _together(pairs: Pairs) -> npt.NDArray[np.bool_]:
    """Readings that stand together: not far off the factor that most of them agree on, two at least; else all."""
    errors = np.array([_errors(pairs, float(factor)) for factor in pairs.reading / pairs.scan])
    votes = (errors <= 1.0).sum(axis=1)
    best = int(np.lexsort((np.minimum(errors, FAR_OFF).sum(axis=1), -votes))[0])
    return np.asarray(errors[best] <= FAR_OFF if votes[best] >= 2 else np.ones(len(votes), bool))


def _told(on: int, factor: float, u95: float, count: int, worst: float) -> ScaleCheck:
    readings = "1 reading" if count == 1 else f"{count} readings"
    slip = unit_slip(factor)
    text = f"factor {factor:.5f} +- {u95:.5f} from {readings}"
    if slip is not None:
        return ScaleCheck(on, factor, u95, count, "off",
                          f"The readings are {factor:.4g} times the scan: {slip}. State the unit again.")  # fmt: skip
    if worst > FAR_OFF:
        return ScaleCheck(on, factor, u95, count, "contradictory",
                          f"Scale not proven: the readings contradict each other ({text}).")  # fmt: skip
    if count == 1 and abs(factor - 1.0) > LARGEST_CORRECTION:
        return ScaleCheck(on, factor, u95, count, "not proven",
                          f"Scale not proven: the only reading is {100 * abs(factor - 1.0):.0f} % off. Look at the "
                          "reading and the pick, and take another.")  # fmt: skip
    if abs(factor - 1.0) > u95:
        share = 100.0 * (factor - 1.0)
        return ScaleCheck(on, factor, u95, count, "off",
                          f"Scale off: the part is {abs(share):.2f} % {'larger' if share > 0 else 'smaller'} than the "
                          f"scan ({text}). It is corrected only if you agree.")  # fmt: skip
    return ScaleCheck(on, factor, u95, count, "proven", f"Scale proven: {text}.")


def unit_slip(factor: float) -> str | None:
    """Whether a factor is that between two units, and which."""
    for one, mm in UNITS.items():
        for other, its in UNITS.items():
            ratio = its / mm
            if ratio >= 2.0 and abs(factor / ratio - 1.0) < 0.03:
                return f"as if {other} had been taken for {one}"
            if ratio <= 0.5 and abs(factor / ratio - 1.0) < 0.03:
                return f"as if {other} had been taken for {one}"
    return None
