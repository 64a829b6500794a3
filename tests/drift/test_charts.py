"""Charts of sessions of different size; the printed examples are those of the selftest."""

from __future__ import annotations

import numpy as np
import pytest

from accstudy.drift.charts import ewma


def test_unequal_spread_reaches_the_limits_of_equal_spread():
    x = np.zeros(40)
    equal = ewma(x, start=0.0, sigma=2.0, lambda_=0.2, L=3.0)
    mixed = ewma(x, start=0.0, sigma=np.r_[np.full(5, 4.0), np.full(35, 2.0)], lambda_=0.2, L=3.0)
    assert equal.upper == pytest.approx(6.0 / 3.0)
    assert mixed.upper[4] == pytest.approx(4.0)
    assert mixed.upper[-1] == pytest.approx(2.0, rel=1e-3)
