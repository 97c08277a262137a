"""open3d brought in without its pictures for the browser, which nobody here looks at.

They pull in a web server and a plotting library: more than half of the time of
the import, and a socket that is opened to see what this machine can do.
"""

from __future__ import annotations

import sys
from threading import Lock
from types import ModuleType
from typing import Any

PICTURES = "open3d.visualization.draw_plotly"

_one_at_a_time = Lock()


def the_open3d() -> Any:
    """The module open3d."""
    with _one_at_a_time:
        if "open3d" not in sys.modules:
            sys.modules[PICTURES] = _no_pictures()
        import open3d

        return open3d


def _no_pictures() -> ModuleType:
    """Stands where the module with the pictures would."""
    empty = ModuleType(PICTURES)
    for name in ("get_plotly_fig", "draw_plotly", "draw_plotly_server"):
        setattr(empty, name, None)
    return empty
