"""Parts of scan bodies that a scanner does not see."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from accstudy.geometry.rigid import Rigid, unit
from accstudy.simulate.field import random_field
from accstudy.simulate.rounded import Shape

__all__ = ["HOLE_SIDES", "cut_hole"]

Floats = NDArray[np.float64]
Labels = NDArray[np.int32]

HOLE_SIDES = ("hidden", "interproximal", "undercut", "one")


def cut_hole(
    vertices_mm: Floats,
    faces: Labels,
    on_body: NDArray[np.bool_],
    body: Shape,
    place: Rigid,
    *,
    share: float,
    side: str,
    others: Sequence[Floats],
    rng: np.random.Generator,
) -> tuple[Labels, float]:
    """Take a share of a body's usable surface out of the scan.

    Parameters
    ----------
    vertices_mm, faces : ndarray
        The scan, model frame.
    on_body : (n,) ndarray of bool
        Which vertices are this body's.
    body : Shape
        Its shape.
    place : Rigid
        Its pose: from the implant's into the model frame.
    share : float
        Share of the area above ``use_above_mm`` to take away.
    side : {"hidden", "interproximal", "undercut", "one"}
        Which side; see `simulate_scan`.
    others : sequence of (3,) ndarray
        Platforms of the other implants.
    rng : Generator
        Source of chance; used equally whatever the options.

    Returns
    -------
    faces : ndarray
        What is left.
    coverage : float
        Share, 0 to 1, of the body's surface above ``use_above_mm`` that the
        scan shows, found at the places of a fine drawing: the nearest triangle
        is near and not taken away.
    """
    kind = str(rng.choice(HOLE_SIDES[1:])) if side == "hidden" else side
    chance, ragged_seed = rng.uniform(0, 2 * np.pi), rng.integers(1 << 30)
    mine = np.flatnonzero(on_body[faces].all(axis=1))
    if not len(mine):
        return faces, 0.0
    corners = place.inverse().points(vertices_mm[faces[mine]])
    middle, area = corners.mean(axis=1), _area(corners)
    usable = middle[:, 2] > body.use_above_mm
    kept = np.ones(len(mine), bool)
    if share > 0:
        score = _hidden(middle, body, place, others, kind, chance)
        ragged = np.random.default_rng(ragged_seed)
        score += 0.15 * random_field(middle, ragged, correlation_mm=1.5, n_waves=60)
        order = np.flatnonzero(usable)[np.argsort(-score[usable], kind="stable")]
        gone = order[np.cumsum(area[order]) <= share * area[usable].sum()]
        if len(gone):
            kept[gone] = False
            kept[~usable & (score >= score[gone].min())] = False
    rest = np.ones(len(faces), bool)
    rest[mine[~kept]] = False
    edge = np.median(np.linalg.norm(corners[:, 1] - corners[:, 0], axis=1))
    places, weight = _usable_places(body)
    gap, nearest = cKDTree(middle).query(places)
    shown = (gap < 0.9 * edge) & kept[nearest]
    return faces[rest], round(float(weight[shown].sum() / weight.sum()), 4)


def _hidden(
    points: Floats,
    body: Shape,
    place: Rigid,
    others: Sequence[Floats],
    kind: str,
    chance: float,
) -> Floats:
    """How hidden points of the implant frame are: sideways first, low first, the top last."""
    across = unit(points[:, :2] + [1e-12, 0.0])
    ways = [np.array([np.cos(chance), np.sin(chance)])]
    if kind == "interproximal" and others:
        order = np.argsort([np.linalg.norm(o - place.translation_mm) for o in others])
        ways = [place.inverse().points(others[i])[:2] for i in order[:2]]
    elif kind == "undercut" and np.hypot(*place.rotation[2, :2]) > 0.02:
        ways = [-place.rotation[2, :2]]
    facing = np.max([across @ unit(way) for way in ways], axis=0)
    on_top = points[:, 2] > body.height_mm - 0.1
    return np.asarray(facing - 0.08 * points[:, 2] - 0.8 * on_top)


@cache
def _usable_places(body: Shape) -> tuple[Floats, Floats]:
    mesh = body.drawing(segment_mm=0.2).mesh
    corners = mesh.vertices_mm[mesh.faces]
    usable = corners.mean(axis=1)[:, 2] > body.use_above_mm
    return corners[usable].mean(axis=1), _area(corners[usable])


def _area(corners: Floats) -> Floats:
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return np.asarray(0.5 * np.linalg.norm(cross, axis=1))
