"""Certificates state expanded uncertainties; the reference takes them with their factor."""

import numpy as np
import pandas as pd
import pytest

from accstudy.study.implants import as_certified, check_reference
from accstudy.study.settings import Reference
from accstudy.tables import shape


def reference(**columns):
    rows = pd.DataFrame(
        {
            "model": "M",
            "implant": ["I1", "I2", "I3"],
            "x_mm": [0.0, 10.0, 20.0],
            "y_mm": [0.0, 5.0, 0.0],
            "z_mm": 0.0,
            "axis_x": 0.0,
            "axis_y": 0.0,
            "axis_z": 1.0,
        }
    )
    return shape("implants", rows.assign(**columns)).assign(row=[2, 3, 4])


def test_u_is_the_expanded_uncertainty_over_its_factor():
    # JCGM 100:2008, 6.2.1: U = k u
    checked, found = check_reference(reference(U_position_um=3.0, k=2.0), file="implants.csv")
    assert checked["u_position_um"].tolist() == [1.5] * 3
    assert not found


def test_an_expanded_uncertainty_needs_its_factor_and_stands_alone():
    _, found = check_reference(reference(U_position_um=3.0), file="implants.csv")
    assert {f.code for f in found} == {"coverage-factor"}
    both = reference(U_position_um=3.0, k=2.0, u_position_um=[1.5, np.nan, np.nan])
    _, found = check_reference(both, file="implants.csv")
    assert [f.code for f in found] == ["two-uncertainties"]


def test_one_certified_uncertainty_holds_where_an_implant_states_none():
    rows, _ = check_reference(reference(u_position_um=[5.0, np.nan, np.nan]), file="implants.csv")
    settings = Reference(certified={"U_position_um": 2.4, "U_axis_deg": 0.02})
    found = as_certified(rows, settings)
    assert found["u_position_um"].tolist() == [5.0, 1.2, 1.2]
    assert found["u_axis_deg"].tolist() == [0.01] * 3
    # probed points: what their residuals tell is added, in squares
    touched = Reference(certified={"U_position_um": 24.0}, touch_points="t.csv")
    found = as_certified(rows, touched)
    assert found["u_position_um"].tolist() == pytest.approx([13.0, 12.0, 12.0])
    assert found["u_axis_deg"].isna().all()
    assert as_certified(rows, Reference()) is rows
