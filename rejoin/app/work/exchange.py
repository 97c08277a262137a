"""Projects and other answers between two processes: what did not change is not sent again and stays the same object."""

from __future__ import annotations

from typing import Any

from rejoin.core.codec import Arrays, Table, pack, unpack
from rejoin.core.records import Mesh, Project, Record, SurfaceMap

Message = tuple[dict[str, Any], Arrays]


class Exchange:
    """One end of the wire.

    Both ends keep the last question and its answer alive, so each knows which
    arrays the other holds. A question starts this memory anew; that bounds it.
    """

    def __init__(self) -> None:
        self._table = Table()
        self._kept: list[Record] = []
        self._shared: set[str] = set()

    def write(self, project: Record, question: bool) -> Message:
        """The record as a skeleton and the arrays that the other end lacks."""
        skeleton, arrays = pack(project, self._table)
        lacking = {key: array for key, array in arrays.items() if key not in self._shared}
        self._keep(project, arrays, question)
        return skeleton, lacking

    def read(self, message: Message, question: bool) -> Record:
        """The record of a message from the other end."""
        project = unpack(*message, self._table)
        self._keep(project, pack(project, self._table)[1], question)
        return project

    def meshes_to_draw(self, project: Record) -> dict[str, Mesh]:
        """Key and mesh of whatever the view draws of a record that passed here."""
        meshes = [project.mesh] if isinstance(project, SurfaceMap) else []
        if isinstance(project, Project):
            meshes += [fragment.mesh for fragment in project.fragments]
            meshes += [project.whole.mesh] if project.whole is not None else []
            meshes += [mesh for part in project.made for mesh in (part.mesh, *(body.mesh for body in part.bodies))]
        known = ((self._table.entry_of(mesh), mesh) for mesh in meshes)
        return {entry[0]: mesh for entry, mesh in known if entry is not None}

    def _keep(self, project: Record, arrays: Arrays, question: bool) -> None:
        self._kept = [project] if question else [*self._kept, project]
        self._shared = set(arrays) | (set() if question else self._shared)
