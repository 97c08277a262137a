"""Papers of a job: attached, kept, printed, written out again; projects from before they were are still read."""

from __future__ import annotations

import hashlib
import json
import zipfile
from pathlib import Path

import numpy as np
import pytest

from rejoin.cli import main
from rejoin.core import edits, steps
from rejoin.core.card import card_content, card_html
from rejoin.core.cardtables import Shown
from rejoin.core.errors import FileTrouble, WrongUse
from rejoin.core.records import Project
from rejoin.core.settings import CleanSettings
from rejoin.core.storage import load_project, save_project
from tests.makers import make_case, write_case

PIXEL = bytes.fromhex("89504e470d0a1a0a0000000d49484452000000010000000108060000001f15c4890000000d49444154789c63f8cf"
                      "c0f01f000501017f5a9d1cd20000000049454e44ae426082")  # fmt: skip


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Project:
    files = write_case(make_case("knob", 3, spacing_mm=1.2), tmp_path_factory.mktemp("scans"))
    return steps.clean(steps.read(files))


def test_papers_are_kept_and_printed(project: Project, tmp_path: Path) -> None:
    (tmp_path / "mark.png").write_bytes(PIXEL)
    noted = edits.attach(project, "casting mark", "raised 4 beside the spout")
    noted = edits.attach(noted, "photograph", "before cleaning", tmp_path / "mark.png")
    back = load_project(save_project(noted, tmp_path / "job.rejoin"))
    assert [one.kind for one in back.attachments] == ["casting mark", "photograph"]
    data = back.attachments[1].data
    assert data is not None and data.tobytes() == PIXEL
    assert back.attachments[1].sha256 == hashlib.sha256(PIXEL).hexdigest()
    page = card_html(back, "pump", "today", "1", Shown("mm"), {"paper-1": "where/the/photograph.is"})
    assert "raised 4 beside the spout" in page and "src='where/the/photograph.is'><br>before cleaning" in page
    assert card_content(back, "1")["papers"][1]["kept"] is True
    assert edits.detach(back, 0).attachments[0].kind == "photograph"


def test_what_was_left_open_is_not_printed_as_a_choice(project: Project) -> None:
    plain = card_html(project, "pump", "today", "1", Shown("mm"), {})
    assert "flip inside out: yes" in plain and "coat 0" not in plain and "most triangles" not in plain
    chosen = steps.clean(project, CleanSettings(coat_mm=0.1, most_triangles=2.0))
    told = card_html(chosen, "pump", "today", "1", Shown("mm"), {})
    assert "coat 0.1 mm" in told and "most triangles: 2.0 million" in told


def test_wrong_papers_are_refused(project: Project, tmp_path: Path) -> None:
    (tmp_path / "words.txt").write_text("x")
    for call in (("recipe", "x"), ("part", "  "), ("photograph", "x", tmp_path / "words.txt"), ("original", "x")):
        with pytest.raises(WrongUse):
            edits.attach(project, *call)  # type: ignore[arg-type]
    with pytest.raises(WrongUse):
        edits.detach(project, 0)


def test_originals_are_checked_kept_and_written_back(project: Project, tmp_path: Path) -> None:
    kept = edits.keep_originals(project)
    assert len(kept.attachments) == 2 and edits.keep_originals(kept).attachments == kept.attachments
    paths = edits.write_originals(kept, tmp_path)
    assert [hashlib.sha256(path.read_bytes()).hexdigest() for path in paths] == [s.sha256[0] for s in project.scans]
    again = edits.write_originals(kept, tmp_path)
    assert not set(paths) & set(again)
    file = Path(project.scans[0].files[0])
    whole = file.read_bytes()
    try:
        file.write_bytes(whole + b"x")
        with pytest.raises(FileTrouble, match="has changed"):
            edits.keep_originals(project)
    finally:
        file.write_bytes(whole)


def test_the_command_adds_and_lists(project: Project, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = str(save_project(project, tmp_path / "job.rejoin"))
    assert main(["papers", path, "--about", "scanner", "--text", "turntable, exposure 3"]) == 0
    assert main(["papers", path, "--keep-originals", "--write-to", str(tmp_path)]) == 0
    told = capsys.readouterr().out
    assert "1. scanner: turntable, exposure 3" in told and "kept in the project" in told
    assert main(["papers", path, "--text", "about what?"]) == 2


def test_a_project_from_before_papers_roles_and_views_is_read(project: Project, tmp_path: Path) -> None:
    path = save_project(project, tmp_path / "old.rejoin")
    new = {"views", "views_u95_mm", "role", "mirrored", "faults", "attachments"}
    with zipfile.ZipFile(path) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    content = json.loads(members["project.json"])
    assert any(new & entry["fields"].keys() for entry in content["records"].values())
    for entry in content["records"].values():
        entry["fields"] = {name: value for name, value in entry["fields"].items() if name not in new}
    members["project.json"] = json.dumps(content).encode()
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    old = load_project(path)
    assert [scan.role for scan in old.scans] == ["fragment", "fragment"] and old.attachments == ()
    assert np.array_equal(old.fragments[0].mesh.vertices, project.fragments[0].mesh.vertices)
