"""Seeded broken parts with exact truth: shapes, fracture surfaces, scans."""

from tests.makers.cases import Case, make_case, worst_error_mm
from tests.makers.fracture import Surface
from tests.makers.shapes import BARS, SHAPES
from tests.makers.writing import write_case

__all__ = ["BARS", "SHAPES", "Case", "Surface", "make_case", "worst_error_mm", "write_case"]
