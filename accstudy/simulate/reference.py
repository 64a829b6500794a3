"""What an invented coordinate measuring machine says of an invented model."""

from __future__ import annotations

import numpy as np
import pandas as pd

from accstudy.geometry.rigid import angle_between_deg, unit
from accstudy.tables import shape

__all__ = ["measured_reference"]

_POSITION = ["x_mm", "y_mm", "z_mm"]
_AXIS = ["axis_x", "axis_y", "axis_z"]


def measured_reference(
    implants: pd.DataFrame, *, u_position_um: float = 0.8, u_axis_deg: float = 0.01, seed: int = 0
) -> pd.DataFrame:
    """Measure a model: the truth and a small error of known size.

    Parameters
    ----------
    implants : DataFrame
        Table ``implants``, the truth.
    u_position_um, u_axis_deg : float
        Standard deviation of each coordinate and of each tilt of an axis;
        stated in the columns of the same name.
    seed : int
        Of the errors.

    Returns
    -------
    DataFrame
        Table ``implants``, positions to 0.1 um, directions to 1e-7.
    """
    rng = np.random.default_rng([seed, 17])
    out = implants.copy()
    out[_POSITION] += rng.normal(0.0, u_position_um * 1e-3, (len(out), 3))
    axis = out[_AXIS].to_numpy(float)
    lean = rng.normal(0.0, np.radians(u_axis_deg), (len(out), 3))
    axis = unit(axis + lean - np.sum(lean * axis, axis=1, keepdims=True) * axis)
    out[_AXIS] = np.round(axis, 7)
    out[_POSITION] = np.round(out[_POSITION].to_numpy(float), 4)
    out[["flat_x", "flat_y", "flat_z"]] = np.round(
        out[["flat_x", "flat_y", "flat_z"]].to_numpy(float), 7
    )
    out["angulation_deg"] = np.round(angle_between_deg(axis, [0.0, 0.0, 1.0]), 2)
    out["u_position_um"], out["u_axis_deg"] = u_position_um, u_axis_deg
    return shape("implants", out)
