"""Sessions that are not verified, and the work that is to be reassessed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import pandas as pd

from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, heads
from accstudy.reports.report_rows import groups
from accstudy.reports.sessions import rows_of_device, signed
from accstudy.words.catalogue import say
from accstudy.words.numbers import date, day

__all__ = ["id_range", "reassess", "work_in_doubt"]


def reassess(document: Document, content: ReportContent, row: Any) -> None:
    """Check scans of the sessions of a device that are not verified."""
    mine = rows_of_device(content.table("drift_lookback"), row.device, row.model)
    if not len(mine):
        why = (
            say("device.every_session_is_within")
            if row.limit_verdict
            else say("device.no_signal_persists")
        )
        document.lead(say("device.work_to_reassess"), say("device.none_why", why=why))
        return
    scans = content.table("scans")
    usable = scans[scans["status"] != "failed"] if "status" in scans else scans
    total = int((usable["device"] == row.device).sum()) if "device" in usable else 0
    share = say("device.of_usable", total=total) if total else ""
    what = (
        say("device.that_are_not_verified")
        if row.limit_verdict
        else say("device.to_which_a_signal")
    )
    document.lead(
        say("device.work_to_reassess"),
        say(
            "device.this_work_is_not",
            work_in_doubt=work_in_doubt(mine),
            mine=len(mine),
            share=share,
            what=what,
        ),
    )
    document.table(
        say("device.sessions_and_why", what=what),
        heads("device.columns_session_date_check_scans"),
        [
            [
                str(session),
                day(part["at"].min()),
                id_range([str(s) for s in part["scan"]]),
                signed("", str(part["doubt"].iloc[0]).replace("distance of pairs", "pairs")),
            ]
            for (session,), part in groups(mine, ["session"])
        ],
        wide=False,
    )


def work_in_doubt(look: pd.DataFrame) -> str:
    """Say which work is to be reassessed: that between verified sessions.

    Parameters
    ----------
    look : DataFrame
        Rows of table ``drift_lookback`` of one device and model, in order of time.

    Returns
    -------
    str
    """
    spans = []
    for (good, after), part in look.groupby(["proven_good", "next_good"], sort=False):
        start = (
            say("device.after_proven_good_at", proven_good_at=date(part["proven_good_at"].iloc[0]))
            if good
            else say("device.so_far")
        )
        end = (
            say("device.and_before", next_good_at=date(part["next_good_at"].iloc[0]))
            if after
            else ""
        )
        spans.append(start + end)
    return say("device.reassess_the_work_scanned", spans="; ".join(spans))


def id_range(ids: Sequence[str]) -> str:
    """Write identifiers that differ in a last running number as a range.

    Examples
    --------
    >>> id_range(["A_1_r1", "A_1_r2", "A_1_r3"]), id_range(["a1", "a3"]), id_range(["x", "y"])
    ('A_1_r1 to A_1_r3', 'a1, a3', 'x, y')
    """
    parts = [re.fullmatch(r"(.*?)([0-9]+)", one) for one in ids]
    if len(ids) > 2 and all(parts) and len({m[1] for m in parts if m}) == 1:
        numbers = [int(m[2]) for m in parts if m]
        if numbers == list(range(numbers[0], numbers[0] + len(ids))):
            return say("device.to_ids_ids_2", ids=ids[0], ids_2=ids[-1])
    return ", ".join(ids)
