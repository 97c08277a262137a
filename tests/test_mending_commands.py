"""`rejoin split` and `rejoin compare`, by the command line."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from rejoin.cli import main
from rejoin.core import meshes
from rejoin.core.files import read_fragment
from rejoin.core.records import Mesh
from rejoin.core.settings import ReadSettings
from tests.core.test_glued import glued, swollen
from tests.makers import make_case
from tests.makers.views import _meshed
from tests.makers.writing import _write_ply

pytestmark = pytest.mark.usefixtures("fewer_tries")


def test_split_writes_two_sides_and_tells_what_is_unknown(tmp_path: Path, capsys: object) -> None:
    fragment, marks = glued(swollen(), np.array([0.0, 0.0, 0.0, 0.0, 0.0, 0.2]))
    _write_ply(tmp_path / "lever.ply", fragment.mesh, 1.0)
    np.savetxt(tmp_path / "seam.csv", marks, delimiter=",")
    sides = [str(tmp_path / name) for name in ("a.ply", "b.ply")]
    call = ["split", str(tmp_path / "lever.ply"), "--unit", "mm", "--seam", str(tmp_path / "seam.csv"),
            "--json", str(tmp_path / "glue.json")]  # fmt: skip
    assert main([*call, "--out", *sides, "--whole", str(tmp_path / "whole.ply")]) == 1
    whole = read_fragment(tmp_path / "whole.ply", ReadSettings(unit="mm")).mesh
    assert meshes.is_closed(whole) and meshes.volume(whole) == pytest.approx(swollen().volume(), rel=2e-3)
    told = json.loads((tmp_path / "glue.json").read_text())
    assert abs(told["thickness_mm"] - 0.2) < 0.05 and told["unknown"]
    assert all(Path(side).stat().st_size > 10_000 for side in sides)
    assert main([*call, "--out", *sides, "--size", "1,2,3"]) == 2


def test_compare_finds_a_bent_part_and_clears_a_straight_one(tmp_path: Path) -> None:
    intact = make_case("knob", 3, spacing_mm=1.6).intact
    rng = np.random.default_rng(0)
    _write_ply(tmp_path / "whole.ply", _meshed(intact, 1.6, rng), 1.0)
    straight = _meshed(intact, 1.6, rng)
    _write_ply(tmp_path / "straight.ply", Mesh(straight.vertices + [30.0, 0, 0], straight.triangles), 1.0)
    z = straight.vertices[:, 2]
    bent = straight.vertices + np.column_stack([1.2 * np.clip((z - 10.0) / 30.0, 0.0, None) ** 2, 0 * z, 0 * z])
    _write_ply(tmp_path / "bent.ply", Mesh(bent, straight.triangles), 1.0)
    half = np.flatnonzero((z < np.median(z))[straight.triangles].all(axis=1))
    _write_ply(tmp_path / "half.ply", meshes.compacted(straight, half.astype(np.int32))[0], 1.0)
    found = {}
    for name in ("straight", "bent", "half"):
        main(["compare", str(tmp_path / "whole.ply"), str(tmp_path / f"{name}.ply"), "--unit", "mm",
              "--json", str(tmp_path / "out.json"), "--map", str(tmp_path / "map.csv")])  # fmt: skip
        found[name] = json.loads((tmp_path / "out.json").read_text())
    assert found["straight"]["worst_mm"] < 0.25 < 0.5 < found["bent"]["worst_mm"]
    assert found["straight"]["bend"] is None and not found["straight"]["distorted"] and found["bent"]["distorted"]
    assert found["bent"]["bend"]["off_mm"] > 0.6 * 1.2 and "is bent" in found["bent"]["sentence"]
    assert found["straight"]["shown_share"] > 0.99 and "only" not in found["straight"]["sentence"]
    assert 0.3 < found["half"]["shown_share"] < 0.7 and "the rest was not compared" in found["half"]["sentence"]
    assert len((tmp_path / "map.csv").read_text().splitlines()) > 1000
