from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from accstudy.geometry.rigid import angle_between_deg, rotation_about_deg
from accstudy.simulate.arch import reference_model


@pytest.fixture(scope="session")
def six() -> pd.DataFrame:
    """Six implants, up to 20 degrees."""
    return reference_model(6, angulation_deg=20.0, seed=1)


@pytest.fixture(scope="session")
def pose_errors() -> Callable[[pd.DataFrame, pd.DataFrame], pd.DataFrame]:
    """Distance (um), angle and rotation (deg) from the truth, by implant."""

    def errors(poses: pd.DataFrame, truth: pd.DataFrame) -> pd.DataFrame:
        both = poses.merge(truth, on="implant", suffixes=("", "_true"))

        def columns(pattern: str) -> np.ndarray:
            return both[[pattern.format(c) for c in "xyz"]].to_numpy(float)

        axis = columns("axis_{}_true")
        shift = 1e3 * (columns("{}_mm") - columns("{}_mm_true"))
        return pd.DataFrame(
            {
                "distance_um": np.linalg.norm(shift, axis=1),
                "height_um": np.sum(shift * axis, axis=1),
                "angle_deg": angle_between_deg(columns("axis_{}"), axis),
                "turn_deg": rotation_about_deg(axis, columns("flat_{}_true"), columns("flat_{}")),
            },
            index=both["implant"],
        )

    return errors
