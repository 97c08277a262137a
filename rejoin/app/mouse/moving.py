"""Moving and turning a fragment by hand: freely, or along three arrows and round three arcs."""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation

from rejoin.app.parts import colours
from rejoin.app.view.front import Stroke, arrow
from rejoin.app.view.scene import Scene
from rejoin.core.records import FloatArray
from rejoin.core.transforms import apply, rigid

NEAR_PX = 9.0
"""How near the pointer must come to a handle."""

Handle = tuple[str, int]
"""("shift" or "turn", number of the axis)."""


class Handles:
    """Arrows and arcs at the middle of one fragment, along the directions of the bench."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.fragment: int | None = None

    def show(self, fragment: int | None) -> None:
        """Put the handles on a fragment, or away."""
        self.fragment = fragment if fragment in self.scene.fragments else None
        strokes: list[Stroke] = []
        if self.fragment is not None:
            for (kind, axis), points in self._lines().items():
                colour = colours.AXES[axis]
                strokes += arrow(points[0], points[-1], colour) if kind == "shift" else [Stroke(points, colour, 4.0)]
        self.scene.front.show("handles", strokes)
        self.scene.view.update()

    def at(self, x: float, y: float) -> Handle | None:
        """The handle under a display position."""
        if self.fragment is None:
            return None
        reach = NEAR_PX * self.scene.view.devicePixelRatioF()
        best: tuple[float, Handle] | None = None
        for handle, points in self._lines().items():
            ends = points if handle[0] == "turn" else points[0] + np.linspace(0.25, 1, 16)[:, None] * (
                points[-1] - points[0])  # fmt: skip
            shown = self.scene.view.project(ends)[:, :2]
            if self._end_on(handle, shown):
                continue
            far = float(_distance(shown, np.array([x, y])))
            if far < reach and (best is None or far < best[0]):
                best = far, handle
        return best[1] if best else None

    def _end_on(self, handle: Handle, shown: FloatArray) -> bool:
        """Whether a handle is seen so much from its end that a small drag would move the fragment far."""
        if handle[0] == "shift":
            return float(np.linalg.norm(shown[-1] - shown[0])) < 40.0 * self.scene.view.devicePixelRatioF()
        towards = np.array(self.scene.view.renderer.GetActiveCamera().GetPosition()) - self.centre()
        return abs(float(towards[handle[1]])) < 0.2 * float(np.linalg.norm(towards))

    def centre(self) -> FloatArray:
        """The middle of the fragment (3,), world frame."""
        assert self.fragment is not None
        middle = self.scene.fragments[self.fragment].display.box.mean(axis=0)
        return np.asarray(apply(self.scene.poses()[self.fragment], middle[None])[0])

    def _lines(self) -> dict[Handle, FloatArray]:
        assert self.fragment is not None
        low, high = self.scene.fragments[self.fragment].display.box
        size, centre = float(np.linalg.norm(high - low)), self.centre()
        angles = np.linspace(np.radians(15), np.radians(75), 17)
        lines: dict[Handle, FloatArray] = {}
        for axis in range(3):
            one, two, out = np.roll(np.eye(3), -axis - 1, axis=0)
            lines["shift", axis] = np.array([centre, centre + 0.5 * size * out])
            arc = np.cos(angles)[:, None] * one + np.sin(angles)[:, None] * two
            lines["turn", axis] = centre + 0.4 * size * arc
        return lines


class Drag:
    """One drag of a fragment; `pose` says where it would stand with the pointer at a display position."""

    def __init__(self, scene: Scene, fragment: int, point: FloatArray, x: float, y: float,
                 handle: Handle | None = None, centre: FloatArray | None = None) -> None:  # fmt: skip
        self.scene, self.fragment, self.handle = scene, fragment, handle
        self.start = scene.poses()[fragment]
        self.point, self.origin = point, (x, y)
        middle = scene.fragments[fragment].display.box.mean(axis=0)
        self.centre = centre if centre is not None else apply(self.start, middle[None])[0]

    def pose(self, x: float, y: float, turns: bool) -> FloatArray:
        if self.handle is not None:
            kind, axis = self.handle
            return self._along(x, y, np.eye(3)[axis]) if kind == "shift" else self._round(x, y, np.eye(3)[axis])
        return self._turned(x, y) if turns else self._shifted(x, y)

    def _shifted(self, x: float, y: float) -> FloatArray:
        renderer = self.scene.view.renderer
        renderer.SetWorldPoint(*self.point, 1.0)
        renderer.WorldToDisplay()
        depth = renderer.GetDisplayPoint()[2]
        ends = []
        for at in (self.origin, (x, y)):
            renderer.SetDisplayPoint(*at, depth)
            renderer.DisplayToWorld()
            world = np.array(renderer.GetWorldPoint())
            ends.append(world[:3] / world[3])
        return rigid(np.eye(3), ends[1] - ends[0]) @ self.start

    def _turned(self, x: float, y: float) -> FloatArray:
        camera = self.scene.view.renderer.GetActiveCamera()
        out = np.array(camera.GetViewPlaneNormal())
        right = np.cross(np.array(camera.GetViewUp()), out)
        right /= np.linalg.norm(right)
        up = np.cross(out, right)
        size = max(self.scene.view.height() * self.scene.view.devicePixelRatioF(), 1.0)
        angle = np.array([x - self.origin[0], y - self.origin[1]]) * (np.pi / size)
        return self._about(Rotation.from_rotvec(angle[0] * up - angle[1] * right).as_matrix())

    def _along(self, x: float, y: float, axis: FloatArray) -> FloatArray:
        shown = self.scene.view.project(np.array([self.centre, self.centre + axis]))[:, :2]
        way = shown[1] - shown[0]
        amount = float((np.array([x, y]) - self.origin) @ way) / max(float(way @ way), 1e-9)
        return rigid(np.eye(3), amount * axis) @ self.start

    def _round(self, x: float, y: float, axis: FloatArray) -> FloatArray:
        middle = self.scene.view.project(self.centre[None])[0, :2]
        before, now = np.array(self.origin) - middle, np.array([x, y]) - middle
        angle = np.arctan2(now[1], now[0]) - np.arctan2(before[1], before[0])
        towards = np.array(self.scene.view.renderer.GetActiveCamera().GetPosition()) - self.centre
        return self._about(Rotation.from_rotvec(angle * np.sign(axis @ towards) * axis).as_matrix())

    def _about(self, turn: FloatArray) -> FloatArray:
        return rigid(turn, self.centre - turn @ self.centre) @ self.start


def _distance(line: FloatArray, point: FloatArray) -> float:
    """From a point (2,) to a line through (k, 2)."""
    start, way = line[:-1], np.diff(line, axis=0)
    share = np.einsum("ij,ij->i", point - start, way) / np.maximum(np.square(way).sum(axis=1), 1e-12)
    return float(np.linalg.norm(start + np.clip(share, 0, 1)[:, None] * way - point, axis=1).min())
