"""Dimensions: shapes fitted to scans, sizes between them with their uncertainty, caliper readings, datums, the sheet.

`figures`, `least_squares`, `consensus` and `shapes` fit; everything else stands on them.
"""

from rejoin.core.dimensions.shapes import KINDS, fit_shape, shape_content

__all__ = ["KINDS", "fit_shape", "shape_content"]
