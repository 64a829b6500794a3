"""Where the misfit of a framework comes from, and what it depends on over the study."""

from __future__ import annotations

import pandas as pd

from accstudy.figures.misfit import AGAINST, misfit_chart
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document
from accstudy.reports.select import limit_of, named
from accstudy.reports.wording import joined, quantity
from accstudy.seating.contributions import contribution_sentence
from accstudy.seating.table import CAUTIONS

__all__ = ["misfit"]

_MOST = 4


def misfit(document: Document, content: ReportContent) -> None:
    """Name the implants that a misfit comes from, and show it over the models.

    Parameters
    ----------
    document : Document
        Gets the paragraphs and the figure.
    content : ReportContent
        With tables ``seating_contributions`` and ``seating_scans``.
    """
    if content.has("seating_contributions"):
        said = _origins(content)
        if said:
            document.lead("Where it comes from", *said)
    if content.has("seating_scans"):
        _over_the_study(document, content)
    if content.has("seating"):
        document.lead("What it leaves out", " ".join(CAUTIONS))


def _origins(content: ReportContent) -> list[str]:
    """One sentence a condition and model, for the scan with the largest misfit."""
    table = content.table("seating_contributions")
    said = []
    for (condition, model), mine in table.groupby(["condition", "model"], sort=False):
        for seated in ("terminal-screw", "best-seat"):
            rows = mine[(mine["seated"] == seated) & mine["contribution_um"].notna()]
            if rows.empty:
                continue
            scan = str(rows.sort_values("misfit_um", kind="stable")["scan"].iloc[-1])
            which = named(content, str(condition), str(model))
            said.append(
                f"{f'{which}, scan' if which else 'Scan'} {scan}: "
                + contribution_sentence(rows[rows["scan"] == scan])
            )
    return said[: 2 * _MOST]


def _over_the_study(document: Document, content: ReportContent) -> None:
    table = content.table("seating_scans")
    table = table[table["misfit_um"].notna()]
    varied = [c for c in AGAINST if len(table[c].unique()) > 1][:2]
    if not varied or table.empty:
        return
    keys = ["condition", "model", "seated"]
    medians = table.groupby(keys)["misfit_um"].median().rename("median_um").reset_index()
    best = medians[medians["seated"] == "best-seat"]
    told = [_range(str(name), own["median_um"]) for name, own in best.groupby("condition")]
    document.figure(
        "misfit-over-study",
        misfit_chart(
            table.merge(medians, on=keys, how="left"), limit_um=limit_of(content, "seat_gap_um")
        ),
        caption="Misfit of every scan (the largest gap, or interference where that is larger) "
        "against what differs between the models; the line joins medians. Implant count, span "
        "and angulation of a model go together: no line shows the effect of one of them alone.",
        alt=f"Misfit against {joined([AGAINST[c].split(' / ')[0] for c in varied])}; medians at "
        f"the best seat: {joined(told)}.",
    )


def _range(condition: str, medians: pd.Series) -> str:
    return f"{condition} {quantity(medians.min())} to {quantity(medians.max())}"
