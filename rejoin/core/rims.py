"""What the rims beside two faces tell of poses between which their relief does not decide."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from rejoin.core.continuity import Running, running_on
from rejoin.core.evidence import LEAST_SCORE, Pose, covering
from rejoin.core.flat import RUNS_ON
from rejoin.core.outline import SHARE
from rejoin.core.surfaces import Surface

RIVAL, TIED = 0.5, 5.0 / 6.0
"""Shares of the best score from which another position is a rival, and from which the relief does not tell which."""


@dataclass(frozen=True, eq=False)
class Rims:
    """Two fragments, and in which poses it was looked at how their original surfaces run on."""

    first: Surface
    second: Surface
    seen: list[tuple[Pose, Running | None]] = field(default_factory=list)

    def covers(self, pose: Pose) -> bool:
        """Whether either face covers the other, or original surfaces run on beside them, as on two sides of a break.

        Relief that repeats itself fits a period aside as well, but then leaves both faces bare.
        """
        if covering(self.first, self.second, pose.a_from_b) > SHARE:
            return True
        running = self.running(pose)
        return running is not None and running.share > RUNS_ON

    def running(self, pose: Pose) -> Running | None:
        """How the original surfaces run on in a pose; None where too little rim is there to be judged."""
        known = next((one for one in self.seen if one[0] is pose), None)
        if known is None:
            known = pose, running_on(self.first.fragment, self.second.fragment, pose.a_from_b)
            self.seen.append(known)
        return known[1]

    def told_apart(self, poses: list[Pose]) -> list[Pose]:
        """Poses, best first, without those that the original surfaces refute, where the relief does not decide.

        Where one pose leads all others by its relief, its rims are looked at only if it leaves the faces bare.
        """
        likely = [pose for pose in poses if pose.evidence.score > max(LEAST_SCORE, RIVAL * poses[0].evidence.score)]
        if not likely or (len(likely) == 1 and self.covers(likely[0])):
            return poses
        running = [self.running(pose) for pose in likely]
        told = np.array([0.0 if one is None else one.told for one in running])
        tied = [pose.evidence.score > TIED * poses[0].evidence.score for pose in likely]
        best = int(np.argmax(np.where(tied, told, -np.inf)))
        if told[0] > told[best] - LEAST_SCORE:
            best = 0
        found = running[best]
        evidence = replace(likely[best].evidence, runs_on=None if found is None else found.share)
        refuted = [pose for pose, nats in zip(likely, told, strict=True) if nats < told[best] - LEAST_SCORE]
        others = [pose for pose in poses if not any(pose is one for one in (*refuted, likely[best]))]
        return [replace(likely[best], evidence=evidence), *others]
