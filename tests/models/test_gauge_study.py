"""A crossed gauge study: components of a balanced layout are those of its analysis of variance."""

import numpy as np
import pytest

from accstudy.models import fit_mixed
from accstudy.selftest.published import case


def test_parts_and_appraisers():
    # AIAG MSA 4th edition, Fig. III-B 15 and Table III-B 8: the interaction is pooled
    c = case("iso5725", "msa_grr")
    data = c.frame.assign(part=c.frame["part"].astype(str))
    sds = fit_mixed("value ~ 1", ["part", "operator"], data).sds
    ev, av, pv = sds["residual"], sds["operator"], sds["part"]
    got = {
        "var_repeatability": ev**2,
        "var_operator": av**2,
        "var_part": pv**2,
        "EV": ev,
        "AV": av,
        "GRR": np.hypot(ev, av),
        "PV": pv,
        "TV": np.sqrt(ev**2 + av**2 + pv**2),
    }
    for name, value in got.items():
        # the printed variance of parts, 1.086446, is cut: in full it is 1.0864466
        bar = 1e-6 if name == "var_part" else c.tolerance[name]
        assert value == pytest.approx(c.published[name], abs=bar), name
    assert int(1.41 * pv / got["GRR"]) == c.published["ndc"]


@pytest.mark.parametrize("scale", [0.01, 0.3, 3.0, 30.0])
def test_the_search_is_not_lost_in_the_flat_corner(scale):
    # balanced crossed layout: the answer is known in closed form, wherever it lies
    rng = np.random.default_rng(4)
    c = case("iso5725", "msa_grr").frame
    c["part"] = c["part"].astype(str)
    y = (
        scale * rng.normal(size=10)[pd_codes(c["part"])]
        + rng.normal(size=3)[pd_codes(c["operator"])]
    )
    c["y"] = y + 0.3 * rng.normal(size=len(c))
    total, parts, operators = c["y"], c.groupby("part")["y"], c.groupby("operator")["y"]
    ss_part = 9 * ((parts.mean() - total.mean()) ** 2).sum()
    ss_operator = 30 * ((operators.mean() - total.mean()) ** 2).sum()
    ss_rest = ((total - total.mean()) ** 2).sum() - ss_part - ss_operator
    residual = ss_rest / 78
    expected = [(ss_part / 9 - residual) / 9, (ss_operator / 2 - residual) / 30, residual]
    found = fit_mixed("y ~ 1", ["part", "operator"], c).sds[["part", "operator", "residual"]] ** 2
    if min(expected) > 0:
        assert found.to_numpy() == pytest.approx(expected, rel=1e-6)
    else:
        assert found.iloc[int(np.argmin(expected))] == 0.0


def pd_codes(column):
    return np.unique(column, return_inverse=True)[1]
