"""What several reports use: rows of tables, scope of the result, losses, limits of use."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.figures.style import rows_of
from accstudy.reports.document import Document, ReportContent, Text, extended
from accstudy.words.catalogue import area, choose, count, say, words
from accstudy.words.names import measurand_name, variable_name
from accstudy.words.numbers import (
    interval,
    joined,
    missing,
    percent,
    period,
    quantity,
    stated,
)


def groups(frame: pd.DataFrame, keys: list[str]) -> list[tuple[tuple[str, ...], pd.DataFrame]]:
    """Groups of a table in the order of their first row, keys as text."""
    out = []
    for key, rows in frame.groupby(keys, sort=False):
        out.append((tuple(str(k) for k in key), rows))
    return out


def is_scan(content: ReportContent) -> bool:
    """Whether the reference is itself a scan."""
    return bool(content.settings.get("reference", {}).get("kind") == "scan")


def limit_of(content: ReportContent, key: str) -> float | None:
    """A limit of the user's; None where the study sets none."""
    found = content.settings.get("limits", {}).get(key)
    return float(found["value"]) if found else None


def confidence_of(content: ReportContent) -> float:
    """Confidence of bounds and intervals."""
    return float(content.setting("limits", "confidence"))


def between(content: ReportContent) -> tuple[str, str, list[str]]:
    """What the spread between cells makes of a standard deviation: name, index, factors varied."""
    analysis = content.settings.get("analysis", {})
    levels = {str(c): range_of(content, str(c)) for c in analysis.get("cell") or ()}
    cell = [c for c, row in levels.items() if row is None or row.n_levels > 1]
    scans, laboratory = content.table("scans"), analysis.get("laboratory")
    if laboratory in cell and laboratory in scans and len(set(scans[laboratory])) > 1:
        return "reproducibility", "R", cell
    return say("names.intermediate_precision"), "I", cell or [say("names.nothing_that_the_study")]


def has_between(content: ReportContent) -> bool:
    """Whether any spread between cells is known: without it, there is only repeatability."""
    table = content.table("accuracy")
    return bool(len(table)) and bool(table["s_I"].notna().any())


def is_true(flag: Any) -> bool:
    """A flag of a table that may be empty."""
    return not missing(flag) and bool(flag)


def flagged(table: pd.DataFrame, column: str) -> pd.DataFrame:
    """Rows of a table in which a flag is true."""
    return table[table[column].fillna(False).astype(bool)] if len(table) else table


def pair_rows(content: ReportContent) -> pd.DataFrame:
    """Rows of table ``accuracy`` about distances of pairs."""
    table = content.table("accuracy")
    if not len(table):
        return table
    return table[(table["measurand"] == "distance_um") & table["span_mm"].notna()]


def longest_pairs(content: ReportContent) -> list[Any]:
    """Rows of table ``accuracy`` or ``precision`` of the longest pair of every condition."""
    return rows_of(flagged(pair_rows(content), "longest"))


def several(content: ReportContent, column: str) -> bool:
    """Whether the study has several conditions, or models."""
    pairs = content.table("pair_deviations")
    return column in pairs and len(pairs[column].unique()) > 1


def named(content: ReportContent, condition: str, model: str = "") -> str:
    """Condition and model, as far as the study has several; empty else."""
    parts = [condition] if condition and several(content, "condition") else []
    if model and several(content, "model"):
        parts.append(say("names.model_model", model=model))
    return ", ".join(parts)


def slug(*parts: str) -> str:
    """File name from labels.

    Examples
    --------
    >>> slug("pairs", "Model 1")
    'pairs-model-1'
    """
    text = "-".join(p for p in parts if p).lower()
    return "".join(c if c.isascii() and c.isalnum() else "-" for c in text)


def bias_sentence(row: Any, *, is_scan: bool) -> str:
    """Say how one pair is measured on average and how much it scatters."""
    word = say("names.mean_difference") if is_scan else "bias"
    key = "alone" if missing(row.bias_low) else "interval"
    text = choose(
        "names.bias", key, row, word=word, ends=interval(row.bias_low, row.bias_high, row.unit)
    )
    parts = [c for c in ("s_r", "s_I") if not missing(getattr(row, c))]
    key = "equal" if len(parts) == 2 and not row.s_cell else " and ".join(parts)
    return f"{text}; {choose('names.spread', key or 'none', row)}."


def failure_sentence(row: Any) -> str:
    """Say how many scans could not be used."""
    n_failed, n_all, low, high = int(row.failed), int(row.total), row.low, row.high
    if n_all == 0:
        return ""
    small = int(0 < n_failed < 0.1 * n_all)
    low_said, high_said = (percent(v, decimals=small) for v in (low, high))
    ends = say(
        "names.interval_to", confidence=row.confidence, low_said=low_said, high_said=high_said
    )
    if n_failed == 0:
        return say("names.all_scans_could_be", n_all=n_all, ends=ends)
    share = percent(row.rate, decimals=small)
    return say("names.of_scans_could_not", n_failed=n_failed, n_all=n_all, share=share, ends=ends)


def range_of(content: ReportContent, quantity: str, model: str = "") -> Any:
    """Row of table ``ranges`` about a quantity of the study or of a model; None without one."""
    table = content.table("ranges")
    own = table[(table["quantity"] == quantity) & (table["model"].fillna("") == model)]
    return next(iter(rows_of(own)), None)


def range_phrase(row: Any, *, signed: bool = False) -> str:
    """Say from where to where a row of table ``ranges`` goes."""
    if row is None or missing(row.lowest):
        return "unknown"
    if row.lowest == row.highest:
        return quantity(row.lowest, row.unit, signed=signed)
    return interval(row.lowest, row.highest, row.unit, signed=signed)


def ranging(row: Any, *, signed: bool = False) -> str:
    """Say that a row of table ``ranges`` goes from one value to another, or is one value."""
    one = row is None or missing(row.lowest) or row.lowest == row.highest
    said = range_phrase(row, signed=signed)
    return say("names.is_one" if one else "names.ranges_from", said=said)


_NOT_FACTORS = {
    *("scan", "file", "model", "status", "reason", "condition", "cell", "measured_at", "repeat"),
    *("temperature_c", "poses", "row"),
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
        elif (row := _many(content, str(name))) is not None:
            found[str(name)] = [say("common.to_values_values_2", row)]
        elif pd.api.types.is_numeric_dtype(values.dtype):
            found[str(name)] = [f"{v:g}" for v in dict.fromkeys(values)]
        else:
            said = [
                words("common.flags").get(str(v), str(v)) for v in dict.fromkeys(values) if str(v)
            ]
            if said:
                found[str(name)] = said
    return found


_FEW_LEVELS = 3


def _many(content: ReportContent, factor: str) -> Any:
    """Row of table ``ranges`` of a numeric factor with so many levels that its ends are said."""
    row = range_of(content, factor)
    many = row is not None and row.n_levels > _FEW_LEVELS and not missing(row.lowest)
    return row if many else None


def tried_sentence(content: ReportContent) -> str:
    """How many scans were tried and failed, and how the used ones lie in cells."""
    text = "".join(
        say("common.tried_failed", r, none=r.failed or "none")
        for r in rows_of(content.table("failures").tail(1))
    )
    cells = content.table("condition_summary")
    cell = [str(c) for c in content.settings.get("analysis", {}).get("cell") or ()]
    ranges = [(variable_name(c), range_of(content, c)) for c in cell]
    sizes = [count(int(row.n_levels), name) for name, row in ranges if row is not None]
    if text and sizes and len(cells):
        *fewer, most = sorted(set(cells["n_cells"].tolist()))
        per = joined([*map(str, fewer), count(most, "cell")], last="or")
        those = words("common.those")[
            "some failed" if content.table("failures")["failed"].iloc[-1] else "all used"
        ]
        text += say("common.those_come_from", those=those, sizes=joined(sizes), per=per)
        text += say("common.a_condition") if len(cells) > 1 else ""
    return f"{text}." if text else ""


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
    scans, models = (range_of(content, name) for name in ("scan", "model"))
    parts = [] if scans is None else [count(int(scans.n_levels), "scan")]
    if models is not None:
        sizes = sorted({f"{n:.0f}" for n in content.table("models")["n_implants"]}, key=int)
        parts.append(say("common.of_implants", models=models.n_levels, sizes=joined(sizes)))
    when = days(content)
    if when:
        parts.append(when)
    return ", ".join(parts)


def holds_for(document: Document, content: ReportContent) -> None:
    """Scope of the result, a line a term."""
    levels = factor_levels(content)
    pairs: list[tuple[str, Text]] = []
    same = [
        v[0] if name.lower() in v[0].lower() else f"{variable_name(name)} {v[0]}"
        for name, v in levels.items()
        if len(v) == 1 and " to " not in v[0]
    ]
    if same:
        pairs.append((say("common.throughout"), ", ".join(same)))
    varied = [
        _levels_said(variable_name(name), values)
        for name, values in levels.items()
        if len(values) > 1 or " to " in values[0]
    ]
    if varied:
        pairs.append((say("common.varied"), "; ".join(varied)))
    span, path = (range_of(content, name) for name in ("span_mm", "path_mm"))
    if span is not None and path is not None:
        pairs.append(
            (say("common.spans"), say("common.longest_arch_length", path, span=range_phrase(span)))
        )
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
        return count(len(values), name)
    short = [v[len(name) :].strip() if v.lower().startswith(name.lower()) else v for v in values]
    kept = short if all(short) else values
    said = joined([v.replace(" to ", "\u00a0to\u00a0") for v in kept])
    return f"{name} {said}"


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
        found, files = content.table("findings"), scans.get("file", scans["scan"])
        why = {r.where: r.what for r in reversed(rows_of(found)) if r.severity == "error"}
        rows += [
            [s, say("common.could_not_be_measured"), why.get(f, say("common.see_the_findings"))]
            for s, f in zip(scans["scan"], files, strict=True)
            if s in lost
        ]
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
        document.lead(say("common.findings"), say("common.a_warning_affects"))
        alike = [own for _, own in groups(findings, ["severity", "code", "what", "mend"])]
        shown = alike[:_MOST_FINDINGS]
        many = len(alike) > _MOST_FINDINGS
        document.listed(
            "common.findings_table",
            extended(
                pd.concat([own.head(1) for own in shown]),
                where=[_places(own["where"]) for own in shown],
            ),
            cut=say("common.first_of_all", most=_MOST_FINDINGS, alike=len(alike)) if many else "",
        )
    elif not len(scans):
        document.lead("", say("common.no_scan_was_excluded"))


_MOST_FINDINGS, _MOST_PLACES = 40, 3


def _places(where: pd.Series) -> str:
    """Places of findings that say the same: how many, and the first few."""
    places = [str(place) for place in dict.fromkeys(where) if place]
    if len(places) <= _MOST_PLACES:
        return ", ".join(places)
    first = ", ".join(places[:_MOST_PLACES])
    return say("common.places_in_all", n=len(places), first=first)


def _with_excluded(document: Document, content: ReportContent) -> None:
    """What the longest pair would be with the scans that the user left out."""
    every = flagged(content.table("accuracy_with_excluded"), "longest")
    for kept in longest_pairs(content)[:1] if len(every) else ():
        same = (every["measurand"] == kept.measurand) & (every["condition"] == kept.condition)
        for one in rows_of(every[same]):
            document.lead(
                say("common.with_all_scans"),
                choose(
                    "common.without_excluded",
                    content.referenced,
                    kept,
                    bias_2=getattr(one, "bias", None),
                    n_scans_2=one.n_scans,
                    s_I_2=one.s_I,
                ),
            )


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
