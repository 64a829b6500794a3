"""What stands behind the models: operators taken as fixed, ICC, R squared, a second program."""

from __future__ import annotations

from accstudy.figures.style import component_name, rows_of
from accstudy.models.decisions import log_base
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, Heading, Text
from accstudy.reports.model_evidence import estimate_cells
from accstudy.reports.modelled import model_unit, response_label
from accstudy.reports.terms import contrast_name
from accstudy.reports.wording import NONE, missing, number

__all__ = ["fits_section", "operators_section"]


def operators_section(document: Document, content: ReportContent) -> None:
    """Differences for the operators of the study alone, beside those for operators in general.

    Parameters
    ----------
    document : Document
        Gets the table; nothing where operators are many, or not among the random terms.
    content : ReportContent
        Tables ``model_operators`` and ``model_contrasts``.
    """
    own, general = content.table("model_operators"), content.table("model_contrasts")
    if not len(own):
        return
    keys = ["model_name", "contrast"]
    both = own.merge(general, on=keys, suffixes=("", "_general"), how="left")
    cells: list[list[Text]] = []
    before = ""
    for r in rows_of(both):
        label = response_label(r.response)
        every = general[
            (general["model_name"] == r.model_name) & (general["contrast"] == r.contrast)
        ]
        mine = [*estimate_cells(r, simultaneous=False), number(r.df, "", decimals=1)]
        others = rows_of(every.head(1))
        all_ = estimate_cells(others[0], simultaneous=False) if others else [NONE, NONE]
        df = number(others[0].df, "", decimals=1) if others else NONE
        cells.append(
            ["" if label == before else label, contrast_name(r), all_[0], all_[1], df, *mine]
        )
        before = label
    document.lead(
        "For these operators only",
        "The study has few operators, so what is said of operators in general rests on few degrees "
        "of freedom. Beside it stands what holds for the operators of this study only: they are "
        "fixed, each with a way of its own with every condition, and their mean is compared. It "
        "says nothing of anybody else.",
    )
    document.table(
        "Differences for operators in general, and for these operators only.",
        [
            Heading("response", "left", 1.5),
            Heading("contrast", "left", 1.6),
            Heading("in general", width=0.8),
            Heading("interval", width=1.1),
            Heading([{"t": "df", "s": "i"}], width=0.4),
            Heading("these only", width=0.8),
            Heading("interval", width=1.1),
            Heading([{"t": "df", "s": "i"}], width=0.4),
        ],
        cells,
    )


def fits_section(document: Document, content: ReportContent, models: list[str]) -> None:
    """Intraclass correlations, shares explained, and what a second program finds.

    Parameters
    ----------
    document : Document
        Gets two tables.
    content : ReportContent
        Tables ``model_fits`` and ``model_variances``.
    models : list of str
        Models whose components are listed.
    """
    fits, parts = content.table("model_fits"), content.table("model_variances")
    if not len(fits):
        return
    parts = parts[parts["model_name"].isin(models) & (parts["sd"] > 0)]
    cells: list[list[Text]] = []
    before = ""
    for r in rows_of(parts):
        label = response_label(r.response)
        unit = "" if log_base(r.response) is not None else model_unit(r.response)
        places = None if unit else 3
        span = NONE
        if not missing(r.low) and not missing(r.high):
            span = (
                f"{number(r.low, unit, decimals=places)} to {number(r.high, unit, decimals=places)}"
            )
        cells.append(
            [
                "" if label == before else label,
                component_name(r.component),
                number(r.sd, unit, decimals=places),
                span,
                number(r.share, "", decimals=3),
            ]
        )
        before = label
    if cells:
        document.table(
            "Standard deviation of every component that is not estimated as zero, with its profile "
            "interval where it was worked out, and its intraclass correlation, the variance of the "
            "component over the sum of all: how alike rows are that share this level and no other.",
            [
                Heading("response", "left", 1.6),
                Heading("component", "left", 2.2),
                Heading("SD", width=0.7),
                Heading("interval", width=1.1),
                Heading("ICC", width=0.6),
            ],
            cells,
        )
    document.table(
        "What each model explains: rows, coefficients, share of the variance that the fixed part "
        "explains and that fixed and random part explain together; largest relative difference of "
        "coefficients and log likelihood from those of statsmodels at the same components.",
        [
            Heading("model", "left", 2.0),
            Heading("rows", width=0.6),
            Heading("coefficients", width=0.9),
            Heading([{"t": "R", "s": "i"}, "² fixed"], width=0.8),
            Heading([{"t": "R", "s": "i"}, "² all"], width=0.8),
            Heading("second program", width=1.2),
        ],
        [
            [
                str(r.model_name),
                number(r.n_rows, "", decimals=0),
                number(r.n_coefficients, "", decimals=0),
                number(r.r2_marginal, "", decimals=2),
                number(r.r2_conditional, "", decimals=2),
                "cannot fit it" if missing(r.engine_difference) else f"{r.engine_difference:.0e}",
            ]
            for r in rows_of(fits)
        ],
    )
