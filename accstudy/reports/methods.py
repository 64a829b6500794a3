"""Methods as paragraphs from the steps that ran, with sources; the checklist for a paper."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

import pandas as pd

from accstudy.figures.style import rows_of
from accstudy.reports.common import (
    between,
    flagged,
    has_between,
    is_scan,
    range_of,
    range_phrase,
)
from accstudy.reports.document import Document, ReportContent, Text, italic, symbol
from accstudy.reports.effects import inseparable_sentences
from accstudy.reports.models import engines_said, margin_name, response_label
from accstudy.reports.record import reference_methods
from accstudy.words.catalogue import rich, say, words
from accstudy.words.names import alignment_name, variable_name
from accstudy.words.numbers import joined, missing, number


def methods(content: ReportContent) -> list[tuple[str, Text]]:
    """Paragraphs with their headings, in the order of the work."""
    first = (say("methods.reference"), _reference(content))
    if not content.referenced:
        first = (say("methods.mean_of_the_scans"), _mean_of_scans(content))
    parts: list[tuple[str, Text]] = [first]
    if content.referenced:
        parts.append((say("methods.uncertainty_of_the_reference"), reference_methods(content)))
    parts.append((say("methods.scans"), _scans(content)))
    if content.has("poses"):
        parts.append((say("methods.locating"), _locating(content)))
    if content.has("pair_deviations"):
        title = say("methods.deviations") if content.referenced else say("methods.differences")
        parts.append((title, _deviations(content)))
    drifting = content.has("drift_points")
    if content.has("accuracy") and not drifting:
        parts.append((_accuracy_title(content), _accuracy(content)))
    if content.has("outliers") and not drifting:
        parts.append((say("methods.outliers"), rich("methods.outliers_text")))
    if drifting and (content.has("accuracy") or content.has("outliers")):
        text = (
            say("methods.attached_only_text")
            if content.referenced
            else say("methods.attached_only_unreferenced")
        )
        parts.append((say("methods.attached_only"), text))
    if content.has("conformity"):
        parts.append((say("methods.conformity"), _conformity(content)))
    if content.has("seating"):
        parts.append((say("methods.seating"), _seating(content)))
    elif content.has("seating_summary"):
        parts.append((say("methods.seating"), _seating_scatter(content)))
    if content.has("model_terms"):
        parts.append(
            (say("methods.models"), models_paragraph(content, number_of(content, "models")))
        )
    if content.has("drift_points"):
        parts.append((say("methods.charts"), _drift(content)))
    if content.has("drift_limits"):
        parts.append((say("methods.limit"), _drift_limit(content)))
    versions = content.record.get("versions", {})
    named = [f"{k} {versions[k]}" for k in ("python", "numpy", "scipy", "pandas") if k in versions]
    using = say("methods.on_named", named=joined(named)) if named else ""
    parts.append(
        (
            say("methods.software"),
            say(
                "methods.accstudy_the_record_lists",
                accstudy=content.record.get("accstudy", ""),
                using=using,
            ),
        )
    )
    return [(title, text) for title, text in parts if text]


def _reference(content: ReportContent) -> str:
    s = content.settings.get("reference", {})
    implants = content.table("implants")
    per_model = implants.groupby("model")["implant"].nunique() if len(implants) else None
    what = ""
    if per_model is not None:
        sizes = sorted(set(per_model.tolist()))
        what = say(
            "methods.with_implants", per_model=len(per_model), sizes=joined([str(n) for n in sizes])
        )
    text = say("methods.the_reference_positions_and", what=what or say("methods.the_models"))
    parts = [s.get("instrument") or say("methods.a_reference_whose_instrument")]
    if s.get("certificate"):
        parts.append(say("methods.certificate_certificate", certificate=s["certificate"]))
    if s.get("measured_on"):
        parts.append(say("methods.measured_on", measured_on=s["measured_on"]))
    text += f" ({', '.join(parts)})."
    mpe, used = s.get("mpe_um"), _how_of_reference(content)
    if "certificate" in used:
        holders = (
            say("methods.the_bounds_compared_with")
            if content.has("drift_points")
            else say("methods.bias_guard_band_and")
        )
        text += say("methods.the_certified_standard_uncertainties", holders=holders)
    if "nothing" in used:
        text += say("methods.their_uncertainty_is_not")
    if mpe and _by_machine_error(content):
        text += say(
            "methods.its_maximum_permissible_error",
            constant=mpe["constant"],
            per_metre=mpe.get("per_metre", 0),
            number_of=number_of(content, "uncertainty"),
        )
    if is_scan(content):
        text += say("methods.the_reference_is_itself")
    return text


def _mean_of_scans(content: ReportContent) -> str:
    """How the arrangement was learned."""
    which = say("methods.its_scans")
    if content.has("drift_points"):
        which = say("methods.the_sessions_of_the")
    return say("methods.the_study_has_no", which=which)


def _seating_scatter(content: ReportContent) -> str:
    """How a framework of one scan was seated on the mean."""
    radius = content.setting("seating", "platform_radius_mm")
    return say("methods.a_rigid_framework_with", platform_radius_mm=radius)


def _scans(content: ReportContent) -> str:
    s = content.settings
    analysis = s.get("analysis", {})
    text = ""
    condition, cell = analysis.get("condition") or (), analysis.get("cell") or ()
    if condition:
        text += say(
            "methods.conditions_are_defined_by", condition=joined([str(c) for c in condition])
        )
    if cell:
        text += say(
            "methods.scans_taken_under_repeatability",
            cell=joined([str(c) for c in cell], last="or"),
        )
    return (text + _temperature(content)).strip()


def _temperature(content: ReportContent) -> str:
    """Which scans were brought to the temperature of the reference."""
    every, s = range_of(content, "scan"), content.settings.get("scans", {})
    if every is None:
        return ""
    known = range_of(content, "temperature_c")
    if not s.get("expansion_per_k") or known is None:
        return say("methods.no_correction_for_temperature")
    home = float(content.setting("reference", "temperature_c"))
    low, high = (number(v, decimals=1) for v in (known.lowest, known.highest))
    warm = low if low == high else say("methods.to_low_high", low=low, high=high)
    which = (
        ""
        if known.n_values == every.n_values
        else say("methods.of_of_scans", known=known.n_values, at=every.n_values)
    )
    rest = say("methods.the_temperature_of_the") if which else ""
    if known.lowest == known.highest == home and not which:
        done = say("methods.measured_and_scanned") if content.referenced else "scanned"
        return say("methods.models_were_at_c", done=done, home=home)
    return say(
        "methods.lengths_measured_at_c",
        which=which,
        warm=warm,
        home=home,
        expansion_per_k=1000000.0 * float(s["expansion_per_k"]),
        rest=rest,
    )


def _locating(content: ReportContent) -> str:
    poses = content.table("poses")
    if "fit_rms_um" not in poses or not poses["fit_rms_um"].notna().any():
        return say("methods.the_study_supplied_positions")
    above = content.settings.get("scan_body", {}).get("default", {}).get("use_above_mm")
    used = "" if above is None else say("methods.above_mm", above=above)
    places = (
        say("methods.their_reference_positions")
        if content.referenced
        else say("methods.the_positions_in_the")
    )
    rms = range_phrase(range_of(content, "fit_rms_um"))
    return say("methods.in_every_scan_the", places=places, used=used, rms=rms)


def _deviations(content: ReportContent) -> Text:
    analysis = content.settings.get("analysis", {})
    datum = analysis.get("datum") or ()
    main = analysis.get("alignment", "all-implants")
    named = (
        say("methods.and_over_the_datum", datum=joined([str(d) for d in datum])) if datum else ""
    )
    start, places = say("methods.deviations_are_measured_minus"), say("methods.reference_platforms")
    if not content.referenced:
        start = say("methods.differences_are_measured_minus")
        places = say("methods.platforms_of_that_mean")
    return say(
        "methods.inter_implant_distances_and",
        start=start,
        named=named,
        main=alignment_name(main),
        places=places,
    )


def _accuracy_title(content: ReportContent) -> str:
    if not content.referenced:
        return say("methods.precision")
    return say("methods.agreement") if is_scan(content) else say("methods.trueness_and_precision")


def _accuracy(content: ReportContent) -> Text:
    confidence = content.setting("limits", "confidence")
    name, index, factors = between(content)
    known: list[Any] = [
        say("methods.and_the_standard_deviation"),
        symbol("s", index),
        say("methods.that_includes_the_variation", name=name, factors=joined(factors)),
    ]
    spread = known if has_between(content) else [say("methods.only_repeatability", name=name)]
    if not content.referenced:
        return [
            say("methods.for_every_pair_and"),
            symbol("s", "r"),
            *spread,
            say("methods.intervals_without_reference", confidence=confidence),
        ]
    return [
        say("methods.for_every_pair_and_2"),
        say("methods.interval_students_t_on", confidence=confidence),
        symbol("s", "r"),
        *spread,
        say("methods.mean_absolute_deviation"),
    ]


def _conformity(content: ReportContent) -> Text:
    coverage, confidence = (content.setting("limits", k) for k in ("coverage", "confidence"))
    table = content.table("conformity")
    nested = say("methods.if_operators_took_part") if len(flagged(table, "beside")) else ""
    return say(
        "methods.an_upper_tolerance_limit",
        coverage=coverage,
        confidence=confidence,
        number_of=number_of(content, "tolerance"),
        nested=nested,
        decision_rule=say("verdicts.conformity_is_verified_if", confidence=confidence),
        number_of_2=number_of(content, "conformity"),
    )


def _seating(content: ReportContent) -> Text:
    s = content.settings.get("seating", {})
    radius = number(content.setting("seating", "platform_radius_mm"), "mm")
    clearance = s.get("lateral_clearance_um")
    sideways = (
        say("methods.no_lateral_movement_from")
        if clearance is None
        else say("methods.lateral_movement_of_up", clearance=clearance)
    )
    return say("methods.a_rigid_framework_with_2", sideways=sideways, radius=radius)


def _drift(content: ReportContent) -> Text:
    return say(
        "methods.session_means_and_standard",
        number_of=number_of(content, "charts"),
        baseline_sessions=content.setting("drift", "baseline_sessions"),
        shift_um=content.setting("drift", "shift_um"),
        sd_ratio=content.setting("drift", "sd_ratio"),
        false_alarm_every=content.setting("drift", "false_alarm_every"),
    )


def _drift_limit(content: ReportContent) -> Text:
    """How the limit was held against session means, and what else is called a bound."""
    held = content.table("drift_limits")
    confidence = float(held["confidence"].iloc[0])
    text = say("methods.every_pair_was_compared", confidence=confidence)
    known = _how_of_reference(content) - {"nothing"}
    shared = [say("methods.that_of_the_reference")] if known else []
    if warm := _temperature_tolerance(content):
        shared.append(
            say(
                "methods.that_of_the_temperature",
                warm=warm,
                number_of=number_of(content, "uncertainty"),
            )
        )
    text += say("methods.combined_with", shared=joined(shared)) if shared else ". "
    text += say(
        "methods.conformity_is_verified_if",
        risk=round(1 - confidence, 6),
        number_of=number_of(content, "conformity"),
    )
    ahead = content.table("drift_pairs")
    if len(ahead):
        coverage = float(ahead["coverage"].iloc[0])
        text += say(
            "methods.the_tolerance_bound",
            coverage=coverage,
            confidence=confidence,
            number_of=number_of(content, "tolerance"),
        )
    return text


def _temperature_tolerance(content: ReportContent) -> float:
    """Half width of the temperature's range where it counts, K; 0 where it does not."""
    if not content.settings.get("scans", {}).get("expansion_per_k"):
        return 0.0
    return float(content.settings.get("uncertainty", {}).get("temperature_tolerance_k") or 0.0)


def _how_of_reference(content: ReportContent) -> set[str]:
    """Where the uncertainty of the reference comes from: certificate, MPE or nothing."""
    return set(content.table("reference_pairs").get("u_from", ()))


def _by_machine_error(content: ReportContent) -> bool:
    """Whether the machine's permissible error counts as the uncertainty of the reference."""
    return "MPE" in _how_of_reference(content)


def _cited(content: ReportContent) -> list[str]:
    """Topics whose source the methods name, in the order of their numbers."""
    named = {
        "precision": content.has("accuracy") or content.has("outliers"),
        "uncertainty": _by_machine_error(content)
        or (content.has("drift_limits") and _temperature_tolerance(content) > 0),
        "conformity": content.has("conformity") or content.has("drift_limits"),
        "tolerance": content.has("conformity") or content.has("drift_pairs"),
        "models": content.has("model_terms"),
        "charts": content.has("drift_points"),
    }
    return [topic for topic in words("methods.source_list") if named[topic]]


def number_of(content: ReportContent, topic: str) -> int:
    """Number under which the source of a topic stands."""
    return _cited(content).index(topic) + 1


def sources(content: ReportContent) -> list[str]:
    """Sources of the methods, as the paragraphs number them."""
    found = [
        f"[{k}] {words('methods.source_list')[topic]}"
        for k, topic in enumerate(_cited(content), start=1)
    ]
    return [*found, say("methods.source_checklist")] if content.has("model_terms") else found


def methods_section(document: Document, content: ReportContent) -> None:
    """Methods, ready to paste."""
    document.heading(say("common.methods"))
    for title, text in methods(content):
        document.lead(title, text)
    models = model_rows(content)
    if models:
        document.listed("common.models_table", models)
    document.lead(say("common.sources"), *sources(content))


def models_paragraph(content: ReportContent, source: int) -> Text:
    """What was fitted and how it was tested, from the settings of every model."""
    fits = content.table("model_fits")
    if not len(fits):
        return ""
    means = content.table("model_means")
    factors = joined(sorted(set(means["factor"]))) if len(means) else "factors"
    text = say(
        "methods.linear_mixed_models_were",
        factors=factors,
        by_model=_by_model(fits, "method", words("methods.df")),
        source=source,
        by_model_2=_by_model(fits, "adjust", words("methods.adjusted")),
    )
    if not content.referenced:
        text += say("methods.without_a_reference_the")
    at_once = flagged(fits, "simultaneous")["model_name"]
    text += (
        say("methods.intervals_of_contrasts_in", named=_quoted(at_once))
        if len(at_once)
        else say("methods.intervals_apply_to_one")
    )
    if fits["equivalence_margin"].notna().any():
        text += say("methods.equivalence_is_assessed_by")
        one_sided = flagged(fits, "non_inferiority")["model_name"]
        text += say("methods.in_by_one_non", named=_quoted(one_sided)) if len(one_sided) else "."
    unequal = fits[fits["residual_sd_by"].fillna("") != ""]
    for column, mine in unequal.groupby("residual_sd_by"):
        text += say("methods.the_levels_of_have", column=column)
        text += f"{_quoted(mine['model_name'])}."
    if content.has("model_unequal"):
        text += say("methods.where_the_scatter_of")
    if len(content.table("model_operators")):
        text += say("methods.contrasts_are_also_given")
    boot = content.table("model_bootstrap")
    if len(boot):
        text += say(
            "methods.terms_of_were_also",
            named=_quoted(boot["model_name"]),
            draws=boot["draws"].max(),
        )
    other = fits["engine_difference"].dropna()
    if len(other):
        text += say(
            "methods.of_models_were_also",
            other=len(other),
            fits=len(fits),
            engines_said=engines_said(other.max()),
        )
        gain = fits["engine_gain"].dropna()
        if len(gain):
            higher = flagged(fits, "engine_higher")["engine_gain"]
            more = say("methods.a_by", gain=higher.max()) if len(higher) else "no"
            text += say("methods.in_statsmodels_also_optimised", gain=len(gain), more=more)
    return text


def _by_model(fits: pd.DataFrame, column: str, words: Mapping[str, str]) -> str:
    """What a setting is, by model where models differ in it."""
    by = fits.groupby(column, sort=False)["model_name"].apply(list)
    if len(by) == 1:
        return words.get(str(by.index[0]), str(by.index[0]))
    return joined(
        [
            say("methods.in_get_named", get=words.get(str(k), str(k)), named=_quoted(v))
            for k, v in by.items()
        ]
    )


def _quoted(models: Iterable[object]) -> str:
    return joined([f"“{m}”" for m in dict.fromkeys(map(str, models))])


def random_formula(random: str) -> str:
    """Random part as a formula, an intercept or a slope by group in parentheses.

    Examples
    --------
    >>> random_formula("model + path_mm | scan + implants:condition + scan[technique A]")
    '(1 | model) + (0 + path_mm | scan) + (1 | implants:condition) + (1 | scan[technique A])'
    """
    parts = [p.partition(" | ") for p in random.split(" + ") if p]
    return " + ".join(f"(0 + {a} | {b})" if bar else f"(1 | {a})" for a, bar, b in parts)


def model_rows(content: ReportContent) -> list[list[str]]:
    """Name, fixed part, random part and margin of every model, as formulas."""
    fits = content.table("model_fits")
    return [
        [
            str(r.model_name),
            str(r.fixed),
            random_formula(str(r.random)),
            margin_name(str(r.response), r.equivalence_margin)
            if not missing(r.equivalence_margin)
            else "none",
        ]
        for r in rows_of(fits)
    ]


def checklist_rows(content: ReportContent) -> list[tuple[str, str, str]]:
    """Items with what the record says; ``for the author`` where it is silent."""
    rows = []
    for name, line in words("design.checklist").items():
        item, asked_by, answer = (part.strip() for part in line.split("|"))
        rows.append((item, asked_by, _ANSWERS[name](content) if name in _ANSWERS else answer))
    return rows


def _limitations(content: ReportContent) -> str:
    if inseparable_sentences(content):
        return say("design.sections_design_confounding_limits")
    return say("design.section_limits_of_use")


def _hypotheses(content: ReportContent) -> str:
    names = dict.fromkeys(content.table("model_contrasts").get("factor", ()))
    said = joined([str(n) for n in names if str(n)])
    return (
        say("design.no_difference_between_levels", said=said)
        if said
        else say("design.for_the_author")
    )


def _steps(content: ReportContent) -> str:
    factors = set(content.table("scans").columns)
    known = [
        f
        for f in ("device", "software", "technique", "scan_body_type", "light", "splint")
        if f in factors
    ]
    said = joined([variable_name(k) for k in known])
    return say("design.recorded_the_rest_for", said=said) if known else say("design.for_the_author")


def _outcomes(content: ReportContent) -> str:
    models = content.settings.get("model") or ()
    if models:
        said = joined(list(dict.fromkeys(response_label(str(m["response"])) for m in models)))
        return say("design.set_in_the_study", said=said)
    return say("design.the_usual_responses_of")


def _sizes(content: ReportContent) -> str:
    row = range_of(content, "scans of a condition")
    if row is None:
        return say("design.for_the_author")
    low, high = (f"{v:.0f}" for v in (row.lowest, row.highest))
    said = low if low == high else say("design.to_low_high", low=low, high=high)
    planned = [str(order["order"]).partition(" scans; ")[0] for order in _orders(content)]
    text = say("design.scans_per_condition", said=said)
    if planned:
        text = say("design.scans_planned_used", planned=joined(planned), text=text)
    return say("design.rationale_for_the_author", text=text)


def _orders(content: ReportContent) -> list[dict[str, Any]]:
    """Orders that `accstudy plan` randomised, with their seeds."""
    return list(content.settings.get("orders") or ())


def _difference(content: ReportContent) -> str:
    table = content.table("model_contrasts")
    margins = table["margin"].dropna().unique() if len(table) else ()
    if len(margins) == 0:
        return say("design.none_set_in_the")
    return say("design.equivalence_margin") + joined([_sized(table, m) for m in sorted(margins)])


def _sized(table: pd.DataFrame, margin: float) -> str:
    return margin_name(str(table.loc[table["margin"] == margin, "response"].iloc[0]), margin)


def _order(content: ReportContent) -> str:
    factors = set(content.table("scans").columns)
    orders = _orders(content)
    if orders:
        said = say("design.then").join(str(order["order"]) for order in orders)
        return say("design.randomised_by_accstudy", said=said)
    if "planned_order" in factors or "order" in factors:
        return say("design.order_recorded_in_the")
    return say("design.for_the_author")


def _operators(content: ReportContent) -> str:
    people = range_of(content, "operator")
    if people is None:
        return say("design.for_the_author")
    return say("design.made_the_scans_who", people=people.n_levels)


def _protocol(content: ReportContent) -> str:
    name = content.settings.get("study", {}).get("protocol", "")
    return (
        say("design.protocol_of_accstudy_registration", name=name)
        if name
        else say("design.for_the_author")
    )


_ANSWERS: dict[str, Callable[[ReportContent], str]] = {
    "hypotheses": _hypotheses,
    "materials": _steps,
    "outcomes": _outcomes,
    "sample_size": _sizes,
    "smallest_difference": _difference,
    "randomisation": _order,
    "implementation": _operators,
    "limitations": _limitations,
    "protocol": _protocol,
}


def checklist(document: Document, content: ReportContent) -> None:
    """The checklist as a section."""
    rows = checklist_rows(content)
    document.heading(say("design.checklist_for_a_paper"))
    document.lead(say("design.what_it_is"), say("design.items_required_by_reporting"))
    cells: list[list[Text]] = [
        [item, source, [italic(answer)] if answer == say("design.for_the_author") else answer]
        for item, source, answer in rows
    ]
    document.listed("design.checklist_table", cells)
