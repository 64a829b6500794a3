"""Sessions that are not verified, and the work that is to be reassessed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import pandas as pd

from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, Heading
from accstudy.reports.report_rows import groups
from accstudy.reports.sessions import rows_of_device, signed
from accstudy.words.numbers import count, date, day

__all__ = ["id_range", "reassess", "work_in_doubt"]


def reassess(document: Document, content: ReportContent, row: Any) -> None:
    """Check scans of the sessions of a device that are not verified."""
    mine = rows_of_device(content.table("drift_lookback"), row.device, row.model)
    if not len(mine):
        why = "every session is within the limit" if row.limit_verdict else "no signal persists"
        document.lead("Work to reassess", f"None: {why}.")
        return
    scans = content.table("scans")
    usable = scans[scans["status"] != "failed"] if "status" in scans else scans
    total = int((usable["device"] == row.device).sum()) if "device" in usable else 0
    share = f" of {total} usable" if total else ""
    what = "that are not verified" if row.limit_verdict else "to which a signal may extend back"
    document.lead(
        "Work to reassess",
        f"{work_in_doubt(mine)} This work is not part of the study, which contains "
        f"{count(len(mine), 'check scan')}{share} of the sessions {what}. Record "
        "the assessment.",
    )
    document.table(
        f"Sessions {what}, and why.",
        [
            Heading("session", "left", 0.6),
            Heading("date", "left", 0.8),
            Heading("check scans", "left", 1.3),
            Heading("why", "left", 3),
        ],
        [
            [str(session), day(part["at"].min()), id_range([str(s) for s in part["scan"]]),
             signed("", str(part["doubt"].iloc[0]).replace("distance of pairs", "pairs"))]
            for (session,), part in groups(mine, ["session"])
        ],
        wide=False,
    )  # fmt: skip


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
        start = f"after {date(part['proven_good_at'].iloc[0])}" if good else "so far"
        end = f" and before {date(part['next_good_at'].iloc[0])}" if after else ""
        spans.append(start + end)
    return f"Reassess the work scanned {'; '.join(spans)}."


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
            return f"{ids[0]} to {ids[-1]}"
    return ", ".join(ids)
