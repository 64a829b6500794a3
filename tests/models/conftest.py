"""Invented deviation tables with known effects."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import combinations

import numpy as np
import pandas as pd
import pytest


def invented_pairs(
    rng: np.random.Generator,
    *,
    techniques: Sequence[str] = ("A", "B"),
    materials: Sequence[str] = ("x",),
    operators: int = 2,
    sessions: int = 2,
    repeats: int = 5,
    models: Sequence[int] = (4, 6, 4, 6),
    technique_um: float = 0.0,
    material_um: float = 0.0,
    angulation_um_per_deg: float = 0.0,
    per_implant_um: float = 0.0,
    technique_by_angulation: float = 0.0,
    technique_sd_ratio: float = 1.0,
    sd_um: float = 20.0,
    scan_um: float = 10.0,
    session_um: float = 5.0,
    pair_um: float = 6.0,
    condition_pair_um: float = 4.0,
    implant_um: float = 0.0,
    technique_implant_um: float = 0.0,
) -> pd.DataFrame:
    """Rows like those of ``pair_deviations``, from the model that the room fits."""
    rows = []
    sites: dict[tuple[str, str, str], float] = {}
    ends: dict[tuple[str, int, int], np.ndarray] = {}
    number = 0
    angle_of = [0.0, 15.0, 30.0, 10.0, 25.0, 5.0]
    for technique in techniques:
        for material in materials:
            condition = " / ".join([technique, material])
            for operator in range(operators):
                for session in range(sessions):
                    cell = f"operator {operator + 1} / {session + 1}"
                    shift = rng.normal(0, session_um)
                    for m, count in enumerate(models):
                        for _ in range(repeats):
                            number += 1
                            scan = rng.normal(0, scan_um)
                            for a, b in combinations(range(count), 2):
                                names = (f"M{m + 1}", f"I{a + 1}", f"I{b + 1}")
                                path = 60.0 / (count - 1) * (b - a)
                                angle = max(angle_of[(a + m) % 6], angle_of[(b + m) % 6])
                                bias = sites.setdefault(names, rng.normal(0, pair_um))
                                own = sites.setdefault(
                                    (condition, names[0], names[1] + names[2]),
                                    rng.normal(0, condition_pair_um),
                                )
                                u = _place(b, count) - _place(a, count)
                                u /= np.linalg.norm(u)
                                for sd, what in (
                                    (implant_um, ""),
                                    (technique_implant_um, technique),
                                ):
                                    for i, sign in ((a, -1), (b, 1)):
                                        if sd and (what, m, i) not in ends:
                                            ends[what, m, i] = rng.normal(0, sd, 3)
                                        if sd:
                                            own = own + sign * (ends[what, m, i] @ u)
                                second = technique == techniques[-1] and len(techniques) > 1
                                sd = sd_um * (technique_sd_ratio if second else 1.0)
                                value = (
                                    shift + scan + bias + own + rng.normal(0, sd)
                                    + technique_um * second
                                    + material_um * (material == materials[-1])
                                    + angulation_um_per_deg * angle
                                    + technique_by_angulation * angle * second
                                    + per_implant_um * count
                                )  # fmt: skip
                                rows.append(
                                    {
                                        "scan": f"s{number}",
                                        "model": names[0],
                                        "implant_a": names[1],
                                        "implant_b": names[2],
                                        "condition": condition,
                                        "cell": cell,
                                        "technique": technique,
                                        "material": material,
                                        "operator": f"operator {operator + 1}",
                                        "session": str(session + 1),
                                        "span_mm": 40.0 * np.sin(path / 60.0 * np.pi / 2),
                                        "path_mm": path,
                                        "steps": b - a,
                                        "angulation_deg": angle,
                                        "divergence_deg": angle / 2,
                                        "n_implants": count,
                                        "distance_um": value,
                                        "angle_deg": rng.normal(0, 0.1),
                                        "relative_axis_deg": abs(rng.normal(0, 0.1)),
                                        "direction_x": u[0],
                                        "direction_y": u[1],
                                        "direction_z": u[2],
                                    }
                                )
    return pd.DataFrame(rows)


def _place(implant: int, count: int) -> np.ndarray:
    """Position of an implant on half a circle of 20 mm, mm."""
    angle = np.pi * implant / (count - 1)
    return np.array([20 * np.cos(angle), 20 * np.sin(angle), 0.3 * implant % 1])


def invented_implants(pairs: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Rows like those of ``implant_deviations`` for the scans of a pair table."""
    columns = ["scan", "model", "condition", "cell", "technique", "material", "operator",
               "session", "n_implants"]  # fmt: skip
    scans = pairs.drop_duplicates("scan")[columns]
    rows = []
    for scan in scans.to_dict("records"):
        for i in range(int(scan["n_implants"])):
            d = rng.normal(0, 20, 3)
            rows.append(
                {
                    **scan,
                    "implant": f"I{i + 1}",
                    "alignment": "all-implants",
                    "dx_um": d[0],
                    "dy_um": d[1],
                    "dz_um": d[2],
                    "mesiodistal_um": d[0],
                    "buccolingual_um": d[1],
                    "vertical_um": d[2],
                    "distance_um": float(np.linalg.norm(d)),
                    "angle_deg": abs(rng.normal(0, 0.2)),
                    "angulation_deg": [0.0, 15.0, 30.0, 10.0, 25.0, 5.0][i],
                }
            )
    return pd.DataFrame(rows)


@pytest.fixture
def pairs() -> Callable[..., pd.DataFrame]:
    def make(seed: int = 1, **options: object) -> pd.DataFrame:
        return invented_pairs(np.random.default_rng(seed), **options)

    return make


@pytest.fixture
def implants() -> Callable[..., pd.DataFrame]:
    def make(table: pd.DataFrame, seed: int = 2) -> pd.DataFrame:
        return invented_implants(table, np.random.default_rng(seed))

    return make
