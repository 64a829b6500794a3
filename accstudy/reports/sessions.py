"""Names and phrases of the drift report, and picking from its tables."""

from __future__ import annotations

import re
from typing import Any

import pandas as pd

from accstudy.figures.style import rows_of
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Text
from accstudy.reports.wording import (
    date,
    missing,
    number,
    unit_name,
)

__all__ = [
    "CHARTS",
    "device_names",
    "events_of",
    "main_measurand",
    "named_device",
    "proven_good_on",
    "rows_of_device",
    "said_once",
    "short_name",
    "signed",
    "since_good",
    "slope_phrase",
    "when_changed",
]

CHARTS = {
    "individuals": "single sessions",
    "moving-range": "moving range",
    "mean": "session means",
    "ewma": "EWMA of the means",
    "cusum": "CUSUM",
    "cusum-high": "CUSUM upwards",
    "cusum-low": "CUSUM downwards",
    "sd": "spread within sessions",
    "individuals-sd": "spread of single sessions",
    "moving-range-sd": "moving range of the spread",
    "ewma-sd": "EWMA of the spread",
    "cusum-sd": "CUSUM of the spread",
    "cusum-sd-high": "CUSUM of the spread upwards",
    "cusum-sd-low": "CUSUM of the spread downwards",
}


def main_measurand(points: pd.DataFrame) -> str:
    """The measurand of page 1: the cross-arch distance, or the first there is."""
    names = list(dict.fromkeys(points["measurand"])) if len(points) else []
    return "cross-arch distance" if "cross-arch distance" in names else (names or [""])[0]


def named_device(content: ReportContent, device: str, model: str) -> str:
    """Device, and model where there are several."""
    models = set(content.table("drift_points").get("model", ()))
    name = device or "the device"
    return f"{name}, model {model}" if len(models) > 1 else name


def device_names(content: ReportContent, rows: pd.DataFrame) -> list[str]:
    """Name of the device of every row."""
    whose = list(zip(rows["device"], rows["model"], strict=True))
    known = {pair: named_device(content, *pair) for pair in set(whose)}
    return [known[pair] for pair in whose]


def rows_of_device(table: pd.DataFrame, device: str, model: str) -> pd.DataFrame:
    """Rows of one device and model."""
    if not len(table):
        return table
    return table[(table["device"] == device) & (table["model"] == model)]


def short_name(measurand: str) -> str:
    """Measurand without what its neighbours share.

    Examples
    --------
    >>> short_name("distance of pairs over 30 mm apart"), short_name("scale")
    ('pairs over 30 mm apart', 'scale')
    """
    return measurand.removeprefix("distance of ")


def said_once(rows: list[list[Text]]) -> list[list[Text]]:
    """Rows whose first cells are empty where they repeat those above."""
    out: list[list[Text]] = []
    for k, row in enumerate(rows):
        same = k > 0 and row[0] == rows[k - 1][0]
        both = same and row[1] == rows[k - 1][1]
        out.append(["" if same else row[0], "" if both else row[1], *row[2:]])
    return out


def proven_good_on(look: pd.DataFrame) -> str:
    """Day of the last session proven good, in words."""
    good = look["proven_good_at"].iloc[0]
    return "the first session" if missing(good) or good is pd.NaT else date(good)


def since_good(look: pd.DataFrame) -> str:
    """Time whose work is in doubt: after the last session proven good, in words."""
    good = look["proven_good_at"].iloc[0]
    if missing(good) or good is pd.NaT:
        return "so far"
    return f"after {date(good)}"


def when_changed(look: pd.DataFrame, signals: pd.DataFrame) -> str:
    """When a standing change is estimated to begin, and when charts first signalled it.

    Parameters
    ----------
    look : DataFrame
        Rows of table ``drift_lookback`` of one device and model.
    signals : DataFrame
        Rows of table ``drift_signals`` of the same.

    Returns
    -------
    str
        Both dates where both kinds of sign exist, since the first standing one.
    """
    first = look["signal_at"].iloc[0]
    since = signals[signals["at"] >= first] if len(signals) else signals
    said = []
    for kind in ("change-point", "signal") if len(since) else ():
        mine = since[since["kind"] == kind].sort_values("at", kind="stable")
        if not len(mine):
            continue
        row = mine.iloc[0]
        if kind == "signal":
            said.append(f"charts signalled first on {date(row['at'])}")
            continue
        between = f"{date(row['low'])} to {date(row['high'])}"
        said.append(f"change estimated to begin about {date(row['at'])} ({between})")
    return ", ".join(said) or f"first sign on {date(first)}"


def slope_phrase(row: Any) -> str:
    """Trend of one measurand in a sentence."""
    name = str(row.measurand)
    values = [
        number(v, row.unit, signed=True)
        for v in (row.slope_per_month, row.slope_low_per_month, row.slope_high_per_month)
    ]
    shown = not missing(row.p) and float(row.p) < 0.05
    start = f"{name[0].upper()}{name[1:]}, {'trend' if shown else 'no trend shown'}: "
    text = f"{start}{values[0]} {unit_name(row.unit)} a month ({values[1]} to {values[2]})"
    if pd.notna(row.reached_at):
        if row.reached_at <= row.until:
            text += "; the bound for future scans lies beyond the limit already: "
            text += "out of use until verified"
        else:
            text += f"; if it goes on, the bound meets the limit about {date(row.reached_at)}"
    return text + "."


def events_of(content: ReportContent, shown: pd.DataFrame) -> pd.DataFrame:
    """Events with the name of the panel they belong to."""
    events = content.table("events")
    columns = ["at", "kind", "name"]
    if not len(events):
        return pd.DataFrame(columns=columns)
    rows = []
    for r in rows_of(shown.drop_duplicates("name")):
        for e in rows_of(events):
            if not e.device or e.device == r.device:
                rows.append([pd.Timestamp(e.at), e.kind, r.name])
    return pd.DataFrame(rows, columns=columns)


def signed(device: str, what: str) -> Text:
    """Sentence of a device with typographic minus signs and dates in words.

    Examples
    --------
    >>> signed("device A", "Scale stepped by -3.0 ppm on 2024-05-06.")
    'device A: scale stepped by −3.0 ppm on 6 May 2024.'
    """
    said = re.sub(r"(?<=[ (])-(?=\d)", "−", what)
    said = re.sub(r"\b\d{4}-\d{2}-\d{2}\b", lambda found: date(found[0]), said)
    return f"{device}: {said[0].lower()}{said[1:]}" if device else said
