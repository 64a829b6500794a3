"""The methods as paragraphs, from the steps that ran and the settings they ran with."""

from __future__ import annotations

import pandas as pd

from accstudy.reports.document import ReportContent, Text, symbol
from accstudy.reports.model_names import models_paragraph
from accstudy.reports.names import alignment_name, range_phrase
from accstudy.reports.record import reference_methods
from accstudy.reports.rows import between, is_scan
from accstudy.reports.statements import decision_rule
from accstudy.study.load import scan_temperatures
from accstudy.words.catalogue import rich, say, words
from accstudy.words.numbers import joined, number

__all__ = ["methods", "sources"]


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
    if any("certified" in how for how in used):
        holders = (
            say("methods.the_bounds_compared_with")
            if content.has("drift_points")
            else say("methods.bias_guard_band_and")
        )
        text += say("methods.the_certified_standard_uncertainties", holders=holders)
    if any("not stated" in how for how in used):
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
    scans, s = content.table("scans"), content.settings.get("scans", {})
    if not len(scans):
        return ""
    at = scan_temperatures(scans, everywhere=s.get("temperature_c"))
    known = at.dropna()
    if not s.get("expansion_per_k") or known.empty:
        return say("methods.no_correction_for_temperature")
    home = float(content.setting("reference", "temperature_c"))
    low, high = number(known.min(), decimals=1), number(known.max(), decimals=1)
    warm = low if low == high else say("methods.to_low_high", low=low, high=high)
    which = (
        "" if len(known) == len(at) else say("methods.of_of_scans", known=len(known), at=len(at))
    )
    rest = say("methods.the_temperature_of_the") if which else ""
    if bool((known == home).all()) and not which:
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
    return say(
        "methods.in_every_scan_the", places=places, used=used, rms=range_phrase(poses["fit_rms_um"])
    )


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
    if not content.referenced:
        return [
            say("methods.for_every_pair_and"),
            symbol("s", "r"),
            say("methods.and_the_standard_deviation"),
            symbol("s", between(content)[1]),
            say(
                "methods.that_includes_the_variation",
                between=between(content)[0],
                between_2=between(content)[2],
                confidence=confidence,
            ),
        ]
    return [
        say("methods.for_every_pair_and_2"),
        say("methods.interval_students_t_on", confidence=confidence),
        symbol("s", "r"),
        say("methods.and_the_standard_deviation"),
        symbol("s", between(content)[1]),
        say(
            "methods.that_includes_the_variation_2",
            between=between(content)[0],
            between_2=between(content)[2],
        ),
    ]


def _conformity(content: ReportContent) -> Text:
    coverage, confidence = (content.setting("limits", k) for k in ("coverage", "confidence"))
    table = content.table("conformity")
    returning = table["holds_for"].str.startswith("these ").any() if len(table) else False
    nested = say("methods.if_operators_took_part") if returning else ""
    return say(
        "methods.an_upper_tolerance_limit",
        coverage=coverage,
        confidence=confidence,
        number_of=number_of(content, "tolerance"),
        nested=nested,
        decision_rule=decision_rule(confidence),
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
    shared = (
        [say("methods.that_of_the_reference")]
        if bool(held["method"].str.endswith("included").any())
        else []
    )
    if warm := _temperature_tolerance(content):
        shared.append(
            say(
                "methods.that_of_the_temperature",
                warm=warm,
                number_of=number_of(content, "uncertainty"),
            )
        )
    text += say("methods.combined_with", shared=joined(shared)) if shared else ". "
    text += say("methods.conformity_is_verified_if", number_of=number_of(content, "conformity"))
    ahead = content.table("drift_pairs")
    if len(ahead):
        coverage = float(ahead["coverage"].iloc[0])
        text += say("methods.the_upper_tolerance_limit", coverage=coverage, confidence=confidence)
    return text


def _temperature_tolerance(content: ReportContent) -> float:
    """Half width of the temperature's range where it counts, K; 0 where it does not."""
    if not content.settings.get("scans", {}).get("expansion_per_k"):
        return 0.0
    return float(content.settings.get("uncertainty", {}).get("temperature_tolerance_k") or 0.0)


def _how_of_reference(content: ReportContent) -> set[str]:
    """How the uncertainty of the reference was come by: from the budget, or from the positions."""
    parts = content.table("uncertainty_budget")
    if len(parts):
        return set(parts.loc[parts["part"] == "CMM", "how"])
    implants = content.table("implants")
    if not len(implants):
        return set()
    stated = implants.get("u_position_um", pd.Series(pd.NA, implants.index)).notna()
    rest = (
        "permissible"
        if content.settings.get("reference", {}).get("mpe_um")
        else say("methods.not_stated")
    )
    return ({"certified"} if stated.sum() > 1 else set()) | (set() if stated.all() else {rest})


def _by_machine_error(content: ReportContent) -> bool:
    """Whether the machine's permissible error counts as the uncertainty of the reference."""
    used = _how_of_reference(content)
    stated = bool(content.settings.get("reference", {}).get("mpe_um"))
    return stated and any("permitted" in how or "permissible" in how for how in used)


def _cited(content: ReportContent) -> list[str]:
    """Topics whose source the methods name, in the order of their numbers."""
    named = {
        "precision": content.has("accuracy") or content.has("outliers"),
        "uncertainty": _by_machine_error(content)
        or (content.has("drift_limits") and _temperature_tolerance(content) > 0),
        "conformity": content.has("conformity") or content.has("drift_limits"),
        "tolerance": content.has("conformity"),
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
