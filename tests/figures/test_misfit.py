"""Misfits of scans and their medians, by model and way of seating."""

import pandas as pd
from drawn import legend, lines, near, through, ticks

from accstudy.figures.misfit import misfit_chart, varied_columns

MISFIT = pd.DataFrame(
    [
        (condition, model, way, seats, 40.0, tilt, base + k, base + 1.0)
        for way, up in (("terminal-screw", 100.0), ("best-seat", 0.0))
        for n, condition in enumerate(("A", "B"))
        for model, seats, tilt, level in (("M6", 6, 15.2, 40.0), ("M4", 4, 15.4, 20.0))
        for base in (up + level + 3 * n,)
        for k in (0.0, 1.0, 2.0)
    ],
    columns=["condition", "model", "seated", "n_seats", "span_mm", "angulation_deg", "misfit_um",
             "median_um"],
)  # fmt: skip


def test_misfits_stand_at_their_model_in_the_panel_of_their_seating():
    assert varied_columns(MISFIT) == ["n_seats"]  # angles are alike in whole degrees
    figure = misfit_chart(MISFIT, limit_um=60.0)
    assert [ax.get_title(loc="left") for ax in figure.axes] == [
        "one screw, worse end", "all screws, best seat"
    ]  # fmt: skip
    assert legend(figure) == ["A", "B"]
    for ax, way in zip(figure.axes, ("terminal-screw", "best-seat"), strict=True):
        assert ticks(ax.xaxis) == ["M4\n4 implants", "M6\n6 implants"]
        assert through(ax, y=60.0)
        assert ax.get_ylim()[0] == 0
        for n, condition in enumerate("AB"):
            single, median = lines(ax, marker="os"[n])
            own = MISFIT[(MISFIT["seated"] == way) & (MISFIT["condition"] == condition)]
            at = {m: k + (n - 0.5) * 0.2 for k, m in enumerate(("M4", "M6"))}
            assert single == near([(at[r.model], r.misfit_um) for r in own.itertuples()])
            expected = [(at[m], own[own["model"] == m]["median_um"].iloc[0]) for m in at]
            assert median == near(expected)
    one = misfit_chart(MISFIT[MISFIT["condition"] == "A"])
    assert not one.legends
    assert {x for x, _ in lines(one.axes[0], marker="o")[0]} == {0.0, 1.0}
    many = pd.concat([MISFIT.assign(model=MISFIT["model"] + s) for s in "ab"], ignore_index=True)
    assert [t.get_rotation() for t in misfit_chart(many).axes[0].get_xticklabels()] == [90] * 4
