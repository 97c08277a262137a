"""Solid parts of a hand pump and a treadle machine, built by solid modelling (mm).

Each builder takes a seeded generator, which varies the proportions, and
returns a closed solid whose genus follows from its through-holes.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from manifold3d import CrossSection, JoinType, Manifold

Builder = Callable[[np.random.Generator], Manifold]
_SEGMENTS = 160


def _circle(radius: float, x: float = 0.0, y: float = 0.0) -> CrossSection:
    return CrossSection.circle(radius, _SEGMENTS).translate((x, y))


def _square(width: float, height: float, x: float = 0.0, y: float = 0.0) -> CrossSection:
    return CrossSection.square((width, height), True).translate((x, y))


def _hull(*sections: CrossSection) -> CrossSection:
    return CrossSection.batch_hull(list(sections))


def _offset(section: CrossSection, by: float) -> CrossSection:
    return section.offset(by, JoinType.Round, 2.0, _SEGMENTS // 2)


def _filleted(section: CrossSection, radius: float) -> CrossSection:
    """Rounds the inner corners of an outline, then the outer ones."""
    return _offset(_offset(_offset(section, radius), -2 * radius), radius)


def _rod(radius: float, start: tuple[float, float, float], end: tuple[float, float, float]) -> Manifold:
    a, b = np.array(start), np.array(end)
    length = float(np.linalg.norm(b - a))
    z = (b - a) / length
    x = np.cross(z, [0.31, 0.77, 0.55])
    x /= np.linalg.norm(x)
    frame = np.column_stack([x, np.cross(z, x), z, a])
    return Manifold.cylinder(length, radius, radius, _SEGMENTS).transform(frame)


def _slab(section: CrossSection, low: float, high: float) -> Manifold:
    return section.extrude(high - low).translate((0, 0, low))


def _boss(radius: float, low: float, high: float, fillet: float, x: float = 0.0, y: float = 0.0) -> Manifold:
    """A round boss that flares with a fillet at its foot and is rounded at its top."""
    turn = np.linspace(0, np.pi / 2, 12)
    foot = np.column_stack([radius + fillet - fillet * np.sin(turn), low + fillet - fillet * np.cos(turn)])
    edge = min(1.0, 0.2 * radius)
    top = np.column_stack([radius - edge + edge * np.cos(turn), high - edge + edge * np.sin(turn)])
    outline = np.vstack([[[0, low - 0.5], [radius + fillet, low - 0.5]], foot, top, [[0, high]]])
    return CrossSection([outline]).revolve(_SEGMENTS).translate((x, y, 0))


def rocker(rng: np.random.Generator) -> Manifold:
    """Pump rocker lever: webbed arm with a flange and three bored bosses (genus 3)."""
    left, right = rng.uniform(52, 62), rng.uniform(46, 58)
    lift, drop = rng.uniform(4, 12), rng.uniform(-8, 8)
    centre = _circle(15)
    plan = _hull(centre, _circle(12, -left, lift)) + _hull(centre, _circle(10.5, right, drop))
    plan = _filleted(plan, 2.5)
    solid = _slab(plan, -4, 4) + _slab(plan - _offset(plan, -4.0), -9, 9)
    for x, y, radius, half in ((0.0, 0.0, 12.0, 14.0), (-left, lift, 9.0, 11.0), (right, drop, 7.5, 12.0)):
        boss = _boss(radius, 3.5, half, 1.5, x, y)
        solid = solid + boss + boss.mirror((0, 0, 1))
        solid -= _slab(_circle(radius * 0.55, x, y), -half - 5, half + 5)
    return solid


def bracket(rng: np.random.Generator) -> Manifold:
    """Angle bracket: two filleted legs, two ribs, four bolt holes (genus 4)."""
    a, b, wide, thick = rng.uniform(60, 75), rng.uniform(48, 62), rng.uniform(40, 52), rng.uniform(7, 9)
    corner = _square(a, thick, a / 2, thick / 2) + _square(thick, b, thick / 2, b / 2)
    profile = _filleted(corner, 3.0)
    solid = _slab(profile, -wide / 2, wide / 2)
    rib = CrossSection([[[thick - 1, thick - 1], [a * 0.7, thick - 1], [thick - 1, b * 0.75]]])
    for z in (-wide * 0.24, wide * 0.24):
        solid += _slab(rib, z - 3, z + 3)
    for z in (-wide * 0.38, wide * 0.38):
        solid -= _rod(3.3, (a * 0.84, -5, z), (a * 0.84, thick + 9, z))
        solid -= _rod(3.3, (-5, b * 0.86, z), (thick + 9, b * 0.86, z))
    return solid


def wheel(rng: np.random.Generator) -> Manifold:
    """Spoked hand wheel: round rim, tapering spokes, bored hub (genus = spokes + 1)."""
    spokes = int(rng.integers(4, 7))
    radius, tube = rng.uniform(48, 58), rng.uniform(6, 7.5)
    solid = CrossSection.circle(tube, 64).translate((radius, 0)).revolve(240)
    hub = _boss(13, 5, 13, 2.0)
    solid = solid + _slab(_circle(15), -6, 6) + hub + hub.mirror((0, 0, 1))
    for turn in np.arange(spokes) * 360 / spokes + rng.uniform(0, 60):
        spoke = Manifold.cylinder(radius, 6.5, 4.5, 64).scale((0.8, 1.0, 1.0)).rotate((0, 90, 0))
        solid += spoke.rotate((0, 0, float(turn)))
    return solid - _slab(_circle(7.0), -30, 30)


def elbow(rng: np.random.Generator) -> Manifold:
    """Pipe elbow with two drilled flanges (genus 1 + 8 bolt holes)."""
    bend, bore, wall = rng.uniform(34, 42), rng.uniform(9, 11), rng.uniform(4, 5)
    flange = bore + wall + 12

    def bent(radius: float) -> Manifold:
        return CrossSection.circle(radius, 96).translate((bend, 0)).revolve(240, 90)

    def along(section: CrossSection, low: float, high: float) -> tuple[Manifold, Manifold]:
        first = _slab(section, low, high).rotate((-90, 0, 0)).translate((bend, 0, 0)).mirror((0, 1, 0))
        second = _slab(section, low, high).rotate((0, 90, 0)).translate((0, bend, 0)).mirror((1, 0, 0))
        return first, second

    solid = bent(bore + wall)
    for part in along(_circle(bore + wall), -1, 14) + along(_circle(flange), 12, 20):
        solid += part
    solid -= bent(bore)
    for part in along(_circle(bore), -0.5, 25):
        solid -= part
    for turn in np.arange(4) * np.pi / 2 + 0.6:
        x, y = (flange - 6.0) * np.cos(turn), (flange - 6.0) * np.sin(turn)
        for part in along(_circle(2.7, x, y), 10, 25):
            solid -= part
    return solid


def plate(rng: np.random.Generator) -> Manifold:
    """Thin flat cover plate, 3 mm, with four holes and a slot (genus 5)."""
    wide, high = rng.uniform(80, 100), rng.uniform(52, 66)
    outline = _filleted(_square(wide, high), 6)
    slot = _hull(_circle(4, wide * 0.1), _circle(4, wide * 0.27))
    outline -= slot.translate((0, high * 0.12))
    for x in (-wide / 2 + 8, wide / 2 - 8):
        for y in (-high / 2 + 8, high / 2 - 8):
            outline -= _circle(2.8, x, y)
    return _slab(outline, 0, 3.0)


def flange(rng: np.random.Generator) -> Manifold:
    """Flanged plate with a bolt circle, a spigot and a bore (genus = bolts + 1)."""
    radius, bolts = rng.uniform(42, 50), int(rng.integers(5, 8))
    plan = _circle(radius * 0.8)
    for turn in np.arange(bolts) * 2 * np.pi / bolts:
        plan += _circle(9, (radius - 9) * np.cos(turn), (radius - 9) * np.sin(turn))
    plan = _filleted(plan, 3)
    for turn in np.arange(bolts) * 2 * np.pi / bolts:
        plan -= _circle(3.2, (radius - 9) * np.cos(turn), (radius - 9) * np.sin(turn))
    solid = _slab(plan, 0, 8) + _boss(19, 8, 26, 3.0)
    return solid - _slab(_circle(12), -5, 40) - _slab(_circle(15), 16, 40)


def gear(rng: np.random.Generator) -> Manifold:
    """Cast gear: trapezoid teeth, webbed disc with lightening holes, keyed bore."""
    teeth, module, holes = int(rng.integers(20, 27)), rng.uniform(3.4, 4.0), int(rng.integers(4, 6))
    pitch = teeth * module / 2
    tooth, low, high = 2 * np.pi / teeth, pitch - 1.25 * module, pitch + module
    angles = (np.arange(teeth)[:, None] + np.array([-0.34, -0.26, -0.12, 0.12, 0.26, 0.34])) * tooth
    radii = np.tile([low, low + 0.4, high, high, low + 0.4, low], (teeth, 1))
    outline = np.stack([radii * np.cos(angles), radii * np.sin(angles)], axis=-1).reshape(-1, 2)
    plan = _offset(_offset(CrossSection([outline]), 0.5), -0.5)
    solid = _slab(plan, -9, 9)
    web = _circle(low - 6) - _circle(16)
    solid = solid - _slab(web, 3.5, 12) - _slab(web, -12, -3.5)
    for turn in np.arange(holes) * 2 * np.pi / holes + 0.4:
        middle = (low - 6 + 16) / 2
        solid -= _slab(_circle((low - 22) * 0.28, middle * np.cos(turn), middle * np.sin(turn)), -9, 9)
    bore = _circle(8) + _square(4, 5, 0, 8.5)
    return solid - _slab(bore, -20, 20)


def treadle(rng: np.random.Generator) -> Manifold:
    """Treadle of a foot-driven machine: open-work foot plate with a frame, ribs and pivot lugs."""
    wide, high = rng.uniform(120, 136), rng.uniform(78, 90)
    outer = _filleted(_square(wide, high), 9)
    solid = _slab(outer, 0, 5) + _slab(outer - _offset(outer, -6), 0, 11)
    columns, rows = 4, 3
    window = _filleted(_square(wide / columns * 0.52, high / rows * 0.5), 2.5)
    for i in range(columns):
        for j in range(rows):
            x, y = ((i + 0.5) / columns - 0.5) * (wide - 20), ((j + 0.5) / rows - 0.5) * (high - 18)
            solid -= _slab(window, -5, 20).translate((x, y, 0))
    for x in (-wide * 0.5 - 2, wide * 0.5 + 2):
        lug = _rod(8, (x - 7, 0, 8), (x + 7, 0, 8))
        solid = solid + lug - _rod(4, (x - 20, 0, 8), (x + 20, 0, 8))
    return solid


def connecting_rod(rng: np.random.Generator) -> Manifold:
    """Connecting rod of I section with a large and a small eye (genus 2)."""
    length = rng.uniform(88, 104)
    big, small = rng.uniform(19, 22), rng.uniform(11, 13)
    bar = CrossSection([[[0, -12], [length, -7.5], [length, 7.5], [0, 12]]])
    plan = _filleted(bar + _circle(big) + _circle(small, length), 4)
    pocket = CrossSection([[[big + 5, -7], [length - small - 5, -4], [length - small - 5, 4], [big + 5, 7]]])
    pocket = _filleted(pocket, 1.5)
    solid = _slab(plan, -7, 7) - _slab(pocket, 2.5, 20) - _slab(pocket, -20, -2.5)
    for x, radius, half in ((0.0, big, 11.0), (length, small, 9.0)):
        boss = _boss(radius - 1.5, 6.5, half, 1.0, x)
        solid = solid + boss + boss.mirror((0, 0, 1)) - _slab(_circle(radius * 0.6, x), -30, 30)
    return solid


def knob(rng: np.random.Generator) -> Manifold:
    """Free-form pump handle grip: no flat and no round surface anywhere (genus 0)."""
    length, base = rng.uniform(84, 100), rng.uniform(14, 17)
    phase = rng.uniform(0, 2 * np.pi, 5)

    def bulged(points: np.ndarray) -> np.ndarray:
        unit = np.asarray(points)
        t, around = unit[:, 2], np.arctan2(unit[:, 1], unit[:, 0])
        swell = base * (1 + 0.22 * np.sin(2.6 * t + phase[0]) + 0.10 * np.cos(5.1 * t + phase[1]))
        swell = swell * (1 + 0.10 * np.cos(2 * around + phase[2] + 1.2 * t) + 0.05 * np.cos(3 * around + phase[3]))
        bend = 7 * np.sin(1.7 * t + phase[4])
        return np.column_stack([unit[:, 0] * swell + bend, unit[:, 1] * swell * 0.85, t * length / 2])

    return Manifold.sphere(1.0, 256).warp_batch(bulged)


def thin_wall(rng: np.random.Generator) -> Manifold:
    """Thin-walled cover: an open box with 3 mm walls, two bosses and four screw holes (genus 6)."""
    wide, high, deep = rng.uniform(78, 92), rng.uniform(52, 62), rng.uniform(24, 30)
    outer = _filleted(_square(wide, high), 9)
    inner = _offset(outer, -3.0)
    lip = _filleted(_square(wide + 16, high + 12), 9)
    solid = _slab(outer, 0, deep) + _slab(lip, 0, 3.2) - _slab(inner, -1, deep - 3)
    for x in (-wide * 0.2, wide * 0.22):
        solid += _boss(8, deep, deep + 7, 2.0, x, 4.0)
        solid -= _slab(_circle(4, x, 4.0), -5, deep + 20)
    for x in (-wide / 2 - 3.8, wide / 2 + 3.8):
        for y in (-high * 0.3, high * 0.3):
            solid -= _slab(_circle(1.9, x, y), -5, 10)
    return solid


def round_bar(rng: np.random.Generator) -> Manifold:
    """A plain round bar: nothing but the break tells its turn or its two halves apart (genus 0)."""
    radius, half = rng.uniform(7, 11), rng.uniform(40, 55)
    outline = _filleted(_square(2 * radius, 2 * half), 1.5)
    return (outline ^ _square(radius, 4 * half, 0.5 * radius)).revolve(_SEGMENTS)


def flat_bar(rng: np.random.Generator) -> Manifold:
    """A plain flat bar with rounded edges: turned over and end for end it is the same (genus 0)."""
    wide, thick, half = rng.uniform(18, 26), rng.uniform(5, 8), rng.uniform(40, 55)
    return _slab(_filleted(_square(wide, thick), 1.2), -half, half)


SHAPES: dict[str, Builder] = {
    "rocker": rocker,
    "bracket": bracket,
    "wheel": wheel,
    "elbow": elbow,
    "plate": plate,
    "flange": flange,
    "gear": gear,
    "treadle": treadle,
    "connecting_rod": connecting_rod,
    "knob": knob,
    "thin_wall": thin_wall,
}

BARS: dict[str, Builder] = {"round_bar": round_bar, "flat_bar": flat_bar}
"""Bar stock: no feature of its own besides the break."""
