"""What is told about a project outside it: the content of the FIT file and of the list of scans.

Everything here is plain numbers, texts and lists, ready for JSON: what is not
a finite number becomes null. Lengths named ``_mm`` are millimetres; the others
are in the unit that stands beside them.
"""

from rejoin.core.report.fit import complete, fit_content, joint_content, told_joints, verdict_of
from rejoin.core.report.frames import NOT_JOINED, common_frame, in_unit, settled_placements, whole_in_common_frame
from rejoin.core.report.plain import tidy, write_json
from rejoin.core.report.scans import files_as_typed, names_of, same_scans, scan_content, view_content
from rejoin.core.report.whole import whole_content, whole_measures, whole_words, write_whole_report

__all__ = [
    "NOT_JOINED",
    "common_frame",
    "complete",
    "files_as_typed",
    "fit_content",
    "in_unit",
    "joint_content",
    "names_of",
    "same_scans",
    "scan_content",
    "settled_placements",
    "tidy",
    "told_joints",
    "verdict_of",
    "view_content",
    "whole_content",
    "whole_in_common_frame",
    "whole_measures",
    "whole_words",
    "write_json",
    "write_whole_report",
]
