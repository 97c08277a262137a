"""Finding, matching and assembling through the public steps, against exact truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rejoin.core import assembling, matching, polishing, search, steps
from rejoin.core.alignment.telling import Told
from rejoin.core.errors import NoAnswer
from rejoin.core.evidence import LEAST_SCORE, Pose, adjusted, believable, certain, decided, judge
from rejoin.core.matching import BATCHES, PAIRS, Search, match_pair
from rejoin.core.prepared import prepared
from rejoin.core.project import changed
from rejoin.core.records import Evidence, Mesh, Placement, Project, Scan
from rejoin.core.relief import relief
from rejoin.core.search import Gallery, Hypothesis, correlate
from rejoin.core.settings import silent
from rejoin.core.transforms import apply, displacement, identity, inverse
from tests.makers import Case, make_case, worst_error_mm

Broken = Callable[..., Case]
COARSE = {"spacing_mm": 0.7}


def project_of(case: Case, *numbers: int) -> Project:
    """A project of a case's scans (all of them by default), cleaned."""
    chosen = numbers or range(len(case.fragments))
    scans = tuple(Scan(f"f{n}", (f"f{n}",), case.fragments[n], "mm", True, False, (str(n),)) for n in chosen)
    return steps.clean(Project(scans=scans))


def placed(project: Project) -> Project:
    return steps.align(steps.match(steps.find_faces(project)))


@pytest.fixture(scope="module")
def bracket(broken: Broken) -> Case:
    return broken("bracket", 31, **COARSE)


@pytest.fixture(scope="module")
def joined(bracket: Case) -> Project:
    return placed(project_of(bracket))


def test_two_fragments_are_placed_near_the_truth(bracket: Case, joined: Project) -> None:
    pose = joined.placements[1].part_from_scan
    assert pose is not None
    assert worst_error_mm(bracket, 1, pose, 0, joined.placements[0].part_from_scan) < 0.2
    assert joined.joints[0].evidence.good
    assert joined.joints[0].evidence.runner_up < 0.5 * joined.joints[0].evidence.score


def test_a_joint_in_doubt_does_not_end_the_search(joined: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three pieces, of which any two fit somewhere with a doubt: each pair is looked at to the greatest depth."""
    sound = joined.joints[0].evidence
    depths: dict[int, list[int]] = {}

    class Doubtful:
        def __init__(self, *_: object) -> None:
            self.number, self.batches = len(depths), 1
            depths[self.number] = []
            far = identity()
            far[0, 3] = 1000.0 * (self.number + 1)
            self.poses = [Pose(far, replace(sound, score=1.5 * LEAST_SCORE, held=0.5, runner_up=0.0))]

        def glance(self) -> list[Pose]:
            return self.poses

        def deepen(self, depth: int, _: object) -> list[Pose]:
            depths[self.number].append(depth)
            return self.poses

        def persist(self) -> list[Pose]:
            return self.poses

    monkeypatch.setattr(assembling, "Search", Doubtful)
    ready = [prepared(fragment, ()) for fragment in (*joined.fragments, joined.fragments[0])]
    assert not assembling._decided(Doubtful().poses).good and assembling.believable(Doubtful().poses[0].evidence)
    depths.clear()
    assembling._found_among_many(ready, (), 2, silent)
    assert list(depths.values()) == [[1, 2]] * 3


def test_faces_held_by_every_vertex_are_not_said_to_slide() -> None:
    case = make_case("thin_wall", 278986552, spacing_mm=0.7, noise_mm=0.03)
    matched = steps.match(steps.find_faces(project_of(case)))
    before, found = matched.joints[0].evidence, steps.align(matched)
    assert before.held < 1.0 and not before.good and "could slide" in before.reason
    after = found.joints[0].evidence
    assert after.held > 1.0 and after.good and "slide" not in after.reason
    assert worst_error_mm(case, 1, found.placements[1].part_from_scan, 0, found.placements[0].part_from_scan) < 0.1


def test_round_bars_broken_flat_could_still_slide_by_every_vertex() -> None:
    """Which of these breaks come out a little bolder depends on the processor's own linear algebra."""
    told = []
    for seed in (1768509107, 1768509109, 6, 7):
        found = placed(project_of(make_case("round_bar", seed, spacing_mm=0.5, noise_mm=0.03, flat=True)))
        for evidence in (joint.evidence for joint in found.joints):
            told.append(evidence.held < 1.0)
            assert ("could slide" in evidence.reason) == told[-1] and not (told[-1] and evidence.good)
    assert any(told)


def test_what_is_said_of_an_adjusted_joint_takes_the_place_of_what_was_said_before() -> None:
    firm = decided(Evidence(200.0, 0.0, 300.0, 0.9, 0.03, 0.0, 2.0, False, ""), 0.0)
    assert firm.good and adjusted(firm, 2.0, "") is firm
    loose = adjusted(firm, 0.5, "")
    assert not loose.good and loose.reason == f"{firm.reason}; the faces are so smooth that they could slide"
    both = adjusted(loose, 0.5, "the rims stand apart")
    assert not both.good and both.reason == f"{loose.reason}, the rims stand apart"
    assert adjusted(both, 2.0, "").reason == firm.reason and adjusted(both, 2.0, "").good


def test_the_joint_covers_the_fracture_and_nothing_else(bracket: Case, joined: Project) -> None:
    face = joined.joints[0].face_a
    on_break = bracket.fracture[0][joined.fragments[0].mesh.triangles[face.triangles]].mean()
    assert on_break > 0.8


def test_edges_that_the_scanner_rounded_off_do_not_mislead(broken: Broken) -> None:
    """The crack seems to open towards its rims; by them these faces would be taken for strangers'."""
    case = broken("elbow", 31, spacing_mm=0.6, rounded=4)
    project = placed(project_of(case))
    first, second = project.placements
    assert first.part_from_scan is not None and second.part_from_scan is not None and project.joints[0].evidence.good
    assert worst_error_mm(case, 1, second.part_from_scan, 0, first.part_from_scan) < min(second.u95_mm, 0.4)


def test_the_bound_allows_for_what_smoothing_did_within_the_rims(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rims that were rounded off are left out; what lies inside of them was moved by the same smoothing."""
    case = make_case("bracket", 5, spacing_mm=1.0, rounded=4)
    project = placed(project_of(case))
    first, second = (placement.part_from_scan for placement in project.placements)
    again = steps.align(project)
    monkeypatch.setattr(Told, "doubt_smoothing", lambda *_: None)
    unaware = steps.align(project).placements[1].u95_mm
    bound, allowed = project.placements[1].u95_mm, again.placements[1].u95_mm
    assert first is not None and second is not None and unaware is not None and bound is not None
    assert worst_error_mm(case, 1, second, 0, first) < bound and allowed is not None and unaware < 0.97 * allowed


def test_rough_original_surfaces_do_not_hide_that_the_break_holds() -> None:
    """As cast, they are three times as rough as the scans' noise, which is told from them."""
    case = make_case("flange", 1000882760, spacing_mm=0.7, sand_cast_mm=0.12)
    scans = tuple(Scan(f"f{n}", (), mesh, "mm", True, False, ()) for n, mesh in enumerate(case.fragments))
    joined = steps.align(steps.match(steps.find_faces(steps.clean(Project(scans=scans)))))
    assert min(fragment.noise_mm for fragment in joined.fragments) > 2.0 * joined.joints[0].evidence.rms_mm / 2**0.5
    assert joined.joints[0].evidence.good and joined.joints[0].evidence.held > 1.0
    held, placed = (placement.part_from_scan for placement in joined.placements)
    assert held is not None and placed is not None and worst_error_mm(case, 1, placed, 0, held) < 0.2


def test_the_order_of_the_fragments_does_not_matter(bracket: Case, joined: Project) -> None:
    swapped = placed(project_of(bracket, 1, 0))
    first = joined.placements[1].part_from_scan
    second = swapped.placements[1].part_from_scan
    assert first is not None and second is not None
    assert displacement(first, inverse(second), bracket.fragments[1].vertices[::50]).max() < 0.1


def searched(project: Project) -> tuple[Search, Search]:
    """A search for the two fragments' joint, and the same once more."""
    project = steps.find_faces(project)
    ready = [
        prepared(fragment, tuple(face for face in project.faces if face.fragment == number))
        for number, fragment in enumerate(project.fragments)
    ]
    return Search(*ready), Search(*ready)


def test_a_search_goes_on_where_a_glance_ended(bracket: Case) -> None:
    glanced, fresh = searched(project_of(bracket))
    seen = glanced.glance()
    assert seen and glanced.done <= BATCHES[0], "the break is among the likeliest pairs of faces"
    first, second = glanced.deepen(2)[0], fresh.deepen(2)[0]
    assert np.abs(first.a_from_b - second.a_from_b).max() < 1e-9 and first.evidence.score == second.evidence.score
    assert certain(first.evidence, 0.0) and glanced.batches == 1, "what leaves no doubt is not looked for twice"


def test_a_glance_at_strangers_shows_nothing_and_a_closer_look_takes_no_pair_twice(
    bracket: Case, broken: Broken, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = broken("connecting_rod", 32, **COARSE)
    looked, _ = searched(project_of(replace(bracket, fragments=(bracket.fragments[0], other.fragments[1]))))
    compared: list[tuple[int, int]] = []
    differing, again = set[tuple[int, int]](), list[tuple[int, int]]()

    def correlated(one: Gallery, i: int, second: Gallery, j: int, unlike: float, **more: Any) -> list[Hypothesis]:
        poses = correlate(one, i, second, j, unlike=unlike, **more)
        if more:  # the overlapping parts of two faces that were compared
            return poses
        if (i, j) in differing:  # looked at again whatever their relief, at the very last
            assert np.isinf(unlike) and poses
            again.append((i, j))
            return poses
        compared.append((i, j))
        if not poses:
            differing.add((i, j))
        return poses

    monkeypatch.setattr(search, "correlate", correlated)
    assert looked.glance() == [] and len(compared) == looked.done == BATCHES[0]
    looked.deepen(1)
    assert looked.done == len(compared) == PAIRS[1]
    looked.deepen(2)
    assert len(compared) == len(set(compared)) > PAIRS[1]
    assert again and len(again) == len(set(again))


def test_pairs_that_are_together_for_certain_are_not_looked_into(
    broken: Broken, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of three fragments two pairs touch for certain: whether the third pair does is seen in place."""
    looked: list[int] = []
    deeper = Search.deepen
    monkeypatch.setattr(Search, "deepen", lambda self, depth, report: looked.append(depth) or deeper(self, depth))
    case = broken("bracket", 41, pieces=3, **COARSE)
    result = placed(project_of(case))
    assert all(placement.part_from_scan is not None for placement in result.placements)
    assert len(result.joints) == 2 and looked == [], "a glance at the pairs is enough"


@pytest.mark.parametrize("most, plain, batches, rims", [
    (np.inf, matching.PLAIN, 1, False), (np.inf, np.inf, 3, False), (40.0, matching.PLAIN, 3, True),
])  # fmt: skip
def test_smooth_faces_that_belong_together_are_plain_and_rims_told_only_where_little_else_does(
    bracket: Case, monkeypatch: pytest.MonkeyPatch, most: float, plain: float, batches: int, rims: bool
) -> None:
    """The bracket's faces, as if they were too smooth to hold."""
    asked: list[int] = []

    def smooth(*given: Any, **more: Any) -> Evidence:
        evidence = judge(*given, **more)
        return replace(evidence, held=min(evidence.held, 0.3), score=min(evidence.score, most))

    for module in (matching, polishing):
        monkeypatch.setattr(module, "judge", smooth)
    monkeypatch.setattr(matching, "laid_by_rims", lambda *_: asked.append(1))
    monkeypatch.setattr(matching, "PLAIN", plain)
    search, _ = searched(project_of(bracket))
    assert not decided(search.deepen(1)[0].evidence, 0.0).good
    assert search.batches == batches and bool(asked) == rims


def test_what_leaves_no_doubt_but_may_slide(joined: Project) -> None:
    """Certain is less than good: the faces may yet slide. Too little, or a rival, or too little contact is neither."""
    good = replace(joined.joints[0].evidence, score=100.0, touching_share=0.9, held=2.0)
    smooth = replace(good, held=0.3)
    assert decided(good, 0.0).good and not decided(smooth, 0.0).good and certain(smooth, 0.0)
    for short in (replace(good, score=49.0), replace(good, touching_share=0.3)):
        assert not certain(short, 0.0) and not decided(short, 0.0).good
    assert certain(good, 50.0) and not certain(good, 51.0)
    assert "next best 4 times weaker" in decided(good, 25.0).reason
    assert "next best nearly as strong" in decided(good, 90.0).reason


def test_the_same_input_gives_the_same_answer(bracket: Case, joined: Project) -> None:
    again = placed(project_of(bracket)).placements[1].part_from_scan
    assert np.abs(again - joined.placements[1].part_from_scan).max() < 1e-9


def test_strangers_are_refused(bracket: Case, broken: Broken) -> None:
    other = broken("connecting_rod", 32, **COARSE)
    mixed = replace(bracket, fragments=(bracket.fragments[0], other.fragments[1]))
    result = placed(project_of(mixed))
    assert not any(joint.evidence.good for joint in result.joints)
    lonely = [p for p in result.placements if p.part_from_scan is None]
    assert len(lonely) == 1 and "better than chance" in (lonely[0].why or "")


def test_a_rejected_joint_is_not_found_again(joined: Project) -> None:
    turned_down = tuple(replace(joint, state="rejected") for joint in joined.joints)
    again = steps.match(replace(changed(joined, faces=joined.faces), joints=turned_down))
    found = [joint for joint in again.joints if joint.state == "found"]
    assert not any(np.abs(joint.a_from_b - turned_down[0].a_from_b).max() < 0.5 for joint in found)


def test_a_pinned_joint_is_kept(joined: Project) -> None:
    pinned = tuple(replace(joint, state="pinned") for joint in joined.joints)
    again = steps.match(replace(changed(joined, faces=joined.faces), joints=pinned))
    assert len(again.joints) == 1 and again.joints[0] is pinned[0]


def test_one_fragment_alone_is_no_puzzle(bracket: Case) -> None:
    with pytest.raises(NoAnswer, match="only one fragment"):
        steps.match(project_of(bracket, 0))


def test_flat_faces_laid_together_are_no_evidence(bracket: Case, joined: Project) -> None:
    """Two smooth planes fit anywhere: closeness must count for nothing."""
    plain = _plate(0.0), _plate(1.0)
    scans = tuple(Scan(str(n), (str(n),), mesh, "mm", True, False, (str(n),)) for n, mesh in enumerate(plain))
    fragments = steps.clean(Project(scans=scans)).fragments
    first, second = (prepared(fragment, ()) for fragment in fragments)
    lying = np.diag([1.0, -1.0, -1.0, 1.0])
    evidence = judge(first.surface, second.surface, lying)
    assert evidence.touching_share > 0.9, "they do touch"
    assert not believable(decided(evidence, 0.0)) and not decided(evidence, 0.0).good


def _plate(seed: float, size: float = 24.0, spacing: float = 0.5) -> Mesh:
    """A closed flat box whose top lies at z = 0, with 0.02 mm of noise."""
    rng = np.random.default_rng(int(seed * 10) + 5)
    n = int(size / spacing)
    grid = np.stack(np.meshgrid(*[np.linspace(-size / 2, size / 2, n)] * 2, indexing="ij"), axis=-1).reshape(-1, 2)
    top = np.column_stack([grid, rng.normal(0, 0.02, len(grid))])
    bottom = np.column_stack([grid, np.full(len(grid), -6.0)])
    index = np.arange(n * n).reshape(n, n)
    a, b, c, d = (index[i, j].ravel() for i, j in
                  ((slice(-1), slice(-1)), (slice(1, None), slice(-1)), (slice(1, None), slice(1, None)),
                   (slice(-1), slice(1, None))))  # fmt: skip
    up = np.vstack([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    ring = np.concatenate([index[:, 0], index[-1, 1:], index[-2::-1, -1], index[0, -2:0:-1]])
    after = np.roll(ring, -1)
    under = n * n
    halves = [ring, ring + under, after], [after, ring + under, after + under]
    side = np.vstack([np.column_stack(half) for half in halves])
    return Mesh(np.vstack([top, bottom]), np.vstack([up, up[:, ::-1] + n * n, side]).astype(np.int32))


def test_relief_ignores_what_a_smooth_shape_explains() -> None:
    """Closed form: a paraboloid has no relief; a wave of amplitude h has h over its normal-consistent MAD."""
    rng = np.random.default_rng(1)
    x, y = rng.uniform(-10, 10, (2, 4000))
    up = np.tile([0.0, 0.0, 1.0], (4000, 1))
    assert relief(np.column_stack([x, y, 0.01 * x * x + 0.02 * x * y]), up) < 1e-3
    wave = 0.2 * np.sin(2 * np.pi * x / 1.5)
    # The median of |sin| is sin(45 degrees).
    assert relief(np.column_stack([x, y, wave]), up) == pytest.approx(1.4826 * 0.2 * np.sqrt(0.5), rel=0.05)


@pytest.mark.parametrize(
    ("change", "doubt"),
    [
        ({}, None),
        ({"score": 1.5 * LEAST_SCORE}, "too little"),
        ({"runner_up": 150.0}, "another position"),
        ({"held": 0.4}, "slide"),
        ({"touching_share": 0.2}, "do not touch"),
    ],
)
def test_each_doubt_is_said(change: dict[str, float], doubt: str | None) -> None:
    sound = {"score": 200.0, "runner_up": 0.0, "contact_area_mm2": 300.0, "touching_share": 0.9, "rms_mm": 0.03,
             "overlap_mm": 0.0, "held": 3.0, **change}  # fmt: skip
    runner_up = sound.pop("runner_up")
    evidence = decided(Evidence(**sound, runner_up=0.0, good=False, reason=""), runner_up)
    assert evidence.good is (doubt is None)
    assert doubt is None or doubt in evidence.reason


@pytest.mark.parametrize(("score", "runner_up", "placed"), [(26.0, 0.0, True), (24.0, 0.0, False), (30.0, 23.0, False),
                                                           (300.0, 240.0, True), (300.0, 260.0, False)])  # fmt: skip
def test_what_is_placed_at_all(score: float, runner_up: float, placed: bool) -> None:
    """A lead in nats where little is known, a sixth of the score where much is."""
    assert believable(Evidence(score, runner_up, 300.0, 0.9, 0.03, 0.0, 1.0, False, "")) is placed


def test_a_wrong_pose_has_less_evidence_than_the_right_one(bracket: Case) -> None:
    fragments = project_of(bracket).fragments
    first, second = (prepared(fragment, ()) for fragment in fragments)
    right = inverse(bracket.part_from_scan[0]) @ bracket.part_from_scan[1]
    middle = apply(right, bracket.fragments[1].vertices[bracket.fracture[1]]).mean(axis=0)
    turned = np.eye(4)
    turned[:3, :3] = np.diag([-1.0, -1.0, 1.0])
    turned[:3, 3] = middle - turned[:3, :3] @ middle
    assert judge(first.surface, second.surface, right).score > 4 * LEAST_SCORE
    assert judge(first.surface, second.surface, turned @ right).score < LEAST_SCORE


def test_a_joint_that_cannot_be_adjusted_leaves_its_fragment_out_with_a_reason(joined: Project) -> None:
    away = np.eye(4)
    away[:3, 3] = 500.0
    lost = replace(joined, joints=(replace(joined.joints[0], a_from_b=away),), placements=(), fits=(), whole=None)
    result = steps.align(lost)
    reasons = [p.why for p in result.placements if p.part_from_scan is None]
    assert len(reasons) == 1 and "nothing opposite" in (reasons[0] or "")
    with pytest.raises(NoAnswer, match="nothing opposite"):
        steps.align(replace(lost, joints=(replace(lost.joints[0], state="pinned"),)))


def test_fragments_that_fit_each_other_alone_are_told_so(joined: Project) -> None:
    (joint,) = joined.joints
    weaker = replace(joint.evidence, score=0.5 * joint.evidence.score)
    faces = [replace(face, fragment=face.fragment + 2) for face in (joint.face_a, joint.face_b)]
    other = replace(joint, a=2, b=3, face_a=faces[0], face_b=faces[1], evidence=weaker)
    again = [replace(one, scan=replace(one.scan, name=f"g{n}")) for n, one in enumerate(joined.fragments)]
    both = changed(joined, fragments=(*joined.fragments, *again), scans=(*joined.scans, *(one.scan for one in again)))
    found = steps.align(changed(both, joints=(joint, other)))
    placed_ones = [one.part_from_scan is not None for one in found.placements]
    assert placed_ones == [True, True, False, False]
    assert found.placements[2].why is not None and found.placements[2].why.startswith("g0 fits g1, but none of these")
    assert "by themselves" in found.placements[3].why


def test_no_faces_no_poses(bracket: Case) -> None:
    fragments = project_of(bracket).fragments
    assert match_pair(*(prepared(fragment, ()) for fragment in fragments)) == []


def test_the_whole_job_runs_in_order_and_stops_where_nothing_is_placed(monkeypatch: pytest.MonkeyPatch) -> None:
    ran: list[str] = []

    def named(name: str) -> Callable[..., Project]:
        def step(project: Project, settings: object, report: object) -> Project:
            ran.append(f"{name} {settings}")
            return project

        return step

    monkeypatch.setattr(steps, "STEPS", tuple((name, named(name)) for name, _ in steps.STEPS))
    nowhere = Project(placements=(Placement(np.eye(4), "program"), Placement(None, "program")))
    steps.join(nowhere, match="thorough")
    assert ran == ["clean None", "find_faces None", "match thorough", "align None", "measure_fit None"]
    steps.join(replace(nowhere, placements=nowhere.placements[:1] * 2))
    assert ran[-1] == "fuse None"


def test_too_little_for_a_step_is_a_sentence() -> None:
    for project, words in ((Project(), "no fragment here"), (Project(fragments=(None,)), "only one fragment")):  # type: ignore[arg-type]
        with pytest.raises(NoAnswer, match=words):
            steps.match(project)
    with pytest.raises(NoAnswer, match="no two placed fragments"):
        steps.fuse(Project(placements=(Placement(None, "program"),)))
