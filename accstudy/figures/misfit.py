"""Misfit of a rigid framework against what the study varied: span, implants, angulation."""

from __future__ import annotations

import pandas as pd
from matplotlib.figure import Figure

from accstudy.figures.style import GREY, legend_of, line_of, new_figure, printable, styled
from accstudy.words.catalogue import say, words

__all__ = ["VARIED", "misfit_chart", "varied_columns"]

VARIED = ("n_seats", "span_mm", "angulation_deg")
"""What may differ between models."""

_MOST_LEVEL = 3  # models whose labels stand side by side without overlap


@styled
def misfit_chart(table: pd.DataFrame, *, limit_um: float | None = None) -> Figure:
    """Draw the misfit of every scan by model, one column per seating mode.

    Parameters
    ----------
    table : DataFrame
        Table ``seating_scans`` with ``median_um``, the median over the scans of
        the same condition, model and way of seating.
    limit_um : float, optional
        The user's limit.

    Returns
    -------
    Figure
        Models are categories, in the order of what `VARIED` names, and labelled with it.
    """
    varied = varied_columns(table)
    conditions = list(dict.fromkeys(table["condition"]))
    models = table.drop_duplicates("model")
    order = models[varied].astype(float).round().assign(model=models["model"].astype(str))
    models = models.loc[order.sort_values([*varied, "model"], kind="stable").index]
    places = {str(m): float(k) for k, m in enumerate(models["model"])}
    upright = len(places) > _MOST_LEVEL
    labels = [_label(row, varied, ", " if upright else "\n") for _, row in models.iterrows()]
    room = 1.7 * max(map(len, labels)) if upright else 4 * len(varied)
    figure = new_figure(166, 62 + room + 5 * (len(conditions) > 1))
    grid = figure.subplots(1, 2, sharey=True)
    for ax, (way, title) in zip(grid, words("figures.ways").items(), strict=True):
        mine = table[table["seated"] == way]
        for number, condition in enumerate(conditions):
            own = mine[mine["condition"] == condition]
            look = line_of(number, join=False)
            shift = (number - (len(conditions) - 1) / 2) * min(0.2, 0.7 / len(conditions))
            x = own["model"].astype(str).map(places).to_numpy(float) + shift
            ax.plot(x, own["misfit_um"], **{**look, "markersize": 2.6, "alpha": 0.45})
            medians = own.assign(at=x).drop_duplicates("model").sort_values("at")
            ax.plot(
                medians["at"],
                medians["median_um"],
                **{**look, "markersize": 5},
                label=printable(condition),
            )
        if limit_um is not None:
            ax.axhline(limit_um, color=GREY, linewidth=0.9, linestyle=(0, (4, 2)))
        ax.set_ylim(bottom=0)
        ax.set_xlim(-0.6, len(places) - 0.4)
        ax.set_xticks(list(places.values()), labels, rotation=90 if upright else 0)
        ax.tick_params(axis="x", length=0)
        ax.set_title(title, loc="left")
    grid[0].set_ylabel(say("figures.misfit_of_the_scan_um"))
    if len(conditions) > 1:
        legend_of(figure, grid[0])
    return figure


def varied_columns(table: pd.DataFrame) -> list[str]:
    """What differs between models, as far as a label shows it: whole mm and degrees.

    Parameters
    ----------
    table : DataFrame
        Table ``seating_scans``.

    Returns
    -------
    list of str
        Columns among those of `VARIED`.
    """
    return [c for c in VARIED if len(set(table[c].astype(float).round())) > 1]


def _label(row: pd.Series, varied: list[str], between: str) -> str:
    """Name of a model with what differs between models."""
    said = {c: say(f"figures.of_{c}", value=row[c]) for c in varied}
    return between.join([printable(str(row["model"])), *(said[c] for c in varied)])
