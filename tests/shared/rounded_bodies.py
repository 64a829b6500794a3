"""Invented scan bodies with fillets: solids known exactly, and drawings of any fineness.

A body is an outline with rounded corners, either drawn upwards with a rounded
rim (a prism) or turned about the axis.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from accstudy.locate.scan_body import ScanBody
from accstudy.simulate.bodies import stack

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Outline:
    """A closed outline, counter-clockwise, whose corners are rounded by arcs.

    Parameters
    ----------
    corners : tuple of (float, float, float)
        x, y and radius of each corner, mm; radius 0 is sharp.
    """

    corners: tuple[tuple[float, float, float], ...]

    @cached_property
    def _pieces(self) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Where the arcs begin and end, their centres, radii, and 1 or -1 for convex or not."""
        points = np.array(self.corners)[:, :2]
        radius = np.array(self.corners)[:, 2]
        before, after = (
            _unit(np.roll(points, 1, axis=0) - points),
            _unit(np.roll(points, -1, axis=0) - points),
        )
        half = np.arccos(np.clip(np.sum(before * after, axis=1), -1, 1)) / 2
        cut = radius / np.tan(half)
        middle = _unit(before + after)
        centre = points + (radius / np.sin(half))[:, None] * middle
        convex = np.sign(before[:, 1] * after[:, 0] - before[:, 0] * after[:, 1])
        start, end = points + cut[:, None] * before, points + cut[:, None] * after
        return start, end, centre, radius, convex

    def distance(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """Signed distance, (n,), negative inside, and its gradient, (n, 2)."""
        start, end, centre, radius, convex = self._pieces
        best = np.full(len(points_mm), np.inf)
        foot = np.zeros_like(points_mm)
        arc = np.zeros(len(points_mm))  # sign known from the arc that is nearest
        for i in range(len(radius)):
            a, b = end[i], start[(i + 1) % len(radius)]
            d = b - a
            t = np.clip((points_mm - a) @ d / max(float(d @ d), 1e-300), 0, 1)
            at = a + t[:, None] * d
            away = np.linalg.norm(points_mm - at, axis=1)
            wins = away < best
            best[wins], foot[wins], arc[wins] = away[wins], at[wins], 0.0
            if radius[i] == 0:
                continue
            out = points_mm - centre[i]
            length = np.maximum(np.linalg.norm(out, axis=1), 1e-12)
            from_start, to_end = start[i] - centre[i], end[i] - centre[i]
            turn = convex[i]
            within = (turn * _cross(from_start, out) >= 0) & (turn * _cross(out, to_end) >= 0)
            away = np.where(within, np.abs(length - radius[i]), np.inf)
            wins = away < best
            best[wins] = away[wins]
            foot[wins] = (centre[i] + out * (radius[i] / length)[:, None])[wins]
            arc[wins] = (convex[i] * np.sign(length - radius[i]))[wins]
        inside = self._contains(points_mm)
        sign = np.where(arc != 0, arc, np.where(inside, -1.0, 1.0))
        gradient = points_mm - foot
        gradient = gradient * (sign / np.maximum(best, 1e-12))[:, None]
        close = best < 1e-9
        if close.any():  # on the outline itself: a hair's breadth outside tells
            step = 1e-6 * np.array([np.cos(0.7), np.sin(0.7)])
            _, gradient[close] = self.distance(points_mm[close] + step)
        return sign * best, gradient

    def _contains(self, points_mm: Floats) -> NDArray[np.bool_]:
        """Whether points lie in the polygon of corners and arcs' chords."""
        start, end, _, radius, _ = self._pieces
        ring = np.concatenate(
            [np.stack([s, e]) if r else s[None] for s, e, r in zip(start, end, radius, strict=True)]
        )
        inside = np.zeros(len(points_mm), bool)
        x, y = points_mm.T
        for (ax, ay), (bx, by) in zip(ring, np.roll(ring, -1, axis=0), strict=True):
            crosses = (ay > y) != (by > y)
            with np.errstate(divide="ignore", invalid="ignore"):
                inside ^= crosses & (x < ax + (y - ay) * (bx - ax) / (by - ay))
        return inside

    def sample(self, steps: int, segment_mm: float) -> tuple[Floats, Floats]:
        """Points along the outline, and where each goes when it is moved outwards by 1 mm.

        Parameters
        ----------
        steps : int
            Chords of a quarter of a turn; an arc gets its share, two at least.
        segment_mm : float
            Longest chord of a straight part.
        """
        start, end, centre, radius, convex = self._pieces
        points, ways = [], []
        for i in range(len(radius)):
            previous, following = end[i - 1], start[(i + 1) % len(radius)]
            n1, n2 = _right(start[i] - previous), _right(following - end[i])
            if radius[i] == 0:
                points.append(start[i][None])
                ways.append(((n1 + n2) / (1 + n1 @ n2))[None])
            else:
                angle = float(np.arctan2(_cross(n1, n2), n1 @ n2))
                count = max(2, round(steps * abs(angle) / (np.pi / 2)))
                count += count % 2 * (abs(start[i] + end[i])[0] < 1e-9)  # a point on the axis
                turn = np.linspace(0, angle, count + 1)
                n = np.column_stack(
                    [
                        n1[0] * np.cos(turn) - n1[1] * np.sin(turn),
                        n1[0] * np.sin(turn) + n1[1] * np.cos(turn),
                    ]
                )
                points.append(centre[i] + convex[i] * radius[i] * n)
                ways.append(n)
            between = np.linspace(
                end[i],
                following,
                max(1, round(np.linalg.norm(following - end[i]) / segment_mm)) + 1,
            )[1:-1]
            points.append(between)
            ways.append(np.tile(n2, (len(between), 1)))
        return np.concatenate(points), np.concatenate(ways)


@dataclass(frozen=True)
class RoundedShape:
    """A solid with fillets in the implant frame.

    Parameters
    ----------
    name : str
        Name of the shape.
    outline : Outline
        Seen along the axis; of a turned body seen from the side, symmetric to
        its y axis, which is the implant's axis.
    height_mm : float
        Height over the platform.
    rim_mm : float
        Radius of the upper rim of a prism.
    turned : bool
        Whether the outline is turned about the axis.
    fold : int
        How often a full turn brings the solid onto itself; 0 for a round one.
    use_above_mm : float
        Height below which locating ignores the surface.
    """

    name: str
    outline: Outline
    height_mm: float
    rim_mm: float = 0.0
    turned: bool = False
    fold: int = 1
    use_above_mm: float = 2.0

    @property
    def has_flat(self) -> bool:
        """Whether the solid fixes the rotation about its axis."""
        return self.fold == 1

    @property
    def radius_mm(self) -> float:
        """Largest distance from the axis."""
        corners = np.array(self.outline.corners)[:, :2]
        return float(np.abs(corners[:, 0]).max() if self.turned else np.hypot(*corners.T).max())

    def distance(
        self, points_mm: Floats, *, edge_rounding_mm: float = 0.0
    ) -> tuple[Floats, Floats]:
        """Signed distance to the surface and its gradient.

        Parameters
        ----------
        points_mm : (n, 3) ndarray
            Points in the implant frame.
        edge_rounding_mm : float
            Least radius of the upper rim of a prism.

        Returns
        -------
        distance : (n,) ndarray
            Negative inside.
        gradient : (n, 3) ndarray
            Of unit length.
        """
        p = points_mm
        if self.turned:
            r = np.hypot(p[:, 0], p[:, 1])
            value, flat = self.outline.distance(np.column_stack([r, p[:, 2]]))
            out = p[:, :2] / np.maximum(r, 1e-12)[:, None]
            return value, np.column_stack([out * flat[:, :1], flat[:, 1]])
        rho = max(self.rim_mm, edge_rounding_mm)
        side, flat = self.outline.distance(p[:, :2])
        walls = np.column_stack([side + rho, p[:, 2] - (self.height_mm - rho)])
        normals = np.zeros((2, len(p), 3))
        normals[0, :, :2], normals[1, :, 2] = flat, 1.0
        over = np.maximum(walls, 0.0)
        reach = np.linalg.norm(over, axis=1)
        upper = np.argmax(walls, axis=1)
        value = np.minimum(walls.max(axis=1), 0.0) + reach - rho
        gradient = normals[upper, np.arange(len(p))]
        beside = reach > 0
        gradient[beside] = np.einsum(
            "nk,knd->nd", over[beside] / reach[beside, None], normals[:, beside]
        )
        below = -p[:, 2] > value
        value[below], gradient[below] = -p[below, 2], [0.0, 0.0, -1.0]
        return value, gradient

    def drawing(self, *, segment_mm: float = 0.5, steps: int = 6) -> ScanBody:
        """Draw the solid as a closed triangle mesh, every vertex on its surface.

        Parameters
        ----------
        segment_mm : float
            Longest edge on flat and straight parts; of a turned body also
            around.
        steps : int
            Chords of a quarter of a turn of a fillet.

        Returns
        -------
        ScanBody
        """
        points, ways = self.outline.sample(steps, segment_mm)
        if self.turned:
            count = max(12, round(2 * np.pi * self.radius_mm / segment_mm))
            levels = _turned_levels(points, count)
        else:
            wall_end = self.height_mm - self.rim_mm
            levels = [
                np.column_stack([points, np.full(len(points), z)])
                for z in np.linspace(0, wall_end, max(1, round(wall_end / segment_mm / 4)) + 1)
            ]
            for a in np.linspace(0, np.pi / 2, steps + 1)[1:] if self.rim_mm else ():
                inner = points - self.rim_mm * (1 - np.cos(a)) * ways
                z = wall_end + self.rim_mm * np.sin(a)
                levels.append(np.column_stack([inner, np.full(len(points), z)]))
        mesh = stack(levels, self.height_mm)
        return ScanBody(self.name, mesh, self.has_flat, self.use_above_mm)


def polygon(
    sides: int, inner_mm: float, corner_mm: float = 0.0, *, deeper_mm: float = 0.0
) -> Outline:
    """Outline of a regular polygon.

    Parameters
    ----------
    sides : int
        Number of sides; the first faces x.
    inner_mm : float
        Radius of the inscribed circle.
    corner_mm : float
        Radius of the corners.
    deeper_mm : float
        How much nearer to the axis the first side lies than the others.
    """
    angle = 2 * np.pi * np.arange(sides) / sides
    away = np.full(sides, inner_mm)
    away[0] -= deeper_mm
    corners = []
    for i in range(sides):
        j = (i + 1) % sides
        normals = np.array([[np.cos(angle[k]), np.sin(angle[k])] for k in (i, j)])
        x, y = np.linalg.solve(normals, away[[i, j]])
        corners.append((float(x), float(y), corner_mm))
    return Outline(tuple(corners))


def _side_view(*half: tuple[float, float, float]) -> Outline:
    """Outline of a turned body from its right half, from the platform upwards."""
    left = [(-x, y, r) for x, y, r in reversed(half) if x > 0]
    return Outline((*half, *left))


_DOME_TOP_MM = 10.0 - 3.0 / float(np.sin(np.arctan2(2.5, 1.5)))  # the tip is rounded off

ROUNDED: dict[str, RoundedShape] = {
    shape.name: shape
    for shape in (
        RoundedShape("rim", _side_view((2.4, 0, 0), (2.4, 8.0, 0.4)), 8.0, turned=True, fold=0),
        RoundedShape(
            "tapered-rim",
            _side_view((2.7, 0, 0), (2.0, 9.0, 0.5)), 9.0, turned=True, fold=0,
        ),
        RoundedShape(
            "domed", _side_view((2.5, 0, 0), (2.5, 5.5, 0.4), (0.0, 7.0, 3.0)), _DOME_TOP_MM,
            turned=True, fold=0,
        ),
        RoundedShape("capped", _side_view((2.2, 0, 0), (2.2, 7.0, 2.1)), 7.0, turned=True, fold=0),
        RoundedShape("square", polygon(4, 2.0, deeper_mm=0.25), 4.5, use_above_mm=1.0),
        RoundedShape("square-rounded", polygon(4, 2.0, 0.4, deeper_mm=0.3), 8.0, rim_mm=0.3),
        RoundedShape("hexagon", polygon(6, 2.2), 9.0, fold=6),
        RoundedShape("hexagon-rounded", polygon(6, 2.2, 0.5, deeper_mm=0.3), 8.0, rim_mm=0.3),
        RoundedShape("octagon", polygon(8, 2.3, deeper_mm=0.25), 8.0),
        RoundedShape("octagon-rounded", polygon(8, 2.3, 0.6), 12.0, rim_mm=0.2, fold=8),
        RoundedShape(
            "rectangle-rounded",
            Outline(((2.3, -1.6, 0.3), (2.3, 1.6, 0.3), (-2.3, 1.6, 0.3), (-2.3, -1.6, 0.3))),
            6.0, rim_mm=0.25, fold=2,
        ),
        RoundedShape(
            "notched",
            Outline(
                (
                    (2.2, -2.2, 0.3), (2.2, -1.2, 0.1), (1.5, -0.5, 0.1), (1.5, 0.5, 0.1),
                    (2.2, 1.2, 0.1), (2.2, 2.2, 0.3), (-2.2, 2.2, 0.3), (-2.2, -2.2, 0.3),
                )
            ),
            7.5, rim_mm=0.1,
        ),
    )
}  # fmt: skip
"""Invented scan bodies with fillets, and some without."""


def _turned_levels(points: Floats, count: int) -> list[Floats]:
    """Rings of a turned outline, from the platform to the top."""
    right = points[points[:, 0] > -1e-9]
    right = right[np.argsort(right[:, 1] + 1e-9 * right[:, 0], kind="stable")]
    lowest = points[:, 1].min()
    rim = right[right[:, 1] > lowest + 1e-9]
    foot = right[right[:, 1] <= lowest + 1e-9]
    highest = rim[:, 1].max()
    body, cap = rim[rim[:, 1] < highest - 1e-9], rim[rim[:, 1] >= highest - 1e-9]
    order = [
        *foot[np.argsort(foot[:, 0])][-1:], *body, *cap[np.argsort(-cap[:, 0])],
    ]  # fmt: skip
    angle = 2 * np.pi * np.arange(count) / count
    circle = np.column_stack([np.cos(angle), np.sin(angle)])
    return [np.column_stack([circle * max(r, 0.0), np.full(count, z)]) for r, z in order]


def _unit(rows: Floats) -> Floats:
    return np.asarray(rows / np.linalg.norm(rows, axis=-1, keepdims=True))


def _right(d: Floats) -> Floats:
    """Unit normal to the right of a direction: outwards of a counter-clockwise outline."""
    return _unit(np.array([d[1], -d[0]]))


def _cross(a: Floats, b: Floats) -> Floats:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])
