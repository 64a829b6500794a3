"""Names and phrases of the drift report, and picking from its tables."""

from __future__ import annotations

import re

import pandas as pd

from accstudy.reports.content import ReportContent
from accstudy.reports.document import Text
from accstudy.words.catalogue import say
from accstudy.words.numbers import NONE, date, missing, number

__all__ = [
    "between",
    "device_events",
    "device_names",
    "main_measurand",
    "named_device",
    "rows_of_device",
    "said_once",
    "short_name",
    "signed",
]


def main_measurand(points: pd.DataFrame) -> str:
    """The measurand of page 1: the cross-arch distance, or the first there is."""
    names = list(dict.fromkeys(points["measurand"])) if len(points) else []
    return "cross-arch distance" if "cross-arch distance" in names else (names or [""])[0]


def named_device(content: ReportContent, device: str, model: str) -> str:
    """Device, and model where there are several."""
    models = set(content.table("drift_points").get("model", ()))
    name = device or say("drift.the_device")
    return say("drift.model_name_model", name=name, model=model) if len(models) > 1 else name


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


def device_events(content: ReportContent, device: str) -> pd.DataFrame:
    """Events of a device, those of all devices included."""
    events = content.table("events")
    if not len(events):
        return pd.DataFrame(columns=["at", "kind"])
    mine = events[events["device"].fillna("").isin(["", device])]
    return pd.DataFrame({"at": pd.to_datetime(mine["at"]), "kind": mine["kind"]})


def between(low: float, high: float, unit: str) -> str:
    """Interval of a signed number; a dash where there is none."""
    if missing(low):
        return NONE
    return say(
        "drift.to_low_high_2",
        low=number(low, unit, signed=True),
        high=number(high, unit, signed=True),
    )


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
