"""An alignment to watch: every round with its poses, its misfit and some of its pairs.

The fragments are drawn apart first, as a hand would set them down, so that
there is something to see. Then the aligner itself brings them together: once
with a long reach, once as the project's own settings say.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace

import numpy as np
from scipy.spatial.transform import Rotation

from rejoin.core.contact import Side, opposite, side_of
from rejoin.core.errors import Cancelled, NoAnswer
from rejoin.core.meshes import triangle_crosses
from rejoin.core.placing import place_fragments
from rejoin.core.records import FloatArray, Fragment, Joint, Placement, Project, Replay, ReplayRound
from rejoin.core.robust import SIGMA, robust_scale
from rejoin.core.settings import AlignSettings, Report, part_of, silent
from rejoin.core.transforms import displacement, inverse, rigid
from rejoin.core.uncertainty.stated import known_sizes

AWAY = 10.0
"""How far a fragment is drawn off its neighbour, spacings."""

ASIDE = 9.0
"""How far it is shifted along the face, spacings."""

ASKEW = 7.0
"""How far the rim of its face moves when it is turned, spacings."""

TOLD = 160
"""Pairs kept of a round, over all joints."""

LOOKED_AT = 1_500
"""Vertices of a face that tell the misfit of a round."""

STILL = 0.03
"""A round that moves nothing by this share of the spacing is not worth a picture."""

MOST_TRIES = 4

BACK = 3.0
"""The first pass must end this near to where the fragments were placed, spacings: else it went astray."""

Poses = dict[int, FloatArray]


def replayed(
    project: Project, settings: AlignSettings | None = None, report: Report = silent, drawn_apart: bool = True
) -> Replay:
    """Align the fragments of a project again and keep every round.

    Parameters
    ----------
    project : Project
        With placements; its stated sizes are observed.
    settings : AlignSettings, optional
        By default those with which the project was aligned.
    report : Report, optional
    drawn_apart : bool
        Draw the fragments off each other first. Else the rounds are those of `steps.align` from the joints as they
        stand, to the last bit.

    Returns
    -------
    Replay

    Raises
    ------
    NoAnswer
        Where no two fragments are joined, or they do not come together again.
    """
    settings = settings or settings_of(project)
    joints = tuple(joint for joint in project.joints if joint.state != "rejected")
    placed = {n: p.part_from_scan for n, p in enumerate(project.placements) if p.part_from_scan is not None}
    joints = tuple(joint for joint in joints if joint.a in placed and joint.b in placed)
    if not joints:
        raise NoAnswer("There is no alignment to replay yet.", "Join the fragments first.")
    film = _Film(project.fragments, joints)
    if drawn_apart:
        joints = _from_afar(project.fragments, joints, placed, settings, film, part_of(report, 0.0, 0.5))
    _, placements = place_fragments(
        project.fragments, joints, settings, part_of(report, 0.5, 1.0), known_sizes(project.stated), film.watch
    )
    film.watch("the answer", {n: p.part_from_scan for n, p in enumerate(placements) if p.part_from_scan is not None})
    return film.replay(project)


def settings_of(project: Project) -> AlignSettings:
    """The settings with which the project was aligned last."""
    known = {item.name for item in fields(AlignSettings)}
    told = next((record.settings for record in reversed(project.history) if record.step == "align"), ())
    return AlignSettings(**{name: value for name, value in told if name in known})


def _from_afar(
    fragments: Sequence[Fragment], joints: tuple[Joint, ...], placed: Poses, settings: AlignSettings, film: _Film,
    report: Report,
) -> tuple[Joint, ...]:  # fmt: skip
    """The joints as a first pass with a long reach leaves them, from fragments drawn off each other."""
    wide = replace(settings, reach=min(max(settings.reach, AWAY + ASIDE + ASKEW) * 1.5, 50.0), missing_layer=False)
    for turn in range(MOST_TRIES):
        apart = _drawn_apart(fragments, joints, placed, 0.5**turn)
        film.begin(apart)
        try:
            done, stand = place_fragments(tuple(fragments), _as_they_stand(joints, apart), wide, report, (), film.watch)
        except Cancelled:
            raise
        except NoAnswer:
            continue
        back = {n: p.part_from_scan for n, p in enumerate(stand) if p.part_from_scan is not None and n in placed}
        if set(back) == set(placed) and _apart(fragments, placed, back) < BACK * film.spacing:
            film.keep()
            return done
    raise NoAnswer("The fragments do not come together again when they are drawn apart.", "Look at the joint itself.")


def _as_they_stand(joints: Sequence[Joint], poses: Poses) -> tuple[Joint, ...]:
    return tuple(replace(joint, a_from_b=inverse(poses[joint.a]) @ poses[joint.b]) for joint in joints)


def _drawn_apart(fragments: Sequence[Fragment], joints: Sequence[Joint], placed: Poses, share: float) -> Poses:
    """part_from_scan of fragments that are drawn off those before them and a little askew."""
    first = min(placed)
    poses = {first: placed[first]}
    while len(poses) < len(placed):
        step = next((j for j in joints if (j.a in poses) != (j.b in poses)), None)
        if step is None:
            return placed
        new, old, face = (step.b, step.a, step.face_a) if step.a in poses else (step.a, step.b, step.face_b)
        mesh, spacing = fragments[old].mesh, max(fragments[old].spacing_mm, fragments[new].spacing_mm)
        out = triangle_crosses(mesh)[face.triangles].sum(axis=0)
        out /= np.linalg.norm(out)
        corners = mesh.vertices[np.unique(mesh.triangles[face.triangles])]
        middle, reach = corners.mean(axis=0), float(np.linalg.norm(np.ptp(corners, axis=0))) / 2.0
        rng = np.random.default_rng([17, new])
        axis, aside = rng.normal(size=(2, 3))
        aside -= aside @ out * out
        turned = Rotation.from_rotvec(share * ASKEW * spacing / reach * axis / np.linalg.norm(axis)).as_matrix()
        shift = AWAY * out + ASIDE * aside / np.linalg.norm(aside)
        move = rigid(turned, middle - turned @ middle + share * spacing * shift)
        poses[new] = poses[old] @ move @ inverse(placed[old]) @ placed[new]
    return poses


class _Film:
    """Collects rounds."""

    def __init__(self, fragments: Sequence[Fragment], joints: Sequence[Joint]) -> None:
        self.fragments, self.joints = fragments, joints
        self.order = tuple(sorted({end for joint in joints for end in (joint.a, joint.b)}))
        self.sides: list[tuple[Side, Side]] = [
            (side_of(fragments[j.a], j.face_a.triangles), side_of(fragments[j.b], j.face_b.triangles)) for j in joints
        ]
        self.spacing = max(fragments[n].spacing_mm for n in self.order)
        self.rounds: list[ReplayRound] = []
        self.kept = 0

    def begin(self, poses: Poses) -> None:
        """A film that begins at these poses."""
        self.rounds = []
        self._add("drawn apart", poses)
        self.kept = 1

    def keep(self) -> None:
        """A pass is over: what follows is another one."""
        self.kept = len(self.rounds)

    def watch(self, stage: str, poses: Poses) -> None:
        """Keep a round, unless nothing can be seen to move."""
        if stage == "start":  # a try that was given up is forgotten; the pass before it is not
            del self.rounds[self.kept :]
            if self.rounds:
                return
        if any(number not in poses for number in self.order):
            return
        poses = self._from_first(poses)
        if self.rounds and stage != "the answer" and self._moved(poses) < STILL * self.spacing:
            return
        self._add(stage, poses)

    def _from_first(self, poses: Poses) -> Poses:
        """The poses in the frame in which the film began: that of its first fragment."""
        if not self.rounds:
            return poses
        home = self.rounds[0].poses[0] @ inverse(poses[self.order[0]])
        return {number: home @ poses[number] for number in self.order}

    def _moved(self, poses: Poses) -> float:
        last = self.rounds[-1].poses
        return max(
            float(displacement(poses[n], last[k], self.fragments[n].mesh.vertices[::97]).max())
            for k, n in enumerate(self.order)
        )

    def _add(self, stage: str, poses: Poses) -> None:
        gaps, areas, ends = [], [], []
        for joint, (a, b) in zip(self.joints, self.sides, strict=True):
            pairs = opposite(a, b, poses[joint.a], poses[joint.b], 80.0 * self.spacing, LOOKED_AT, True)
            gaps.append(pairs.gaps)
            areas.append(pairs.areas)
            some = pairs.where(np.arange(0, len(pairs.areas), max(1, len(self.joints) * len(pairs.areas) // TOLD)))
            ends.append((some.points_a, some.points_b))
        every = np.concatenate(gaps)
        misfit = robust_scale(every, np.concatenate(areas)) / SIGMA if len(every) else float("nan")
        self.rounds.append(
            ReplayRound(stage, np.stack([poses[n] for n in self.order]), misfit,
                        np.vstack([one for one, _ in ends]), np.vstack([other for _, other in ends]))
        )  # fmt: skip

    def replay(self, project: Project) -> Replay:
        a, b = self.sides[0]
        last = dict(zip(self.order, self.rounds[-1].poses, strict=True))
        return Replay(self.order, tuple(self.rounds), how_far_off(project.placements, last, self.fragments),
                      float(np.hypot(a.noise_mm, b.noise_mm)))  # fmt: skip


def how_far_off(placements: Sequence[Placement], poses: Poses, fragments: Sequence[Fragment]) -> float:
    """How far the worst point of any fragment is from where it was placed, seen from the first of ``poses``, mm."""
    stood = {n: placements[n].part_from_scan for n in poses}
    held = {n: pose for n, pose in stood.items() if pose is not None}
    return _apart(fragments, held, poses) if len(held) == len(poses) else float("nan")


def _apart(fragments: Sequence[Fragment], one: Poses, other: Poses) -> float:
    """How far the worst point of any fragment is apart in two sets of poses, seen from the first fragment, mm."""
    first = min(one)
    home = one[first] @ inverse(other[first])
    return max(float(displacement(home @ other[n], one[n], fragments[n].mesh.vertices).max()) for n in one)
