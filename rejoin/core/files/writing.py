"""Placeholder."""
from pathlib import Path
from rejoin.core.records import Mesh
WRITABLE = (".ply", ".stl", ".obj", ".3mf")
