"""Means of a model whose interval has no upper end are drawn all the same."""

import numpy as np
import pandas as pd
import pytest

from accstudy.figures.models import means_chart


@pytest.mark.parametrize("high", [np.inf, np.nan])
def test_a_size_without_an_upper_limit_is_drawn(high):
    rows = pd.DataFrame(
        {"panel": "size", "axis": "size, °", "level": ["A", "B"], "estimate": [0.2, 0.3],
         "low": 0.0, "high": [high, high], "zero": False}
    )  # fmt: skip
    figure = means_chart(rows)
    figure.draw_without_rendering()
    assert figure.axes[0].get_xlim() == pytest.approx((0, 1.08 * 0.3))
