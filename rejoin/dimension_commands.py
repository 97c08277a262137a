"""What the commands about dimensions do, once the command line is understood."""

from __future__ import annotations

import argparse

from rejoin.commands import check_target
from rejoin.core import report as telling
from rejoin.core.dimensions import fit_shape, shape_content
from rejoin.core.files.points import Points, read_points
from rejoin.core.meshes import vertex_normals
from rejoin.core.records import FloatArray, Mesh
from rejoin.terminal import say


def measure_command(arguments: argparse.Namespace) -> int:
    """Fit one shape to the points of a file."""
    if arguments.json:
        check_target(arguments.json, "JSON file", [arguments.file], ())
    points = read_points(arguments.file, arguments.unit)
    if not points.unit_stated:
        say("no unit in this file, taken as mm; use --unit if that is wrong")
    shape = fit_shape(arguments.shape, points.values_mm, _normals(points))
    content = telling.tidy(shape_content(shape))
    if arguments.json:
        telling.write_json(arguments.json, content)
    params = ", ".join(f"{name} {_told(value)}" for name, value in content["params"].items())
    zone = content["minimum_zone_mm"]
    print(f"{shape.kind}: {params}")
    print(f"  rms {shape.rms_mm:.4g} mm, form {shape.form_deviation_mm:.4g} mm by least squares"
          + ("" if zone is None else f", {zone:.4g} mm by minimum zone")
          + f"; {100 * shape.used_share:.1f} % of the points used")  # fmt: skip
    print("  scale not proven: no caliper reading stands beside this scan")
    return 0


def _normals(points: Points) -> FloatArray | None:
    if not len(points.triangles):
        return None
    normals = vertex_normals(Mesh(points.values_mm, points.triangles))
    return normals if (normals != 0).any(axis=1).all() else None


def _told(value: float | list[float] | None) -> str:
    if isinstance(value, list):
        return "(" + ", ".join(f"{one:.5g}" for one in value) + ")"
    return "?" if value is None else f"{value:.6g}"
