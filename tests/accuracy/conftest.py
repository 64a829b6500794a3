"""An invented study with known truth."""

import numpy as np
import pandas as pd
import pytest


def make_study(
    *,
    scans=12,
    cells=3,
    implants=6,
    conditions=("device A", "device B"),
    sd=10.0,
    sd_cell=5.0,
    seed=1,
):
    """Deviation tables of a model whose implants stray independently, in um."""
    rng = np.random.default_rng(seed)
    names = np.array([f"I{i + 1}" for i in range(implants)])
    angle = np.linspace(0, np.pi, implants)
    position = np.column_stack([22 * np.cos(angle), 25 * np.sin(angle), 0 * angle])
    a, b = np.triu_indices(implants, 1)
    span = np.linalg.norm(position[b] - position[a], axis=1)
    pairs, single = [], []
    for condition in conditions:
        for c in range(cells):
            cell_part = rng.normal(0, sd_cell, len(a))
            cell_vector = rng.normal(0, sd_cell, (implants, 3))
            for r in range(scans // cells):
                name = f"{condition[-1]}{c}{r:02d}"
                base = {
                    "scan": name,
                    "model": "M",
                    "condition": condition,
                    "cell": f"operator {c + 1}",
                    "n_implants": implants,
                }
                pairs.append(
                    pd.DataFrame(
                        {
                            **base,
                            "implant_a": names[a],
                            "implant_b": names[b],
                            "span_mm": span,
                            "path_mm": (b - a) * 14.0,
                            "steps": b - a,
                            "angulation_deg": 10.0,
                            "divergence_deg": 10.0,
                            "distance_um": 3.0 + cell_part + rng.normal(0, sd, len(a)),
                            "angle_deg": rng.normal(0.05, 0.1, len(a)),
                            "relative_axis_deg": 0.1,
                        }
                    )
                )
                d = cell_vector + rng.normal(0, sd, (implants, 3)) + np.array([5.0, -3.0, 8.0])
                for alignment in ("all-implants", "first-implant"):
                    single.append(
                        pd.DataFrame(
                            {
                                **base,
                                "implant": names,
                                "alignment": alignment,
                                "dx_um": d[:, 0],
                                "dy_um": d[:, 1],
                                "dz_um": d[:, 2],
                                "mesiodistal_um": d[:, 0],
                                "buccolingual_um": d[:, 1],
                                "vertical_um": d[:, 2],
                                "distance_um": np.linalg.norm(d, axis=1),
                                "angle_deg": 0.2,
                                "tilt_mesiodistal_deg": rng.normal(0, 0.1, implants),
                                "tilt_buccolingual_deg": rng.normal(0, 0.1, implants),
                                "rotation_deg": np.nan,
                                "angulation_deg": 10.0,
                                "u_alignment_tilt_deg": 0.02,
                            }
                        )
                    )
    return pd.concat(pairs, ignore_index=True), pd.concat(single, ignore_index=True)


@pytest.fixture(scope="session")
def study():
    """Two devices, three operators, four scans each, six implants."""
    return make_study()
