"""Finished tables to the PDF and its figures; what stands in a drift study, for programs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from accstudy.study.checks import grouped_by
from accstudy.study.load import Study
from accstudy.study.record import Record, drawn_orders
from accstudy.tables import UNREFERENCED, shape


@dataclass(frozen=True, slots=True)
class ReportOptions:
    """What the report depends on beside results and record.

    ``figures`` are the forms in which figures come as files, too, parted by commas; ``page``
    whether a page to explore comes with it, ``who`` who runs it, ``issued`` the date of issue
    (YYYY-MM-DD) where it is not that of study.toml. ``dpi`` is of figures as PNG and TIFF; None, as
    in records of before it could be chosen, is 300.
    """

    figures: str = ""
    page: bool = False
    who: str = ""
    issued: str = ""
    dpi: int | None = 300

    @property
    def forms(self) -> tuple[str, ...]:
        """The forms one by one."""
        return tuple(part for part in self.figures.split(",") if part)

    def chosen(self) -> dict[str, Any]:
        """What the record says of them."""
        return {name: value for name, value in asdict(self).items() if value is not None}


def make_report(
    study: Study,
    tables: dict[str, pd.DataFrame],
    record: Record,
    options: ReportOptions,
    *,
    kept: Path | None = None,
    files: Mapping[str, bytes] | None = None,
) -> dict[str, bytes]:
    """Make the report of a study: file name, relative to the reports folder, to content.

    `tables` as they stand in the files, `files` their bytes; the folder `kept` holds what need not
    be drawn again, and may be deleted at any time.
    """
    from accstudy.reports.document import ReportContent
    from accstudy.reports.render import render_report
    from accstudy.stages.pictures import report_pictures

    pictures = report_pictures(study, tables, record, kept=kept)
    settings = study.settings
    kind = settings.study.kind
    content = ReportContent(
        title=settings.study.title,
        settings=_settings_as_used(study, tables),
        tables={
            **tables,
            "scans": shape("scans", study.scans, factors=study.factors),
            **({"implants": shape("implants", study.implants)} if study.referenced else {}),
            "events": shape("events", study.events),
        },
        record=dict(record),
        generated=_last_day(study),
        issued=options.issued,
        who=options.who,
        pictures=pictures.png,
        picture_notes=pictures.notes,
        files=files or {},
    )
    made = render_report(kind, content, forms=options.forms, dpi=options.dpi or 300)
    out = {f"{kind}.pdf": made.pdf}
    if options.page:
        from accstudy.stages.page import make_page

        out[f"{kind}.html"] = make_page(study, content, made.data)
    for name, data in made.figures.items():
        if name.rpartition(".")[2] in options.forms:
            out[f"figures/{name}"] = data
    return out


def _settings_as_used(study: Study, tables: dict[str, pd.DataFrame]) -> dict[str, Any]:
    """Settings with the groups and all models used, also those that study.toml does not name."""
    settings = study.settings.as_used()
    condition, cell = grouped_by(study.settings, study.factors)
    settings["analysis"] |= {"condition": list(condition), "cell": list(cell)}
    settings["orders"] = list(drawn_orders(study.files).values())
    if "model_terms" in tables:
        from accstudy.stages.model_checks import model_specs

        specs = model_specs(study, _pairs(tables))
        settings["model"] = [asdict(spec) for spec in specs]
    return settings


def _pairs(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Table ``pair_deviations``, or what stands in its place without a reference."""
    name = "pair_deviations"
    return tables[name if name in tables else UNREFERENCED[name]]


def _last_day(study: Study) -> str:
    """Day of the last scan, which dates the report; empty when none is dated."""
    if "measured_at" not in study.scans:
        return ""
    last = pd.to_datetime(study.scans["measured_at"]).max()
    return "" if pd.isna(last) else str(last.date().isoformat())


STATUS = "status.json"
"""Name of the file in the results folder."""

_NEXT = "next session"


def drift_status(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame | None:
    """Table ``drift_status``, or its replacement without a reference."""
    name = "drift_status"
    return tables.get(name, tables.get(UNREFERENCED[name]))


def _needs_action(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Devices to act upon now: a signal stands, or the limit is not verified."""
    status = drift_status(tables)
    if status is None or not len(status):
        return pd.DataFrame()
    return status[status["action"] != _NEXT]


def standing_lines(tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """A line a device that needs action."""
    return [
        " ".join(
            part
            for part in (
                f"{row['device'] or 'device'} (model {row['model']}): {row['action']}.",
                row["what"],
                row.get("limit_what"),
                row.get("duty_what"),
            )
            if part
        )
        for row in _needs_action(tables).to_dict("records")
    ]


def status_file(status: pd.DataFrame) -> dict[str, Any]:
    """Content of status.json, from table ``drift_status``.

    ``stands`` (of any device), ``exit_code`` of a run that leaves no scan out, and ``devices``: the
    row of each, dates as ISO text, what is empty as null.
    """
    devices = [
        {str(name): _plain(value) for name, value in row.items()}
        for row in status.to_dict("records")
    ]
    acts = bool(len(_needs_action({"drift_status": status})))
    stands = bool(status["stands"].fillna(False).astype(bool).any()) if len(status) else False
    return {"stands": stands, "exit_code": 5 if acts else 0, "devices": devices}


def _plain(value: Any) -> Any:
    if isinstance(value, pd.Timestamp):
        return value.isoformat()
    if pd.isna(value):
        return None
    return value.item() if hasattr(value, "item") else value
