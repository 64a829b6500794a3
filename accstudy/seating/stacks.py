"""Frameworks of one model with the same seats, stacked for array arithmetic."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from accstudy.compare.align import LEVER_MM
from accstudy.seating.frameworks import Framework, frameworks
from accstudy.seating.gaps import Platforms, Seats

__all__ = ["Stack", "stacked", "stacks", "two_points"]


@dataclass(frozen=True, slots=True)
class Stack:
    """Frameworks with the same seats.

    Parameters
    ----------
    frameworks : tuple of Framework
        s of them.
    platforms : Platforms
        The n platforms that they share.
    seats : Seats
        (s, n, 3), each in its scan frame.
    """

    frameworks: tuple[Framework, ...]
    platforms: Platforms
    seats: Seats


def stacks(poses: pd.DataFrame, implants: pd.DataFrame) -> list[Stack]:
    """Stack the frameworks of all scans that have two seats or more."""
    return stacked(frameworks(poses, implants))


def stacked(found: Iterable[Framework]) -> list[Stack]:
    """Stack frameworks; those of fewer than two seats are left out."""
    groups: dict[tuple[str, tuple[int, ...]], list[Framework]] = {}
    for framework in found:
        if len(framework.index) >= 2:
            key = framework.model, tuple(framework.index.tolist())
            groups.setdefault(key, []).append(framework)
    return [
        Stack(
            tuple(group),
            group[0].platforms,
            Seats(
                np.array([f.seats.centres_mm for f in group]),
                np.array([f.seats.axes for f in group]),
            ),
        )
        for group in groups.values()
    ]


def two_points(seats: Seats) -> np.ndarray:
    """Seat centres and points on their axes, (2 n, 3), as the alignment takes them."""
    return np.concatenate([seats.centres_mm, seats.centres_mm + LEVER_MM * seats.axes])
