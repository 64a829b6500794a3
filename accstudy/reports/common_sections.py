"""Sections that every report has: scope of the result, losses, methods, limits of use."""

from __future__ import annotations

import pandas as pd

from accstudy.figures.style import rows_of
from accstudy.reports.cautions import (
    CAUTIONS,
    FIRST_CAUTIONS,
    FIRST_UNREFERENCED,
    OF_SEATING,
    UNREFERENCED_CAUTIONS,
)
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, Heading, Text
from accstudy.reports.methods import methods, sources
from accstudy.reports.model_methods import model_rows
from accstudy.reports.sentences import failure_sentence, measurand_name
from accstudy.reports.terms import in_words
from accstudy.words.numbers import count, joined, missing, period, quantity

__all__ = [
    "factor_levels",
    "holds_for",
    "left_out",
    "limits_of_use",
    "methods_section",
    "subtitle",
    "tried_sentence",
    "words_section",
]

_NOT_FACTORS = {
    "scan", "file", "model", "status", "reason", "condition", "cell", "measured_at", "repeat",
    "temperature_c", "poses", "row",
}  # fmt: skip


_FLAGS = {"true": "yes", "false": "no"}


def used_scans(content: ReportContent) -> pd.DataFrame:
    """Scans that gave results."""
    scans = content.table("scans")
    if not len(scans):
        return scans
    return scans[scans["scan"].isin(set(content.table("pair_deviations").get("scan", ())))]


def factor_levels(content: ReportContent) -> dict[str, list[str]]:
    """Levels of every factor among the scans that were used."""
    scans = used_scans(content)
    found = {}
    for name in scans.columns:
        if pd.api.types.is_datetime64_any_dtype(scans[name].dtype):
            continue
        values = scans[name][scans[name].notna()]
        if name in _NOT_FACTORS or not len(values):
            continue
        if pd.api.types.is_bool_dtype(values.dtype):
            found[str(name)] = ["yes" if v else "no" for v in dict.fromkeys(values)]
        elif pd.api.types.is_numeric_dtype(values.dtype) and values.nunique() > 3:
            found[str(name)] = [f"{values.min():g} to {values.max():g}"]
        elif pd.api.types.is_numeric_dtype(values.dtype):
            found[str(name)] = [f"{v:g}" for v in dict.fromkeys(values)]
        else:
            said = [_FLAGS.get(str(v), str(v)) for v in dict.fromkeys(values) if str(v)]
            if said:
                found[str(name)] = said
    return found


def tried_sentence(content: ReportContent) -> str:
    """How many scans were tried and failed, and how the used ones lie in cells."""
    found = content.table("failures")
    if not len(found):
        return ""
    failed, n = int(found["failed"].iloc[-1]), int(found["total"].iloc[-1])
    text = f"{count(n, 'scan')} {'was' if n == 1 else 'were'} tried, {failed or 'none'} failed"
    used = used_scans(content)
    cell = [str(c) for c in content.settings.get("analysis", {}).get("cell") or ()]
    sizes = [count(int(used[c].nunique()), c.replace("_", " ")) for c in cell if c in used]
    if sizes and "cell" in content.table("pair_deviations"):
        cells = content.table("pair_deviations").groupby("condition")["cell"].nunique()
        per = joined([str(v) for v in sorted(set(cells.tolist()))], last="or")
        text += f"; the others come from {joined(sizes)}: {per} cells"
        text += " a condition" if len(cells) > 1 else ""
    return text + "."


def _lost(content: ReportContent) -> list[str]:
    """Scans that failed while being measured."""
    scans = content.table("scans")
    seen = set(content.table("pair_deviations").get("scan", ()))
    status = scans["status"] if "status" in scans else pd.Series("ok", index=scans.index)
    excluded = {e["scan"] for e in content.settings.get("exclusions", ())}
    return [s for s in scans.loc[status != "failed", "scan"] if s not in seen | excluded]


def days(content: ReportContent) -> str:
    """First and last day of the scans that were used; empty when unknown."""
    scans = used_scans(content)
    return period(scans["measured_at"]) if "measured_at" in scans else ""


def subtitle(content: ReportContent) -> str:
    """One line under the title."""
    scans, implants = used_scans(content), content.table("implants")
    parts = [count(len(scans), "scan")] if len(scans) else []
    if len(implants):
        models = implants["model"].nunique()
        sizes = sorted(set(implants.groupby("model")["implant"].nunique().tolist()))
        parts.append(f"{count(models, 'model')} of {joined([str(n) for n in sizes])} implants")
    when = days(content)
    if when:
        parts.append(when)
    return ", ".join(parts)


def holds_for(document: Document, content: ReportContent) -> None:
    """Scope of the result, a line a term."""
    levels = factor_levels(content)
    pairs: list[tuple[str, Text]] = []
    same = [
        v[0] if name.lower() in v[0].lower() else f"{_label(name).lower()} {v[0]}"
        for name, v in levels.items()
        if len(v) == 1 and " to " not in v[0]
    ]
    if same:
        pairs.append(("Throughout", ", ".join(same)))
    varied = [
        _levels_said(_label(name), values)
        for name, values in levels.items()
        if len(values) > 1 or " to " in values[0]
    ]
    if varied:
        pairs.append(("Varied", "; ".join(varied)))
    table = content.table("pair_deviations")
    if len(table):
        span = (
            f"{quantity(table['span_mm'].min(), 'mm')} to {quantity(table['span_mm'].max(), 'mm')}"
        )
        path = quantity(table["path_mm"].max(), "mm")
        pairs.append(("Spans", f"{span}, longest arch length {path}"))
    if content.settings.get("reference", {}).get("kind") == "scan":
        pairs.append(("Reference", "itself a scan; differences are agreement, not trueness"))
    limits = content.settings.get("limits", {}) if content.referenced else {}
    by_source: dict[str, list[str]] = {}
    for key, unit, name in (
        ("distance_um", "um", "distance"),
        ("angle_deg", "deg", "angle"),
        ("seat_gap_um", "um", "gap"),
    ):
        if limits.get(key):
            mine = by_source.setdefault(str(limits[key]["source"]), [])
            mine.append(f"{name} {quantity(limits[key]['value'], unit)}")
    said = [f"{joined(named)} ({source})" for source, named in by_source.items()]
    if said:
        pairs.append(("Limits", "; ".join(said)))
    pairs.append(("Not covered", "the mouth, other devices, versions, operators or longer spans"))
    pairs.append(("Caution", FIRST_CAUTIONS if content.referenced else FIRST_UNREFERENCED))
    document.terms(pairs, heading="Scope of this result")


def _levels_said(name: str, values: list[str]) -> str:
    """Factor and its levels, without its name before each; only their number where many."""
    if len(values) > 8:
        return count(len(values), name.lower())
    short = [v[len(name) :].strip() if v.lower().startswith(name.lower()) else v for v in values]
    kept = short if all(short) else values
    said = joined([v.replace(" to ", "\u00a0to\u00a0") for v in kept])
    return f"{name.lower()} {said}"


def _label(factor: str) -> str:
    return factor.replace("_", " ").capitalize()


def left_out(document: Document, content: ReportContent) -> None:
    """What was left out and why; what the user should know of the input."""
    document.heading("Exclusions and failures")
    scans = content.table("scans")
    if len(scans):
        status = scans["status"] if "status" in scans else pd.Series("ok", index=scans.index)
        lost = _lost(content)
        for found in rows_of(content.table("failures").tail(1)):
            document.lead("Failed scans", failure_sentence(found))
        rows: list[list[Text]] = []
        for row in scans[status == "failed"].itertuples():
            rows.append(
                [str(row.scan), "failed", str(getattr(row, "reason", "") or "no reason given")]
            )
        rows += [[s, "could not be measured", _reason(content, s)] for s in lost]
        rows += [
            [str(e["scan"]), "excluded by the user", str(e["reason"])]
            for e in content.settings.get("exclusions", ())
        ]
        if rows:
            document.table(
                "Scans not included in any result.",
                [
                    Heading("scan", "left"),
                    Heading("status", "left"),
                    Heading("why", "left", 1),
                ],
                rows,
                wide=False,
            )
    _with_excluded(document, content)
    _verdicts_with_excluded(document, content)
    findings = content.table("findings")
    if len(findings):
        kinds = findings["severity"].value_counts()
        named = [
            count(int(kinds[k]), word)
            for k, word in (("error", "error"), ("warning", "warning"), ("note", "note"))
            if k in kinds
        ]
        document.lead(
            "Findings",
            f"The analysis produced {joined(named)}. A warning affects the interpretation of a "
            "result; a note does not.",
        )
        shown = findings.head(40)
        document.table(
            "Findings in the input and the results."
            + ("" if len(findings) <= 40 else f" First 40 of {len(findings)}; all are attached."),
            [Heading("", "left"), Heading("what", "left", 1.5), Heading("where", "left", 0.8),
             Heading("action", "left", 1.1)],
            [[str(r.severity), in_words(str(r.what)), str(r.where), str(r.mend)]
             for r in shown.itertuples()],
        )  # fmt: skip
    elif not len(scans):
        document.lead("", "No scan was excluded.")


def _with_excluded(document: Document, content: ReportContent) -> None:
    """What the longest pair would be with the scans that the user left out."""
    both = []
    for name in ("accuracy", "accuracy_with_excluded"):
        table = content.table(name)
        if not len(table):
            return
        rows = table[(table["measurand"] == "distance_um") & table["span_mm"].notna()]
        if not len(rows):
            return
        both.append(rows_of(rows.loc[[rows["span_mm"].idxmax()]])[0])
    kept, every = both
    if not content.referenced:
        document.lead(
            "With all scans",
            f"The standard deviation over {kept.subject} is {quantity(kept.s_I)} for the "
            f"{int(kept.n_scans)} scans included and {quantity(every.s_I)} for all "
            f"{int(every.n_scans)}. Both tables are attached.",
        )
        return
    document.lead(
        "With all scans",
        f"The bias over {kept.subject} is {quantity(kept.bias, signed=True)} for the "
        f"{int(kept.n_scans)} scans included and {quantity(every.bias, signed=True)} for all "
        f"{int(every.n_scans)}; the standard deviation is {quantity(kept.s_I)} and "
        f"{quantity(every.s_I)}. Both tables are attached.",
    )


def _reason(content: ReportContent, scan: str) -> str:
    findings = content.table("findings")
    if len(findings):
        errors = findings[findings["severity"] == "error"]
        named = errors["where"].astype(str) + " " + errors["what"].astype(str)
        mine = errors[named.str.contains(_file_of(content, scan) or scan, regex=False)]
        if len(mine):
            return str(mine["what"].iloc[0])
    return "see the findings"


def _file_of(content: ReportContent, scan: str) -> str:
    scans = content.table("scans")
    if "file" not in scans:
        return ""
    return str(scans.set_index("scan")["file"].get(scan, "") or "")


def _verdicts_with_excluded(document: Document, content: ReportContent) -> None:
    """Every verdict once more with the scans that the user left out."""
    kept, every = (content.table(n) for n in ("conformity", "conformity_with_excluded"))
    if not len(kept) or not len(every):
        return
    on = ["condition", "measurand", "scope", "holds_for", "limit", "unit", "source"]
    on = [c for c in on if c in kept]
    said = ["verdict", "tolerance_bound"]
    both = kept[[*on, *said]].merge(every[[*on, *said]], on=on, how="left", suffixes=("", "_all"))
    both = both[both["verdict"] != ""]
    rows: list[list[Text]] = [
        [
            str(r.condition),
            ", ".join([measurand_name(r.measurand), *([r.scope] if "scope" in on else [])]),
            quantity(r.limit, r.unit),
            _with_bound(r.verdict, r.tolerance_bound, r.unit),
            _with_bound(r.verdict_all, r.tolerance_bound_all, r.unit),
        ]
        for r in rows_of(both)
    ]
    document.table(
        "Verdicts and bounds without the excluded scans, as used in this report, and with them.",
        [
            Heading("condition", "left", 1),
            Heading("what", "left", 2),
            Heading("limit", width=0.7),
            Heading("without them", "left", 1.7),
            Heading("with them", "left", 1.7),
        ],
        rows,
    )


def _with_bound(verdict: object, bound: float, unit: str) -> str:
    said = "no statement" if missing(verdict) or not verdict else str(verdict)
    return said if missing(bound) else f"{said} ({quantity(bound, unit)})"


def methods_section(document: Document, content: ReportContent) -> None:
    """Methods, ready to paste."""
    document.heading("Methods")
    for title, text in methods(content):
        document.lead(title, text)
    models = model_rows(content)
    if models:
        document.table(
            "Models: fixed and random parts as formulas, equivalence margin. (1 | a): random "
            "effect of each level of a; (0 + x | a): random slope of x for each level of a; a[b]: "
            "separate variance at level b; implants: effect of each coordinate of every implant "
            "on its pairs.",
            [Heading("model", "left", 1.1), Heading("fixed part", "left", 1.7),
             Heading("random part", "left", 3), Heading("margin", "left", 0.6)],
            models,
        )  # fmt: skip
    document.lead("Sources", *sources(content))


def words_section(document: Document, content: ReportContent) -> None:
    """Words of the report that a clinician may not know."""
    cell = [str(c) for c in content.settings.get("analysis", {}).get("cell") or ()]
    named = f"; named by {' / '.join(cell)}" if cell else ""
    pairs: list[tuple[str, Text]] = [
        (
            "Span, arch length",
            "inter-implant distance (straight line); length along the arch between the two "
            "platforms",
        ),
        ("Angulation", _angulation(content)),
        ("Cell", f"scans made consecutively under repeatability conditions{named}"),
    ]
    if content.referenced:
        pairs += [
            ("Bias", "mean deviation of all scans, measured minus reference"),
            ("Bound", "upper tolerance limit: value below which the stated share of future scans "
                "lies, with the stated confidence"),
        ]  # fmt: skip
    levels = factor_levels(content)
    if "reseated" in levels:
        pairs.append(
            ("Reseated", "whether the scan bodies were removed and reseated before the scan")
        )
    if "body_uses" in levels:
        pairs.append(("Body uses", "number of previous uses of the scan bodies"))
    document.heading("Words")
    document.terms(pairs)


def _angulation(content: ReportContent) -> str:
    """What angulation means in this study, by the definitions that its models used."""
    table = content.table("implant_deviations")
    used = set(table["angulation_by"].astype(str)) if "angulation_by" in table else set()
    said = joined(sorted(used - {""}), last="or")
    return (
        f"tilt of an implant{f' ({said})' if said else ''}; for a pair, the larger of the two. "
        "Divergence: angle between the axes of a pair"
    )


def limits_of_use(document: Document, content: ReportContent) -> None:
    """The cautions, all that concern what the report shows."""
    document.heading("Limits of use")
    seated = content.has("seating") or content.has("seating_summary")
    cautions = CAUTIONS if content.referenced else UNREFERENCED_CAUTIONS
    shown = [c for c in cautions if c != OF_SEATING or seated]
    document.items(shown)
