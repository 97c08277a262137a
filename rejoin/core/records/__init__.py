"""The values that pass between the steps: frozen, in millimetres, in named frames.

Arrays are read-only (`frozen`). A matrix is named for where it goes:
``part_from_scan`` takes scan coordinates to the part's frame, and inner names
meet: ``part_from_a @ a_from_b``.
"""

from rejoin.core.records.base import FloatArray, IntArray, Record, frozen
from rejoin.core.records.dimensions import DimensionCheck, FitUp, Reading, ScaleCheck, Shape, StatedSize
from rejoin.core.records.joints import Evidence, FractureFace, Joint
from rejoin.core.records.lessons import FaceScore, PlacementScore, Replay, ReplayRound, Score
from rejoin.core.records.making import MadeBody, MadePart, MadeStep, MakePick
from rejoin.core.records.maps import SurfaceMap
from rejoin.core.records.placements import FitReport, LayerDoubt, Placement
from rejoin.core.records.project import Attachment, Project, StepRecord
from rejoin.core.records.scans import Fragment, Hole, Mesh, Repair, SamePlaces, Scan, ScanFault, ScanView
from rejoin.core.records.whole import ByNumber, Fill, Whole

__all__ = [
    "Attachment",
    "ByNumber",
    "DimensionCheck",
    "Evidence",
    "FaceScore",
    "Fill",
    "FitReport",
    "FitUp",
    "FloatArray",
    "FractureFace",
    "Fragment",
    "Hole",
    "IntArray",
    "Joint",
    "LayerDoubt",
    "MadeBody",
    "MadePart",
    "MadeStep",
    "MakePick",
    "Mesh",
    "Placement",
    "PlacementScore",
    "Project",
    "Reading",
    "Record",
    "Repair",
    "Replay",
    "ReplayRound",
    "SamePlaces",
    "ScaleCheck",
    "Scan",
    "ScanFault",
    "ScanView",
    "Score",
    "Shape",
    "StatedSize",
    "StepRecord",
    "SurfaceMap",
    "Whole",
    "frozen",
]
