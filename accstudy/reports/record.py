"""Where a report comes from: identification, the reference, the record and the tables inside."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import pandas as pd

from accstudy.reports.common import groups
from accstudy.reports.document import Attachment, Document, ReportContent, Text, clean
from accstudy.tables import TABLES, csv_bytes
from accstudy.words.catalogue import say, words
from accstudy.words.names import capital
from accstudy.words.numbers import NONE, date, joined, missing, number

_MOST_PAIRS = 28


def reference_section(document: Document, content: ReportContent) -> None:
    """Dossier of the reference."""
    table = content.table("reference_pairs")
    if not len(table):
        return
    document.heading(say("reference.the_reference"))
    document.terms(_stated(content))
    latest, told = list[pd.DataFrame](), dict[str, list[str]]()
    for (model,), mine in groups(table, ["model"]):
        last = mine["valid_from"].max()
        latest.append(mine[mine["valid_from"] == last] if pd.notna(last) else mine)
        told.setdefault(_in_words(latest[-1]), []).append(str(model))
    for text, models in told.items():
        every = len(models) == len(latest) > 1
        document.lead(say("reference.all_models") if every else _named(models), text)
    _pairs(document, latest)
    _changes(document, content)


def reference_methods(content: ReportContent) -> str:
    """How the uncertainty of the reference was evaluated, and where it enters."""
    table = content.table("reference_pairs")
    if not len(table):
        return ""
    runs = table["n_runs"].dropna()
    type_a = ""
    if len(runs):
        sizes = sorted({int(n) for n in runs})
        type_a = say("reference.type_a_jcgm_100", sizes=joined([str(n) for n in sizes], last="or"))
    came = [
        words("reference.type_b")[u]
        for u in words("reference.type_b")
        if (table["u_from"] == u).any()
    ]
    if table["u_body_um"].notna().any():
        came.append(say("reference.the_scan_body_which"))
    if (table["u_temperature_um"] > 0).any():
        came.append(say("reference.temperature_and_expansion_of"))
    budget = content.table("uncertainty_budget")
    if len(budget) and (budget["counted"] & (budget["part"] == "scan body seating")).any():
        came.append(say("reference.the_seating_of_scan"))
    text = say("reference.contributions_to_the_standard")
    text += type_a or say("reference.no_type_a_part")
    text += (
        say("reference.type_b_4_3", came=joined(came)) if came else say("reference.no_type_b_part")
    )
    if table["u_um"].isna().all():
        return say("reference.without_a_certificate_or", text=text)
    places = [] if content.has("drift_limits") else [say("reference.is_a_contribution_to")]
    if content.has("conformity"):
        places.append(say("reference.determines_the_guard_band"))
    if content.has("drift_limits"):
        places.append(say("reference.is_included_in_the"))
    if content.has("seating_summary"):
        drawn = say("reference.enters_the_predicted_gaps")
        places.append(drawn + (say("reference.those_of_the_runs") if len(runs) else ""))
    return say("reference.the_squares_are_added", text=text, places=joined(places))


def _stated(content: ReportContent) -> list[tuple[str, Text]]:
    """What study.toml says of the reference measurement."""
    ours = content.settings.get("reference", {})
    given = content.settings.get("uncertainty", {})
    scans = content.settings.get("scans", {})
    mpe = ours.get("mpe_um") or {}
    used = bool(
        (content.table("reference_pairs").get("u_from", pd.Series(dtype=str)) == "MPE").any()
    )
    pairs: list[tuple[str, Text]] = [
        (say("reference.instrument"), str(ours.get("instrument") or "")),
        (say("reference.certificate"), str(ours.get("certificate") or "")),
        (
            say("reference.measured_on"),
            date(ours["measured_on"]) if ours.get("measured_on") else "",
        ),
        (say("reference.next_measurement_due"), date(ours["due_on"]) if ours.get("due_on") else ""),
        (say("reference.probed"), str(ours.get("probed") or "")),
        (say("reference.maximum_permissible_error"), _mpe(mpe, used=used) if mpe else ""),
        (say("reference.temperature"), _temperature(ours, scans, given)),
        (say("reference.expansion_of_the_model"), _expansion(scans, given)),
    ]
    return [(word, text) for word, text in pairs if text]


def _mpe(mpe: dict[str, Any], *, used: bool) -> str:
    growing = mpe.get("per_metre") or 0.0
    more = say("reference.m_per_metre", growing=growing) if growing else ""
    if not used:
        return say("reference.m_not_used", constant=mpe["constant"], more=more)
    return say("reference.m_rectangular_distribution", constant=mpe["constant"], more=more)


def _temperature(ours: dict[str, Any], scans: dict[str, Any], given: dict[str, Any]) -> str:
    def at(kelvin: Any, off: Any) -> str:
        return f"{20.0 if kelvin is None else kelvin:g} °C" + (f" ± {off:g} K" if off else "")

    measured = at(ours.get("temperature_c"), given.get("reference_temperature_tolerance_k"))
    scanned = at(scans.get("temperature_c"), given.get("temperature_tolerance_k"))
    return say("reference.temperatures", measured=measured, scanned=scanned)


def _expansion(scans: dict[str, Any], given: dict[str, Any]) -> str:
    expansion = scans.get("expansion_per_k")
    if not expansion:
        return ""
    off = given.get("expansion_tolerance_per_k")
    width = f" ± {1e6 * off:g}" if off else ""
    return f"({1e6 * expansion:g}{width}) × 10⁻⁶/K" if off else f"{1e6 * expansion:g} × 10⁻⁶/K"


def _named(models: list[str]) -> str:
    return capital(say("names.model_model", model=joined(models)))


def _pairs(document: Document, models: list[pd.DataFrame]) -> None:
    """How well the distances are known: all of one reference, the ends of several."""
    several = len(models) > 1
    ordered = [m.sort_values("span_mm", kind="stable") for m in models]
    rows = pd.concat([m.iloc[[0, -1]] if several and len(m) > 1 else m for m in ordered])
    shown = rows
    if not several:
        shown = rows.sort_values("u_um", ascending=False, kind="stable").head(_MOST_PAIRS)
        shown = shown.sort_values("span_mm", kind="stable")
    repeated = int(rows["n_runs"].notna().any())
    learned = int(rows["u_body_um"].notna().any())
    axes = int(rows["u_angle_deg"].notna().any())
    document.listed(
        "reference.pairs_table",
        shown,
        once=int(several),
        shown=["several"] * several
        + ["repeated"] * repeated
        + ["learned"] * learned
        + ["axes"] * axes,
        which=say("reference.shortest_and_longest" if several else "reference.every_distance"),
        cut="" if len(shown) == len(rows) else say("reference.the_least_certain", shown=len(shown)),
    )


def _in_words(rows: pd.DataFrame) -> str:
    came = {
        "certificate": say("reference.the_certified_uncertainty_of"),
        "MPE": say("reference.the_maximum_permissible_error"),
        "nothing": (say("reference.nothing_the_uncertainty_of")),
    }
    text = say(
        "reference.the_contribution_of_the", set=joined([came[u] for u in set(rows["u_from"])])
    )
    runs = rows["n_runs"].max()
    if not missing(runs):
        text += say(
            "reference.the_reference_is_the",
            runs=runs,
            s_runs_um=_um(rows["s_runs_um"].min()),
            s_runs_um_2=_um(rows["s_runs_um"].max()),
        )
    return text


def _um(value: Any) -> str:
    return NONE if missing(value) else say("reference.m_value", value=value)


def _changes(document: Document, content: ReportContent) -> None:
    """The reference measured again: old and new with their uncertainties."""
    table = content.table("reference_changes")
    if not len(table):
        return
    document.listed(
        "reference.changes_table",
        table,
        named={"size": lambda e_n: number(abs(e_n) if not missing(e_n) else e_n, "", decimals=1)},
    )


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
        parts.append(say("record.measured_on", measured_on=settings["measured_on"]))
    if settings.get("due_on"):
        parts.append(say("record.due_on", due_on=settings["due_on"]))
    return ", ".join(p for p in parts if p)


def record_section(document: Document, content: ReportContent) -> None:
    """Hashes, versions and settings."""
    document.heading(say("record.record"))
    record = content.record
    document.lead(say("record.how_to_check"), say("record.the_sha_256_of"))
    versions = record.get("versions", {})
    document.terms(
        [
            ("accstudy", str(record.get("accstudy", ""))),
            (say("record.versions"), joined([f"{k} {v}" for k, v in versions.items()])),
            (
                say("record.computed_on"),
                joined([str(v) for v in record.get("computer", {}).values()]),
            ),
            (
                say("record.data_of"),
                date(content.generated) if content.generated else say("record.unknown_no_scan_is"),
            ),
        ]
    )
    hashes = [
        [name if part == "inputs" else f"results/{name}", _grouped(str(value))]
        for part in ("inputs", "outputs")
        for name, value in sorted(record.get(part, {}).items())
    ]
    if hashes:
        shown = hashes[:60]
        more = "" if len(hashes) <= 60 else say("record.the_first_60_of", hashes=len(hashes))
        document.listed("record.hashes_table", shown, more=more)
    document.lead(say("record.settings"), say("record.all_settings_as_used"))
    document.terms(_settings(content.settings))


def _grouped(digest: str) -> str:
    return " ".join(digest[i : i + 16] for i in range(0, len(digest), 16))


def _settings(settings: Any) -> list[tuple[str, Text]]:
    """Settings as ``table.key`` with their value, empty ones left out."""
    out: list[tuple[str, Text]] = []
    for part, value in settings.items():
        tables = value if isinstance(value, list) else [value]
        if tables and all(isinstance(t, dict) for t in tables):
            for table in tables:
                shown = [f"{k} = {_value(v)}" for k, v in table.items() if _told(v)]
                if shown:
                    out.append((part, "; ".join(shown)))
        elif value:
            out.append((part, _value(value)))
    return out


def _told(value: Any) -> bool:
    return value is not None and not (isinstance(value, str | list | tuple | dict) and not value)


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {_value(v)}" for k, v in value.items() if _told(v)) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, float) else str(value)


def attachments(content: ReportContent) -> list[Attachment]:
    """Result tables and the record as files that travel in the PDF."""
    found = []
    for name in TABLES:
        table = content.table(name)
        if not _own(content, name):
            continue
        data = content.files.get(f"{name}.csv", b"")
        if not data:
            factors = tuple(c for c in table.columns if c not in TABLES[name].names)
            data = csv_bytes(name, table, factors=factors)
        what = say("record.table_one_row_per", name=name, row=TABLES[name].row)
        found.append(Attachment(f"{name}.csv", data, "text/csv", what))
    if found:
        found.append(
            Attachment(
                "tables.csv",
                _dictionary(content),
                "text/csv",
                say("record.meaning_of_every_column"),
            )
        )
    record = json.dumps(content.record, indent=1, sort_keys=True, ensure_ascii=False, default=str)
    found.append(
        Attachment(
            "record.json",
            record.encode(),
            "application/json",
            say("record.hashes_versions_and_settings"),
        )
    )
    return found


def _own(content: ReportContent, name: str) -> bool:
    """Whether a table has rows under this very name."""
    return name in content.tables and content.has(name)


def _dictionary(content: ReportContent) -> bytes:
    rows = [
        {"table": name, "column": c.name, "unit": c.unit, "meaning": c.meaning}
        for name, table in TABLES.items()
        if _own(content, name)
        for c in table.columns
    ]
    return pd.DataFrame(rows).to_csv(index=False, lineterminator="\n").encode()


_SPECIAL = {
    "\\": r"\textbackslash{}",
    "&": r"\&",
    "%": r"\%",
    "$": r"\$",
    "#": r"\#",
    "_": r"\_",
    "{": r"\{",
    "}": r"\}",
    "~": r"\textasciitilde{}",
    "^": r"\textasciicircum{}",
    "−": "$-$",
    "µ": r"\textmu{}",
    "°": r"\textdegree{}",
    "–": "--",
    "\u00a0": "~",
    "<": r"\textless{}",
    ">": r"\textgreater{}",
}


def escaped(text: str) -> str:
    r"""Text that LaTeX shows as it stands.

    Examples
    --------
    >>> print(escaped("5 % of A_1 & −3"))
    5 \% of A\_1 \& $-$3
    """
    return "".join(_SPECIAL.get(c, c) for c in text)


def latex_table(
    caption: str, titles: Sequence[str], rows: Sequence[Sequence[str]], *, label: str
) -> bytes:
    """Write a table, cells as printed, with rules of the package booktabs, in UTF-8.

    The first column is set left, the others right; `label` is for cross-references.
    """
    lines = [
        r"% \usepackage{booktabs,textcomp}",
        r"\begin{table}",
        rf"\caption{{{escaped(caption)}}}\label{{{label}}}",
        rf"\begin{{tabular}}{{l{'r' * (len(titles) - 1)}}}",
        r"\toprule",
        " & ".join(escaped(t) for t in titles) + r" \\",
        r"\midrule",
        *(" & ".join(escaped(c) for c in row) + r" \\" for row in rows),
        r"\bottomrule",
        r"\end{tabular}",
        r"\end{table}",
        "",
    ]
    return "\n".join(lines).encode()
