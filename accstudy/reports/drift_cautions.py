"""What to bear in mind with a device's charts: gaps, events in a baseline, worn bodies."""

from __future__ import annotations

import pandas as pd

from accstudy.figures.drift import gaps_after
from accstudy.figures.style import rows_of
from accstudy.reports.sessions import short_name
from accstudy.words.catalogue import say
from accstudy.words.numbers import date, joined, p_value

__all__ = ["device_cautions"]


def device_cautions(
    points: pd.DataFrame,
    events: pd.DataFrame,
    trends: pd.DataFrame,
    signals: pd.DataFrame,
    scans: pd.DataFrame,
) -> list[str]:
    """Say what the charts of one device do not show by themselves.

    Parameters
    ----------
    points, trends, signals : DataFrame
        Rows of tables ``drift_points``, ``drift_trends``, ``drift_signals`` of the device.
    events, scans : DataFrame
        Tables ``events`` and ``scans`` of the device; events of all devices included.

    Returns
    -------
    list of str
        Sentences: gaps between sessions, events within a baseline, small p values of a
        trend in a measurand without signs, scan bodies that grew old with the device, a
        change of software within the charts.
    """
    said = []
    at = points.drop_duplicates("session").sort_values("at")["at"].reset_index(drop=True)
    for k in gaps_after(at):
        said.append(say("device.no_session_between_and", at=date(at[k]), at_2=date(at[k + 1])))
    first = points[points["baseline"].fillna(False).astype(bool)]
    for number, base in first.groupby("baseline_no", sort=True):
        when = pd.to_datetime(events["at"]) if len(events) else pd.Series([], dtype=object)
        inside = events[(when > base["at"].min()) & (when < base["at"].max())]
        which = "" if number == 1 else f" {number}"
        for row in rows_of(inside):
            said.append(
                say(
                    "device.its_baseline_spans_an",
                    which=which,
                    kind=row.kind,
                    Timestamp=date(pd.Timestamp(row.at)),
                )
            )
    said += _software(points, scans)
    signed = set(signals["measurand"]) if len(signals) else set()
    for row in rows_of(trends):
        if row.p < 1 - row.confidence and row.measurand not in signed:
            said.append(
                say(
                    "device.has_a_trend_with",
                    short_name=short_name(row.measurand),
                    p=p_value(row.p),
                )
            )
    uses = scans["body_uses"].dropna() if "body_uses" in scans else pd.Series([], dtype=float)
    if len(uses) and uses.max() > uses.min():
        said.append(
            say("device.its_scan_bodies_were", uses=int(uses.min()), uses_2=int(uses.max()))
        )
    return said


def _software(points: pd.DataFrame, scans: pd.DataFrame) -> list[str]:
    """Versions of the software that the charts of the present baseline mix."""
    if not {"software", "measured_at"} <= set(scans.columns) or not len(points):
        return []
    since = points.loc[points["baseline_no"] == points["baseline_no"].max(), "at"].min()
    mine = scans.assign(at=pd.to_datetime(scans["measured_at"])).sort_values("at", kind="stable")
    mine = mine[(mine["at"] >= since) & (mine["software"].fillna("") != "")]
    first = mine.drop_duplicates("software")
    if len(first) < 2:
        return []
    known = [
        say("device.from_software_at", software=r.software, at=date(r.at)) for r in rows_of(first)
    ]
    return [
        say(
            "device.its_software_changed_without",
            known=joined(known),
            software=first["software"].iloc[0],
        )
    ]
