"""The layer missing between two worn faces: how thick, and whether there is one at all.

Handling, rust and cleaning take material off both faces. A face in relief can
tell: pressed together, worn faces leave a pattern of gaps that only a uniform
distance explains. A flat face cannot: there only a dimension can.

One number decides, the *hold*: the rms of the gap's column of the least squares
after the columns of the pose are projected out. 0.05 to 0.15 on faces with
relief, about 0.01 on a flat one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr, ndtr, ndtri

from rejoin.core.records import FloatArray
from rejoin.core.uncertainty.equations import Contact, Layout, Statement

FLAT_HOLD = 0.03
"""Below this hold a layer is believed only on strong evidence: it would move the pose by far
more than the relief can vouch for."""

STRONG = 0.95
"""Probability that counts as strong evidence."""

UNEVEN_RESIDUAL = 0.05
"""Share of the residual scale that may, unseen, look like a gap (uneven noise, rims, chips)."""

UNEVEN_WEAR = 0.06
"""Share of a layer by which wear is uneven over the face."""

USUAL_LAYER = 1.3
"""Usual missing layer (half-normal), in spacings. Wear much deeper than the spacing leaves no
relief that this scan could have matched by."""


@dataclass(frozen=True, eq=False)
class Layer:
    """What is known of one joint's missing layer, mm.

    Attributes
    ----------
    mean_mm, sd_mm : float
        After all the evidence.
    probability : float
        That there is one.
    free_mm, free_sd_mm : float
        As measured with no prior opinion.
    slab_mm, slab_sd_mm : float
        The normal distribution (kept above 0) of the layer, if there is one.
    hold : float
        How well the joint can tell.
    """

    mean_mm: float
    sd_mm: float
    probability: float
    free_mm: float
    free_sd_mm: float
    slab_mm: float
    slab_sd_mm: float
    hold: float

    def sampled(self, count: int, rng: np.random.Generator) -> FloatArray:
        """Random layers (count,) after all the evidence."""
        there = rng.random(count) < self.probability
        if self.slab_sd_mm <= 0.0:
            return np.where(there, self.slab_mm, 0.0)
        low = ndtr(-self.slab_mm / self.slab_sd_mm)
        drawn = ndtri(np.clip(low + (1.0 - low) * rng.random(count), 1e-12, 1 - 1e-12))
        return np.where(there, self.slab_mm + self.slab_sd_mm * drawn, 0.0)


def no_layers(count: int) -> list[Layer]:
    """Layers of joints for which wear is ruled out."""
    return [Layer(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)] * count


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
    weights = [s.weight for s in statements]
    plain = layout.assembled(contacts, [s.plain for s in statements], weights) + known
    for number, held in enumerate(rein(contacts)):
        plain[layout.layer(number), layout.layer(number)] += held
    reined = scaled_inverse(plain)
    faces = layout.assembled(contacts, [s.information for s in statements], weights)
    inverse_faces = scaled_inverse(faces)
    meat = layout.assembled(contacts, [s.meat for s in statements], [w * w for w in weights]) + known
    holds = []
    for number, (contact, said) in enumerate(zip(contacts, statements, strict=True)):
        place = layout.layer(number)
        hold = float(np.sqrt(1.0 / (inverse_faces[place, place] * said.weight * said.total)))
        meat[place, place] += (said.weight * said.total * UNEVEN_RESIDUAL * contact.scale_mm * hold) ** 2
        holds.append(hold)
    bread = scaled_inverse(faces + known)
    covariance = bread @ meat @ bread
    layers = []
    for number, (contact, said) in enumerate(zip(contacts, statements, strict=True)):
        place = layout.layer(number)
        hold = float(np.sqrt(1.0 / (bread[place, place] * said.weight * said.total)))
        free = float(measured[number]) / max(1.0 - rein(contacts)[number] * reined[place, place], 0.1)
        layers.append(posterior(free, float(np.sqrt(covariance[place, place])),
                                USUAL_LAYER * contact.spacing_mm, max(hold, holds[number])))
    return layers


def posterior(free: float, sd: float, usual: float, hold: float) -> Layer:
    """Half a spike at zero and half a half-normal of ``usual`` as prior; closed form."""
    wide = float(np.hypot(sd, UNEVEN_WEAR * free))
    spread = float(np.hypot(wide, usual))
    slab, slab_sd = free * (usual / spread) ** 2, wide * usual / spread
    above = log_ndtr(slab / slab_sd)
    odds = np.log(2.0) + _log_density(free, spread) + above - _log_density(free, sd)
    probability = float(1.0 / (1.0 + np.exp(-np.clip(odds, -700, 700))))
    ratio = float(np.exp(_log_density(slab / slab_sd, 1.0) - above))
    inner = slab + slab_sd * ratio
    variance = slab_sd**2 * max(0.0, 1.0 - ratio * (ratio + slab / slab_sd))
    mean = probability * inner
    if hold < FLAT_HOLD and probability < STRONG:
        mean = 0.0
    second = probability * (variance + inner**2)
    about = second - 2.0 * mean * probability * inner + mean**2
    sd_mm = float(np.sqrt(max(about, 0.0)))
    return Layer(float(mean), sd_mm, probability, free, wide, float(slab), float(slab_sd), hold)


def scaled_inverse(matrix: FloatArray) -> FloatArray:
    """Inverse of a positive matrix of mixed units; what nothing holds gets a large finite value."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    scaled = matrix * scale[:, None] * scale + 1e-10 * np.eye(len(matrix))
    return np.asarray(np.linalg.inv(scaled) * scale[:, None] * scale)


def _log_density(value: float, sd: float) -> float:
    """Log of the normal density with mean 0."""
    return float(-0.5 * (value / sd) ** 2 - np.log(sd) - 0.5 * np.log(2.0 * np.pi))
