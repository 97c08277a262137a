"""What the rims beside two faces tell of poses between which their relief does not decide."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from rejoin.core.contact.skirts import HALF_STRETCH
from rejoin.core.continuity import FEWEST_STRETCHES, Running, running_on
from rejoin.core.evidence import LEAST_SCORE, Pose, covering, judge
from rejoin.core.flat import RUNS_ON
from rejoin.core.icp import refined
from rejoin.core.surfaces import Surface

RIVAL = 0.5
"""Share of the best score from which another position is a rival."""

LETS_SLIDE = 0.8
"""Share of its score that a pose keeps, if the relief does not hold it, where it slides as far as the rims would."""

WHOLE = 0.95
"""Share of both faces that lie on each other from which neither is bare: what noise and ragged rims leave of all."""


@dataclass(frozen=True, eq=False)
class Looked:
    """A pose, how the original surfaces run on in it, and the nats they tell for it."""

    pose: Pose
    running: Running | None

    @property
    def told(self) -> float:
        return 0.0 if self.running is None else self.running.told - self.running.aside


@dataclass(frozen=True, eq=False)
class Rims:
    """Two fragments, and in which poses it was looked at how their original surfaces run on."""

    first: Surface
    second: Surface
    seen: list[tuple[Pose, Looked]] = field(default_factory=list)

    def covers(self, pose: Pose) -> bool:
        """Whether either face covers the other, or original surfaces run on beside them, as on two sides of a break.

        Relief that repeats itself fits a period aside as well, but then leaves both faces bare.
        """
        if covering(self.first, self.second, pose.a_from_b) > WHOLE:
            return True
        looked = self.looked_at(pose)
        running = looked.running
        return looked.pose is pose and running is not None and running.share > RUNS_ON and not running.against

    def looked_at(self, pose: Pose) -> Looked:
        """The pose, or where the rims lead from it if the relief agrees, and how the original surfaces run on there."""
        known = next((looked for one, looked in self.seen if one is pose), None)
        if known is None:
            known = self._led(Looked(pose, self._running(pose)))
            self.seen.append((pose, known))
        return known

    def _running(self, pose: Pose) -> Running | None:
        return running_on(self.first.fragment, self.second.fragment, pose.a_from_b)

    def _led(self, looked: Looked) -> Looked:
        """Where the rims lead: there at once if the relief lets it slide, or by ICP from there."""
        if looked.running is None or not looked.running.aside:
            return looked
        for a_from_b in (looked.running.a_from_b, refined(self.first, self.second, looked.running.a_from_b)):
            pose = Pose(a_from_b, judge(self.first, self.second, a_from_b))
            if pose.evidence.score > LETS_SLIDE * looked.pose.evidence.score:
                return max(looked, Looked(pose, self._running(pose)), key=lambda one: one.told)
        return looked

    def told_apart(self, poses: list[Pose]) -> list[Pose]:
        """Poses, best first, without those that the original surfaces refute, where the relief does not decide.

        Where one pose leads all others by its relief, its rims are looked at only if it leaves the faces bare.
        """
        likely = [pose for pose in poses if pose.evidence.score > max(LEAST_SCORE, RIVAL * poses[0].evidence.score)]
        if not likely or (len(likely) == 1 and self.covers(likely[0])):
            return poses
        looked = [self.looked_at(pose) for pose in likely]
        best = max(looked, key=lambda one: one.told)
        if looked[0].told > best.told - LEAST_SCORE:
            best = looked[0]
        first = replace(best.pose, evidence=replace(best.pose.evidence, against=self._against(best)))
        rest = [one.pose for one in looked if one is not best and one.told > best.told - LEAST_SCORE]
        return [first, *rest, *(pose for pose in poses if not any(pose is one for one in likely))]

    def _against(self, looked: Looked) -> str:
        """Words where no rim is there to speak though it should; what rims say is heard once the pose is exact."""
        if looked.running is not None:
            return ""
        spacing = max(self.first.fragment.spacing_mm, self.second.fragment.spacing_mm)
        # No outline is shorter than a circle; either rim is asked once in each stretch.
        rim_mm = 2.0 * float(np.sqrt(np.pi * looked.pose.evidence.contact_area_mm2))
        asked = 2.0 * rim_mm / (2.0 * HALF_STRETCH * spacing)
        bare = asked > 2.0 * FEWEST_STRETCHES and covering(self.first, self.second, looked.pose.a_from_b) < RUNS_ON
        return "the faces leave each other bare, and the original surfaces beside them do not meet" if bare else ""
