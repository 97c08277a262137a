"""How strongly views that lie on each other pull back, measured: they are moved along what seems to hold them least.

What surfaces hold is told by their normals, and noise in the normals hides a weak hold: the bound is then far too wide.
Moved by a spacing or more and paired anew, surfaces that run along the motion pull nowhere, whatever their noise; edges
and forms that hold it pull back.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np

from rejoin.core.abreast import abreast
from rejoin.core.alignment.solver import Solver
from rejoin.core.alignment.state import NothingOpposite, State
from rejoin.core.records import FloatArray
from rejoin.core.transforms import from_vector, orthonormal
from rejoin.core.uncertainty.bounds import pose_covariance
from rejoin.core.uncertainty.equations import Layout, Statement, heard

LOOSE = 1.0
"""Spacings that a motion may lead away (95 %) above which its hold is measured."""
MOVED = (1.0, 2.5)
"""Spacings by which the views are moved along it, either way: the least pull counts."""
MOST = 4
"""Motions held less firmly than that, above which the views are loose."""


def pulled_back(solver: Solver, state: State, statements: list[Statement]) -> FloatArray:
    """Information (size, size) on the poses that the statements lack, by moving the views.

    Parameters
    ----------
    solver : Solver
        That has listened to the noise.
    state : State
        The adjusted poses.
    statements : list of Statement
        What the overlaps say there.

    Returns
    -------
    (size, size)
        To be added to what the statements say. A motion that the surfaces do not pull back both ways adds nothing.
    """
    layout = solver.layout_at(state.poses)
    spacing = max(max(a.spacing_mm, b.spacing_mm) for a, b in solver.sides)
    found = np.zeros((layout.size, layout.size))
    unit = np.concatenate([np.repeat([1.0 / solver.sizes[n], 1.0], 3) for n in layout.movable])
    covariance = pose_covariance(layout, state.contacts, statements, found) / unit[:, None] / unit
    values, vectors = np.linalg.eigh(covariance)
    weak = vectors[:, 1.96 * np.sqrt(np.maximum(values, 0.0)) > LOOSE * spacing]
    if not 0 < weak.shape[1] <= MOST:
        return found

    def pulls(motion: FloatArray) -> FloatArray:
        return weak.T @ (unit * _pull(solver, layout, state, unit * motion))

    try:
        steps = list(product(weak.T, (spacing, -spacing)))
        told = abreast(lambda step, _: pulls(step[1] * step[0]), steps)
        stiff = np.stack([(back - forth) / (2.0 * spacing) for forth, back in zip(told[::2], told[1::2], strict=True)])
        own = weak @ np.linalg.eigh(0.5 * (stiff + stiff.T))[1]
        steps = list(product(own.T, [sign * far * spacing for far in MOVED for sign in (1.0, -1.0)]))
        told = abreast(lambda step, _: -own.T @ (weak @ pulls(step[1] * step[0])) / step[1], steps)
    except NothingOpposite:
        return found
    rows = len(MOVED) * 2
    least = np.array([min(one[k] for one in told[k * rows : (k + 1) * rows]) for k in range(own.shape[1])])
    before = layout.assembled(state.contacts, [s.held(s.pose) for s in statements])[layout.poses, layout.poses]
    own_unit = own * unit[:, None]
    more = np.maximum(least - np.einsum("ik,ij,jk->k", own_unit, before, own_unit), 0.0)
    # A motion's pull is told by what is moved in it: the same motion, read off the poses.
    read = own / unit[:, None]
    found[layout.poses, layout.poses] = (read * more) @ read.T
    return found


def _pull(solver: Solver, layout: Layout, state: State, motion: FloatArray) -> FloatArray:
    """The force (n,) of all overlaps on the poses, once they are moved by ``motion`` (n,)."""
    moves = {n: from_vector(motion[layout.pose(n)], layout.centres[n]) for n in layout.movable}
    poses = {n: orthonormal(moves[n] @ pose) if n in moves else pose for n, pose in state.poses.items()}
    moved, force = replace(state, poses=poses), np.zeros(layout.size)
    for number, model in enumerate(solver.models):
        contact = solver.contact(number, moved, None, True)
        force += layout.columns(contact, number).T @ heard(contact, model).right
    return force[layout.poses]
