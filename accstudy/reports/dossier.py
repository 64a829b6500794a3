"""The reference's own pages: who measured it, how well it is known, whether it held."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.figures.style import rows_of
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, Heading, Text
from accstudy.reports.report_rows import groups, named
from accstudy.words.numbers import NONE, date, day, joined, missing, number

__all__ = ["reference_methods", "reference_section"]

_MOST_PAIRS = 28


def reference_section(document: Document, content: ReportContent) -> None:
    """Dossier of the reference.

    Parameters
    ----------
    document : Document
        Gets the section.
    content : ReportContent
        Tables ``reference_pairs`` and ``reference_changes``; settings ``reference``.
    """
    table = content.table("reference_pairs")
    if not len(table):
        return
    document.heading("The reference")
    document.terms(_stated(content))
    for (model,), mine in groups(table, ["model"]):
        latest = mine[mine["valid_from"].isna() | (mine["valid_from"] == mine["valid_from"].max())]
        if mine["valid_from"].notna().any():
            latest = mine[mine["valid_from"] == mine["valid_from"].max()]
        _pairs(document, latest, named(content, "", model) or str(model))
    _changes(document, content)


def reference_methods(content: ReportContent) -> str:
    """How the uncertainty of the reference was evaluated, and where it enters.

    Parameters
    ----------
    content : ReportContent
        Tables ``reference_pairs`` and ``uncertainty_budget``.

    Returns
    -------
    str
        Empty without a dossier.
    """
    table = content.table("reference_pairs")
    if not len(table):
        return ""
    runs = table["n_runs"].dropna()
    type_a = ""
    if len(runs):
        sizes = sorted({int(n) for n in runs})
        type_a = (
            f" Type A (JCGM 100:2008, 4.2): the scatter of "
            f"{joined([str(n) for n in sizes], last='or')} measurements of the model, per "
            "distance, divided by the root of their number and widened because it is itself "
            "uncertain for few measurements."
        )
    came = [_TYPE_B[u] for u in _TYPE_B if (table["u_from"] == u).any()]
    if table["u_body_um"].notna().any():
        came.append("the scan body, which was derived from a scan")
    if (table["u_temperature_um"] > 0).any():
        came.append("temperature and expansion of the model (rectangular)")
    budget = content.table("uncertainty_budget")
    if len(budget) and (budget["counted"] & (budget["part"] == "scan body seating")).any():
        came.append("the seating of scan bodies, where they stayed in place")
    text = "Contributions to the standard uncertainty of a reference distance:"
    text += type_a or " no type A part, since the model was measured once."
    text += f" Type B (4.3): {joined(came)}." if came else " No type B part is stated."
    if table["u_um"].isna().all():
        return (
            f"{text} Without a certificate or the maximum permissible error the combined "
            "uncertainty is not stated: it is missing from the intervals of the biases and gaps, "
            "and conformity is not stated."
        )
    places = ["is a contribution to the interval of every bias"]
    if content.has("conformity") or content.has("drift_limits"):
        places.append("determines the guard band of every limit")
    if content.has("seating_summary"):
        drawn = "enters the predicted gaps by Monte Carlo draws of the reference positions"
        places.append(drawn + (", those of the runs with their covariance" if len(runs) else ""))
    return (
        f"{text} The squares are added. All scans of a model share this uncertainty, so it is not "
        f"reduced by averaging; it {joined(places)}."
    )


_TYPE_B = {
    "certificate": "the certified uncertainty of the positions",
    "MPE": "the maximum permissible error of the machine, divided by √3",
}


def _stated(content: ReportContent) -> list[tuple[str, Text]]:
    """What study.toml says of the reference measurement."""
    ours = content.settings.get("reference", {})
    given = content.settings.get("uncertainty", {})
    scans = content.settings.get("scans", {})
    mpe = ours.get("mpe_um") or {}
    pairs: list[tuple[str, Text]] = [
        ("Instrument", str(ours.get("instrument") or "")),
        ("Certificate", str(ours.get("certificate") or "")),
        ("Measured on", date(ours["measured_on"]) if ours.get("measured_on") else ""),
        ("Next measurement due", date(ours["due_on"]) if ours.get("due_on") else ""),
        ("Probed", str(ours.get("probed") or "")),
        ("Maximum permissible error", _mpe(mpe) if mpe else ""),
        ("Temperature", _temperature(ours, given)),
        ("Expansion of the model", _expansion(scans, given)),
    ]
    return [(word, text) for word, text in pairs if text]


def _mpe(mpe: dict[str, Any]) -> str:
    growing = mpe.get("per_metre") or 0.0
    more = f" + {growing:g} µm per metre" if growing else ""
    return f"{mpe['constant']:g} µm{more} (rectangular distribution)"


def _temperature(ours: dict[str, Any], given: dict[str, Any]) -> str:
    text = f"{ours.get('temperature_c', 20.0):g} °C"
    if off := given.get("reference_temperature_tolerance_k"):
        text += f" ± {off:g} K"
    if off := given.get("temperature_tolerance_k"):
        text += f"; scans ± {off:g} K"
    return text


def _expansion(scans: dict[str, Any], given: dict[str, Any]) -> str:
    expansion = scans.get("expansion_per_k")
    if not expansion:
        return ""
    off = given.get("expansion_tolerance_per_k")
    width = f" ± {1e6 * off:g}" if off else ""
    return f"({1e6 * expansion:g}{width}) × 10⁻⁶/K" if off else f"{1e6 * expansion:g} × 10⁻⁶/K"


def _pairs(document: Document, rows: pd.DataFrame, which: str) -> None:
    """How well every distance of one reference is known."""
    shown = rows.sort_values("u_um", ascending=False, kind="stable").head(_MOST_PAIRS)
    shown = shown.sort_values("span_mm", kind="stable")
    repeated = int(rows["n_runs"].notna().any())
    learned = int(rows["u_body_um"].notna().any())
    document.lead(which[:1].upper() + which[1:], _in_words(rows))
    document.table(
        "Standard uncertainty of every reference distance by source, and expanded uncertainty U (k "
        "= 2)" + ("" if len(shown) == len(rows) else f"; the {len(shown)} least certain"),
        [
            Heading("pair", "left", 1.0),
            Heading("distance", width=1.0),
            Heading("machine", width=0.9),
            *([Heading("s of a run", width=0.9), Heading("repeats", width=0.9)] * repeated),
            *([Heading("scan body", width=0.9)] * learned),
            Heading("temperature", width=1.0),
            Heading("U", width=0.8),
        ],
        [
            [
                f"{r.implant_a}-{r.implant_b}",
                f"{r.span_mm:.3f} mm",
                _um(r.u_instrument_um),
                *([_um(r.s_runs_um), _um(r.u_runs_um)] * repeated),
                *([_um(r.u_body_um)] * learned),
                _um(r.u_temperature_um),
                _um(r.expanded_u_um),
            ]
            for r in rows_of(shown)
        ],
    )


def _in_words(rows: pd.DataFrame) -> str:
    came = {
        "certificate": "the certified uncertainty of the positions",
        "MPE": "the maximum permissible error of the machine",
        "nothing": (
            "nothing: the uncertainty of the machine is not stated, so neither is the combined "
            "uncertainty"
        ),
    }
    text = (
        "The contribution of the machine is derived from "
        f"{joined([came[u] for u in set(rows['u_from'])])}."
    )
    runs = rows["n_runs"].max()
    if not missing(runs):
        text += (
            f" The reference is the mean of {runs:.0f} measurements; their scatter, from "
            f"{_um(rows['s_runs_um'].min())} to {_um(rows['s_runs_um'].max())} per distance, is "
            "included, widened for the small number of measurements."
        )
    return text


def _um(value: Any) -> str:
    return NONE if missing(value) else f"{number(value, 'um', decimals=2)} µm"


def _changes(document: Document, content: ReportContent) -> None:
    """The reference measured again: old and new with their uncertainties."""
    table = content.table("reference_changes")
    if not len(table):
        return
    document.table(
        "Repeated reference measurement: distance of every pair in the previous and the new "
        "reference; E_n: difference divided by the expanded uncertainty of the difference; above "
        "1, the two do not agree.",
        [
            Heading("model", "left", 0.8),
            Heading("from", "left", 0.9),
            Heading("pair", "left", 0.8),
            Heading("before", width=1),
            Heading("after", width=1),
            Heading("difference", width=0.9),
            Heading("U of it", width=0.8),
            Heading("E_n", width=0.6),
            Heading("verdict", "left", 1.2),
        ],
        [
            [
                str(r.model),
                day(r.valid_from),
                f"{r.implant_a}-{r.implant_b}",
                f"{r.before_mm:.4f} mm",
                f"{r.after_mm:.4f} mm",
                f"{number(r.difference_um, 'um', signed=True)} µm",
                NONE if missing(r.expanded_um) else f"{number(r.expanded_um, 'um')} µm",
                NONE if missing(r.e_n) else number(abs(r.e_n), "", decimals=1),
                str(r.verdict),
            ]
            for r in rows_of(table)
        ],
    )
