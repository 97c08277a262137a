"""From one revision to the next: what a trial showed is applied once, listed, and taken back in one step.

The companion file of a part holds all that was asked for; the next revision is made from it and the notes of the trial.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from rejoin.core.errors import FileTrouble, RejoinError, WrongUse
from rejoin.core.making.faces import name_of
from rejoin.core.making.picks import pick_content, pick_of
from rejoin.core.records import MadePart, MakePick
from rejoin.core.settings import MakeSettings, as_pairs

Factors = tuple[float, float, float]


@dataclass(frozen=True)
class Asked:
    """All that a revision was made with: settings, picks of every revision so far, printer factors by revision."""

    settings: MakeSettings
    picks: tuple[MakePick, ...]
    printer: tuple[tuple[str, Factors], ...] = ()
    revision: str = "A"

    @property
    def correction(self) -> Factors:
        """The printer's factors from all measured prints, together."""
        product = np.prod([factors for _, factors in self.printer], axis=0) if self.printer else np.ones(3)
        return float(product[0]), float(product[1]), float(product[2])


def asked_content(asked: Asked) -> dict[str, Any]:
    """As the companion file keeps it."""
    return {
        "settings": dict(as_pairs(asked.settings)),
        "picks": [pick_content(pick) for pick in asked.picks],
        "printer": [{"revision": revision, "factors": list(factors)} for revision, factors in asked.printer],
        "revision": asked.revision,
    }


def read_companion(path: str | Path) -> tuple[dict[str, Any], Asked]:
    """A companion file, and what its part was made with.

    Raises
    ------
    FileTrouble
        Missing, or not such a file.
    """
    name = Path(path).name
    try:
        content = json.loads(Path(path).read_text(encoding="utf-8"))
        asked = content["asked"]
        known = {item.name for item in fields(MakeSettings)}
        settings = MakeSettings(**{key: value for key, value in asked["settings"].items() if key in known})
        picks = tuple(pick_of(one) for one in asked["picks"])
        printer = tuple((str(one["revision"]), _three(one["factors"])) for one in asked["printer"])
        return content, Asked(settings, picks, printer, str(asked["revision"]))
    except OSError as error:
        raise FileTrouble(f"{path} cannot be read ({error.strerror}).", "Look at the name and the folder.") from error
    except RejoinError:
        raise
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise FileTrouble(f"{name} does not tell what a part was made with.",
                          "Give the JSON file that was written beside the part.") from error  # fmt: skip


def _three(values: Sequence[float]) -> Factors:
    x, y, z = (float(one) for one in values)
    return x, y, z


def next_revision(asked: Asked, picks: Sequence[MakePick], factors: Factors) -> Asked:
    """The revision after this one, with what the trial of this one showed.

    Raises
    ------
    WrongUse
        A trial that showed nothing, or the letters have run out.
    """
    if not picks and factors == (1.0, 1.0, 1.0):
        raise WrongUse("The trial's notes hold no correction.", "Write down what was tight or loose, or measured.")
    if asked.revision >= "Z":
        raise WrongUse("There is no revision after Z.", "Make the part anew from the whole.")
    letter = chr(ord(asked.revision) + 1)
    marked = tuple(replace(pick, revision=letter) for pick in picks)
    printer = asked.printer if factors == (1.0, 1.0, 1.0) else (*asked.printer, (letter, factors))
    return Asked(asked.settings, (*asked.picks, *marked), printer, letter)


def revision_before(asked: Asked) -> Asked:
    """Without all that the last trial brought.

    Raises
    ------
    WrongUse
        At the first revision.
    """
    if asked.revision <= "A":
        raise WrongUse("This is the first revision; there is nothing to take back.", "Leave --undo away.")
    letter = chr(ord(asked.revision) - 1)
    return Asked(asked.settings, tuple(p for p in asked.picks if p.revision <= letter),
                 tuple(one for one in asked.printer if one[0] <= letter), letter)  # fmt: skip


def difference(part: MadePart, asked: Asked, before: Mapping[str, Any]) -> dict[str, Any]:
    """How a part differs from the one that an older companion file tells of: sizes of the undivided part, mm."""
    old = before.get("undivided", {})
    size = np.ptp(part.mesh.vertices, axis=0)
    was = np.asarray(old.get("size_mm", [np.nan] * 3), float)
    corrections = [
        f"{name_of(pick)}: {pick.amount:+.3g} mm" + (f" ({pick.note})" if pick.note else "")
        for pick in asked.picks if pick.what == "fit" and pick.revision == asked.revision
    ]  # fmt: skip
    corrections += [
        "printer: x " + " x ".join(f"{one:.6f}" for one in factors)
        for letter, factors in asked.printer if letter == asked.revision
    ]  # fmt: skip
    return {
        "from_revision": before.get("revision"),
        "corrections": corrections,
        "size_mm": (size - was).tolist(),
        "volume_mm3": undivided(part)["volume_mm3"] - float(old.get("volume_mm3", np.nan)),
    }


def undivided(part: MadePart) -> dict[str, Any]:
    """Size and volume of the part as it stands before it is parted."""
    from rejoin.core.meshes import volume

    return {"size_mm": np.ptp(part.mesh.vertices, axis=0).tolist(), "volume_mm3": volume(part.mesh)}
