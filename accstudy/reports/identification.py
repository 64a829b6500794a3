"""Who, with what, when: the block that identifies a report, and its signatures."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.reports.content import ReportContent
from accstudy.reports.document import Text, clean
from accstudy.words.catalogue import say
from accstudy.words.numbers import date, joined

__all__ = ["identity"]


def identity(content: ReportContent) -> dict[str, Any]:
    """Laboratory, number, dates, devices, reference and signatures of a report.

    Notes
    -----
    What a report of a measurement names to be traceable: ISO/IEC 17025:2017, 7.8.2.
    """
    study = content.settings.get("study", {})
    issued = content.issued or str(study.get("issued_on") or "")
    pairs: list[tuple[str, str]] = [
        (say("record.laboratory"), str(study.get("laboratory") or "")),
        (say("record.report_no"), str(study.get("report_number") or "")),
        (say("record.date_of_issue"), date(issued) if issued else ""),
    ]
    known = [
        (
            say("record.data_until"),
            date(content.generated) if content.generated else say("record.no_scan_is_dated"),
        ),
        (say("record.devices"), devices(content.table("scans"))),
        (say("record.reference"), reference(content.settings.get("reference", {}))),
    ]
    if content.who:
        known.append((say("record.run_by"), content.who))
    signatures = [
        (say("record.author"), str(study.get("author") or "")),
        (say("record.approved_by"), str(study.get("approver") or "")),
    ]
    pairs += [(k, v) for k, v in known if v]
    shown: list[tuple[str, Text]] = [(k, clean(v)) for k, v in pairs]
    return {"pairs": shown, "signatures": [(k, clean(v)) for k, v in signatures]}


def devices(scans: pd.DataFrame) -> str:
    """Devices of a scan list with serial number and software version.

    Examples
    --------
    >>> devices(pd.DataFrame({"device": "A", "serial_number": "77", "software": ["2.0", "2.1"]}))
    'A (serial number 77, software 2.0 and 2.1)'
    """
    if "device" not in scans or not len(scans):
        return ""
    said = []
    for device, rows in scans.groupby("device", sort=True):
        if not str(device):
            continue
        parts = []
        for column, word in (
            ("serial_number", say("record.serial_number")),
            ("serial", say("record.serial_number")),
            ("software", "software"),
        ):
            if column in rows:
                values = [str(v) for v in dict.fromkeys(rows[column]) if pd.notna(v) and str(v)]
                parts += [f"{word} {joined(values)}"] if values else []
        said.append(f"{device} ({', '.join(parts)})" if parts else str(device))
    return "; ".join(said)


def reference(settings: Any) -> str:
    """Instrument, certificate, when measured and until when it holds; or that there is none."""
    if settings.get("kind") == "none":
        return say("record.none_scans_are_compared")
    parts = [str(settings.get("instrument") or "")]
    if settings.get("certificate"):
        parts.append(say("record.certificate_certificate", certificate=settings["certificate"]))
    if settings.get("measured_on"):
        parts.append(say("record.measured_on", measured_on=date(settings["measured_on"])))
    if settings.get("due_on"):
        parts.append(say("record.due_on", due_on=date(settings["due_on"])))
    return ", ".join(p for p in parts if p)
