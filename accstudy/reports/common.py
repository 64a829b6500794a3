"""Sections that every report has: scope of the result, losses, methods, limits of use."""

from __future__ import annotations

import pandas as pd

from accstudy.figures.style import rows_of
from accstudy.reports.document import Document, ReportContent, Text
from accstudy.reports.methods import methods, sources
from accstudy.reports.model_names import model_rows
from accstudy.reports.names import failure_sentence, in_words, measurand_name
from accstudy.words.catalogue import area, say, words
from accstudy.words.numbers import count, joined, missing, period, quantity, stated

__all__ = [
    "cautions",
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
    "scan",
    "file",
    "model",
    "status",
    "reason",
    "condition",
    "cell",
    "measured_at",
    "repeat",
    "temperature_c",
    "poses",
    "row",
}


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
            found[str(name)] = [
                say("common.to_values_values_2", values=values.min(), values_2=values.max())
            ]
        elif pd.api.types.is_numeric_dtype(values.dtype):
            found[str(name)] = [f"{v:g}" for v in dict.fromkeys(values)]
        else:
            said = [
                words("common.flags").get(str(v), str(v)) for v in dict.fromkeys(values) if str(v)
            ]
            if said:
                found[str(name)] = said
    return found


def tried_sentence(content: ReportContent) -> str:
    """How many scans were tried and failed, and how the used ones lie in cells."""
    found = content.table("failures")
    if not len(found):
        return ""
    failed, n = int(found["failed"].iloc[-1]), int(found["total"].iloc[-1])
    text = say(
        "common.tried_failed", n=n, value="was" if n == 1 else "were", failed=failed or "none"
    )
    used = used_scans(content)
    cell = [str(c) for c in content.settings.get("analysis", {}).get("cell") or ()]
    sizes = [count(int(used[c].nunique()), c.replace("_", " ")) for c in cell if c in used]
    if sizes and len(used) and "cell" in content.table("pair_deviations"):
        cells = content.table("pair_deviations").groupby("condition")["cell"].nunique()
        *fewer, most = sorted(set(cells.tolist()))
        per = joined([*map(str, fewer), count(most, "cell")], last="or")
        those = words("common.those")["some failed" if failed else "all used"]
        text += say("common.those_come_from", those=those, sizes=joined(sizes), per=per)
        text += say("common.a_condition") if len(cells) > 1 else ""
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
        parts.append(
            say("common.of_implants", models=models, sizes=joined([str(n) for n in sizes]))
        )
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
        pairs.append((say("common.throughout"), ", ".join(same)))
    varied = [
        _levels_said(_label(name), values)
        for name, values in levels.items()
        if len(values) > 1 or " to " in values[0]
    ]
    if varied:
        pairs.append((say("common.varied"), "; ".join(varied)))
    table = content.table("pair_deviations")
    if len(table):
        span = say(
            "common.to_span_mm_span_mm_2",
            span_mm=table["span_mm"].min(),
            span_mm_2=table["span_mm"].max(),
        )
        path = quantity(table["path_mm"].max(), "mm")
        pairs.append((say("common.spans"), say("common.longest_arch_length", span=span, path=path)))
    if content.settings.get("reference", {}).get("kind") == "scan":
        pairs.append((say("common.reference"), say("common.itself_a_scan_differences")))
    limits = content.settings.get("limits", {}) if content.referenced else {}
    by_source: dict[str, list[str]] = {}
    for key, unit, name in (
        ("distance_um", "um", "distance"),
        ("angle_deg", "deg", "angle"),
        ("seat_gap_um", "um", "gap"),
    ):
        if limits.get(key):
            mine = by_source.setdefault(str(limits[key]["source"]), [])
            mine.append(f"{name} {stated(limits[key]['value'], unit)}")
    said = [f"{joined(named)} ({source})" for source, named in by_source.items()]
    if said:
        pairs.append((say("common.limits"), "; ".join(said)))
    pairs.append((say("common.not_covered"), say("common.the_mouth_other_devices")))
    pairs.append(
        (
            say("common.caution"),
            say("cautions.first") if content.referenced else say("cautions.first_unreferenced"),
        )
    )
    document.terms(pairs, heading=say("common.scope_of_this_result"))


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
    document.heading(say("common.exclusions_and_failures"))
    scans = content.table("scans")
    if len(scans):
        status = scans["status"] if "status" in scans else pd.Series("ok", index=scans.index)
        lost = _lost(content)
        for found in rows_of(content.table("failures").tail(1)):
            document.lead(say("common.failed_scans"), failure_sentence(found))
        rows = [
            [str(r.scan), "failed", str(getattr(r, "reason", "") or say("common.no_reason_given"))]
            for r in scans[status == "failed"].itertuples()
        ]
        rows += [[s, say("common.could_not_be_measured"), _reason(content, s)] for s in lost]
        rows += [
            [str(e["scan"]), say("common.excluded_by_the_user"), str(e["reason"])]
            for e in content.settings.get("exclusions", ())
        ]
        if rows:
            document.listed("common.excluded_table", rows, wide=False)
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
            say("common.findings"), say("common.the_analysis_produced_a", named=joined(named))
        )
        many = len(findings) > 40
        document.listed(
            "common.findings_table",
            findings.head(40),
            named={"words": lambda what: in_words(str(what))},
            cut=say("common.first_40_of_all", findings=len(findings)) if many else "",
        )
    elif not len(scans):
        document.lead("", say("common.no_scan_was_excluded"))


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
            say("common.with_all_scans"),
            say(
                "common.the_standard_deviation_over", kept, s_I_2=every.s_I, n_scans_2=every.n_scans
            ),
        )
        return
    document.lead(
        say("common.with_all_scans"),
        say(
            "common.the_bias_over_is",
            kept,
            bias_2=every.bias,
            n_scans_2=every.n_scans,
            s_I_2=every.s_I,
        ),
    )


def _reason(content: ReportContent, scan: str) -> str:
    findings = content.table("findings")
    if len(findings):
        errors = findings[findings["severity"] == "error"]
        named = errors["where"].astype(str) + " " + errors["what"].astype(str)
        mine = errors[named.str.contains(_file_of(content, scan) or scan, regex=False)]
        if len(mine):
            return str(mine["what"].iloc[0])
    return say("common.see_the_findings")


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
    rows = [
        [
            str(r.condition),
            ", ".join([measurand_name(r.measurand), *([r.scope] if "scope" in on else [])]),
            stated(r.limit, r.unit),
            _with_bound(r.verdict, r.tolerance_bound, r.unit),
            _with_bound(r.verdict_all, r.tolerance_bound_all, r.unit),
        ]
        for r in rows_of(both)
    ]
    document.listed("common.without_excluded_table", rows)


def _with_bound(verdict: object, bound: float, unit: str) -> str:
    said = say("common.no_statement") if missing(verdict) or not verdict else str(verdict)
    return said if missing(bound) else f"{said} ({quantity(bound, unit)})"


def methods_section(document: Document, content: ReportContent) -> None:
    """Methods, ready to paste."""
    document.heading(say("common.methods"))
    for title, text in methods(content):
        document.lead(title, text)
    models = model_rows(content)
    if models:
        document.listed("common.models_table", models)
    document.lead(say("common.sources"), *sources(content))


def words_section(document: Document, content: ReportContent) -> None:
    """Words of the report that a clinician may not know."""
    cell = [str(c) for c in content.settings.get("analysis", {}).get("cell") or ()]
    named = say("common.named_by", cell=" / ".join(cell)) if cell else ""
    pairs: list[tuple[str, Text]] = [
        (say("common.span_arch_length"), say("common.inter_implant_distance_straight")),
        (say("common.angulation"), _angulation(content)),
        (say("common.cell"), say("common.scans_made_consecutively_under", named=named)),
    ]
    if content.referenced:
        pairs += [
            (say("common.bias"), say("common.mean_deviation_of_all")),
            (say("common.bound"), say("common.upper_tolerance_limit_value")),
        ]
    levels = factor_levels(content)
    if "reseated" in levels:
        pairs.append((say("common.reseated"), say("common.whether_the_scan_bodies")))
    if "body_uses" in levels:
        pairs.append((say("common.body_uses"), say("common.number_of_previous_uses")))
    document.heading(say("common.words"))
    document.terms(pairs)


def _angulation(content: ReportContent) -> str:
    """What angulation means in this study, by the definitions that its models used."""
    table = content.table("implant_deviations")
    used = set(table["angulation_by"].astype(str)) if "angulation_by" in table else set()
    said = joined(sorted(used - {""}), last="or")
    return say("common.tilt_of_an_implant", value=f" ({said})" if said else "")


def limits_of_use(document: Document, content: ReportContent) -> None:
    """The cautions, all that concern what the report shows."""
    document.heading(say("common.limits_of_use"))
    seated = content.has("seating") or content.has("seating_summary")
    document.items(cautions(referenced=content.referenced, seated=seated))


def cautions(*, referenced: bool, seated: bool = True) -> list[str]:
    """What every report says about its own limits.

    Parameters
    ----------
    referenced : bool
        Whether the study has a reference.
    seated : bool, optional
        Whether gaps of a framework are shown.
    """
    words_ = area("cautions")
    names = _CAUTIONS if referenced else _UNREFERENCED
    return [str(words_[name]) for name in names if name != "of_seating" or seated]


_CAUTIONS = (
    *("device", "patient", "valid_only", "in_vitro", "limits", "no_claim", "of_seating"),
    "no_patient_data",
)
_UNREFERENCED = (
    *("agreeing", "device", "patient", "valid_only", "in_vitro_scatter"),
    *("no_claim_unreferenced", "of_seating", "no_patient_data"),
)
