"""Where a scan had better be made again, shown in the view of row 10."""

from __future__ import annotations

from rejoin.app.view.front import Words
from rejoin.app.view.scene import Scene
from rejoin.app.words.sentences import Units
from rejoin.core.records import Project
from rejoin.core.transforms import apply

GROUP = "faults"


class FaultMarks:
    """A few words at every fault that has a place, while the scans are shown."""

    def __init__(self, scene: Scene) -> None:
        self._scene, self._project, self._units = scene, Project(), Units("mm")
        scene.moved.connect(self._show)

    def tell(self, project: Project, units: Units) -> None:
        """Mark the faults of these scans."""
        self._project, self._units = project, units
        self._show()

    def _show(self) -> None:
        scene, words = self._scene, []
        shown = scene.shown() if scene.mode == "scans" else {}
        for number, fragment in enumerate(self._project.fragments):
            faults = fragment.faults if number in shown else None
            pose = scene.poses().get(number) if faults else None
            for fault in faults or ():
                if fault.place_mm is not None and pose is not None:
                    words.append(Words(f"scan again here: {self._units.length(fault.size_mm)}",
                                       apply(pose, fault.place_mm[None])[0], scene.palette.on_accent,
                                       scene.palette.accent, 13, lift=10))  # fmt: skip
        if words or scene.front.shows(GROUP):
            scene.front.show(GROUP, words=words)
            scene.view.update()
