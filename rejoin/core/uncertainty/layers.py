"""The layer missing between two worn faces: how thick, and whether there is one at all.

Handling, rust and cleaning take material off both faces. A face in relief can
tell: pressed together, worn faces leave a pattern of gaps that only a uniform
distance explains. A flat face cannot: there only a dimension can.

A free layer is measured beside the poses, by the same least squares; its
standard deviation tells how much the relief can know. That is weighed against
what one expects before looking: as likely none as some.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr, ndtr, ndtri

from rejoin.core.records import FloatArray, LayerDoubt
from rejoin.core.uncertainty.equations import Contact, Layout, Statement

CALLED = 0.75
"""Probability from which faces are set apart: above one half, for chips leave a pattern of gaps like wear's."""

BY_CHANCE = 2.05
"""Standard deviations that a layer must be seen by besides: two clean joints in a hundred reach that."""

SLOPE_ERROR = 0.003
"""Rms, in spacings, by which scans may show steep places wider apart than level ones: chords, smoothing and rounded
rims are no noise, and on gentle relief a missing layer shows in nothing else."""

UNEVEN_WEAR = 0.1
"""Share of a layer by which wear is uneven over the face."""

USUAL_LAYER = 1.0
"""Usual missing layer (half-normal), in spacings. Wear much deeper than the spacing leaves no
relief that this scan could have matched by."""


@dataclass(frozen=True, eq=False)
class Layer:
    """What is known of one joint's missing layer, mm.

    Attributes
    ----------
    apart_mm, sd_mm : float
        What the faces are set apart by, and the root mean square of what it may be off by.
    probability : float
        That there is one.
    slab_mm, slab_sd_mm : float
        The normal distribution (kept above 0) of the layer, if there is one.
    """

    apart_mm: float
    sd_mm: float
    probability: float
    slab_mm: float
    slab_sd_mm: float

    def sampled(self, count: int, rng: np.random.Generator) -> FloatArray:
        """Random layers (count,) after all the evidence."""
        return sampled(self.probability, self.slab_mm, self.slab_sd_mm, count, rng)

    def doubt(self, move: FloatArray, joint: int) -> LayerDoubt:
        """The same for the record of a fragment that follows the layer of a joint by ``move`` (6,)."""
        return LayerDoubt(move, self.probability, self.slab_mm, self.slab_sd_mm, self.apart_mm, self.sd_mm, joint)


def sampled(probability: float, slab_mm: float, slab_sd_mm: float, count: int, rng: np.random.Generator) -> FloatArray:
    """Random layers (count,): none, or with ``probability`` of the normal distribution above 0."""
    there = rng.random(count) < probability
    if slab_sd_mm <= 0.0:
        return np.where(there, slab_mm, 0.0)
    low = ndtr(-slab_mm / slab_sd_mm)
    shares = np.clip(low + (1.0 - low) * rng.random(count), 1e-12, 1 - 1e-12)
    return np.where(there, slab_mm + slab_sd_mm * ndtri(shares), 0.0)


def no_layers(count: int) -> list[Layer]:
    """Layers of joints for which wear is ruled out."""
    return [Layer(0.0, 0.0, 0.0, 0.0, 0.0)] * count


def rein(contacts: list[Contact]) -> FloatArray:
    """Information (joints,), 1/mm², that keeps a free layer near zero where a flat face leaves it open.

    Loose enough to matter only there; `weighed_layers` takes it off again.
    """
    return np.array([1.0 / (2.0 * USUAL_LAYER * c.spacing_mm) ** 2 for c in contacts])


def weighed_layers(
    layout: Layout, contacts: list[Contact], statements: list[Statement], measured: FloatArray, known: FloatArray
) -> list[Layer]:
    """Weigh "no layer" against "some layer", joint by joint, in the adjustment of all.

    Parameters
    ----------
    layout, contacts, statements
        At the solution with free layers.
    measured : (joints,)
        The free layers, mm.
    known : (size, size)
        Information of stated dimensions.

    Returns
    -------
    list of Layer
    """
    rims = layout.assembled(contacts, [s.rim for s in statements]) + known
    plain = layout.assembled(contacts, [s.plain for s in statements]) + rims
    for number, held in enumerate(rein(contacts)):
        plain[layout.layer(number), layout.layer(number)] += held
    reined = scaled_inverse(plain)
    bread = scaled_inverse(layout.assembled(contacts, [s.information for s in statements]) + rims)
    # Noise model and blocks tell of the same noise; where chips or uneven wear come on top, the blocks tell more.
    covariances = [
        bread @ (layout.assembled(contacts, meat) + rims) @ bread
        for meat in ([s.noise for s in statements], [s.patches for s in statements])
    ]
    pretended = [_by_slopes(s, contact.spacing_mm) for s, contact in zip(statements, contacts, strict=True)]
    steep = bread @ layout.assembled(contacts, pretended) @ bread
    layers = []
    for number, contact in enumerate(contacts):
        place = layout.layer(number)
        free = float(measured[number]) / max(1.0 - rein(contacts)[number] * reined[place, place], 0.1)
        sd = float(np.sqrt(max(covariance[place, place] for covariance in covariances)))
        layers.append(posterior(free, sd, USUAL_LAYER * contact.spacing_mm, float(np.sqrt(steep[place, place]))))
    return layers


def _by_slopes(said: Statement, spacing_mm: float) -> FloatArray:
    """(7, 7) covariance of the right side from scans that show steep places apart (`SLOPE_ERROR`)."""
    covariance = np.zeros((7, 7))
    covariance[6, 6] = np.square(SLOPE_ERROR * spacing_mm) * said.plain[6, 6] / np.linalg.inv(said.information)[6, 6]
    return covariance


def posterior(free: float, sd: float, usual: float, steep: float = 0.0) -> Layer:
    """Half a spike at zero and half a half-normal of ``usual`` as prior; closed form.

    ``steep`` is what scans that show steep places apart may pretend: faces are not set apart on that alone.
    """
    wide = float(np.hypot(sd, UNEVEN_WEAR * free))
    spread = float(np.hypot(wide, usual))
    slab, slab_sd = free * (usual / spread) ** 2, wide * usual / spread
    above = log_ndtr(slab / slab_sd)
    odds = np.log(2.0) + _log_density(free, spread) + above - _log_density(free, sd)
    probability = float(1.0 / (1.0 + np.exp(-np.clip(odds, -700, 700))))
    ratio = float(np.exp(_log_density(slab / slab_sd, 1.0) - above))
    inner = slab + slab_sd * ratio
    variance = slab_sd**2 * max(0.0, 1.0 - ratio * (ratio + slab / slab_sd))
    mean = inner if probability >= CALLED and free >= BY_CHANCE * np.hypot(sd, steep) else 0.0
    second = probability * (variance + inner**2)
    about = second - 2.0 * mean * probability * inner + mean**2
    sd_mm = float(np.sqrt(max(about, 0.0)))
    return Layer(float(mean), sd_mm, probability, float(slab), float(slab_sd))


def scaled_inverse(matrix: FloatArray) -> FloatArray:
    """Inverse of a positive matrix of mixed units; what nothing holds gets a large finite value."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    scaled = matrix * scale[:, None] * scale + 1e-10 * np.eye(len(matrix))
    return np.asarray(np.linalg.inv(scaled) * scale[:, None] * scale)


def _log_density(value: float, sd: float) -> float:
    """Log of the normal density with mean 0."""
    return float(-0.5 * (value / sd) ** 2 - np.log(sd) - 0.5 * np.log(2.0 * np.pi))
