"""The methods as paragraphs, from the steps that ran and the settings they ran with."""

from __future__ import annotations

import pandas as pd

from accstudy.reports.content import ReportContent
from accstudy.reports.document import Text, italic, symbol
from accstudy.reports.dossier import reference_methods
from accstudy.reports.model_methods import models_paragraph
from accstudy.reports.report_rows import between
from accstudy.reports.statements import decision_rule
from accstudy.reports.terms import alignment_name
from accstudy.words.numbers import count, date, joined, number, quantity, sure
from accstudy.study.temperature import scan_temperatures

__all__ = ["methods", "sources"]


def methods(content: ReportContent) -> list[tuple[str, Text]]:
    """Paragraphs with their headings, in the order of the work.

    Parameters
    ----------
    content : ReportContent
        Tables that are absent were not computed and are not mentioned.

    Returns
    -------
    list of (str, Text)
    """
    first = ("Reference", _reference(content))
    if not content.referenced:
        first = ("Mean of the scans", _mean_of_scans(content))
    parts: list[tuple[str, Text]] = [first]
    if content.referenced:
        parts.append(("Uncertainty of the reference", reference_methods(content)))
    parts.append(("Scans", _scans(content)))
    if content.has("poses"):
        parts.append(("Locating", _locating(content)))
    if content.has("pair_deviations"):
        title = "Deviations" if content.referenced else "Differences"
        parts.append((title, _deviations(content)))
    drifting = content.has("drift_points")
    if content.has("accuracy") and not drifting:
        parts.append((_accuracy_title(content), _accuracy(content)))
    if content.has("outliers") and not drifting:
        parts.append(("Outliers", _OUTLIERS))
    if drifting and (content.has("accuracy") or content.has("outliers")):
        text = _ATTACHED if content.referenced else _ATTACHED_UNREFERENCED
        parts.append(("Attached only", text))
    if content.has("conformity"):
        parts.append(("Conformity", _conformity(content)))
    if content.has("seating"):
        parts.append(("Seating", _seating(content)))
    elif content.has("seating_summary"):
        parts.append(("Seating", _seating_scatter(content)))
    if content.has("model_terms"):
        parts.append(("Models", models_paragraph(content, number_of(content, "models"))))
    if content.has("drift_points"):
        parts.append(("Charts", _drift(content)))
    if content.has("drift_limits"):
        parts.append(("Limit", _drift_limit(content)))
    versions = content.record.get("versions", {})
    named = [f"{k} {versions[k]}" for k in ("python", "numpy", "scipy", "pandas") if k in versions]
    using = f" on {joined(named)}" if named else ""
    parts.append(
        (
            "Software",
            f"accstudy {content.record.get('accstudy', '')}{using}; the record lists the versions "
            "of all libraries and the hashes of all files.",
        )
    )
    return [(title, text) for title, text in parts if text]


def _is_scan(content: ReportContent) -> bool:
    return bool(content.settings.get("reference", {}).get("kind") == "scan")


def _reference(content: ReportContent) -> str:
    s = content.settings.get("reference", {})
    implants = content.table("implants")
    per_model = implants.groupby("model")["implant"].nunique() if len(implants) else None
    what = ""
    if per_model is not None:
        sizes = sorted(set(per_model.tolist()))
        what = (
            f"{count(len(per_model), 'reference model')} with "
            f"{joined([str(n) for n in sizes])} implants"
        )
    text = f"The reference positions and axes of {what or 'the models'} were taken from "
    text += s.get("instrument") or "a reference whose instrument the study does not name"
    if s.get("certificate"):
        text += f" (certificate {s['certificate']})"
    if s.get("measured_on"):
        text += f", measured on {date(s['measured_on'])}"
    text += "."
    mpe, used = s.get("mpe_um"), _how_of_reference(content)
    if any("certified" in how for how in used):
        holders = (
            "the bounds compared with the limit"
            if content.has("drift_points")
            else "bias, guard band and uncertainty budget"
        )
        text += f" The certified standard uncertainties of the positions are included in {holders}."
    if any("not stated" in how for how in used):
        text += " Their uncertainty is not stated, so conformity cannot be stated."
    if mpe and _by_machine_error(content):
        text += (
            f" Its maximum permissible error, {number(mpe['constant'], decimals=1)} µm + "
            f"{number(mpe.get('per_metre', 0), decimals=1)} µm per metre, is treated as a "
            "rectangular distribution (divided by √3) "
            f"[{number_of(content, 'uncertainty')}]."
        )
    if _is_scan(content):
        text += (
            " The reference is itself a scan: results are agreement between two scanning methods, "
            "not trueness."
        )
    return text


def _mean_of_scans(content: ReportContent) -> str:
    """How the arrangement was learned."""
    which = "its scans"
    if content.has("drift_points"):
        which = "the sessions of the first baseline of every device"
    return (
        "The study has no reference. The implant arrangement of every model is the mean of "
        f"{which}, each fitted as a rigid body without scaling (generalised Procrustes analysis "
        "over the platform centre and a point 10 mm along the axis of every implant). It is used "
        "only to align scans and to define spans; mean deviations from it are zero by construction "
        "and carry no information."
    )


def _seating_scatter(content: ReportContent) -> str:
    """How a framework of one scan was seated on the mean."""
    s = content.settings.get("seating", {})
    return (
        "A rigid framework with the arrangement of one scan was seated numerically on the mean of "
        "the scans of its condition: with one screw tightened, and at its best seat (the "
        "vertical shift and two tilts that leave no interference and make the largest gap "
        "smallest). Means over few cells absorb part of the scatter; differences of cells from "
        "their mean were therefore scaled by the square root of k / (k - 1) for k cells. Gaps are "
        f"evaluated around a rim of {number(s.get('platform_radius_mm', 2.0), 'mm')} mm radius."
    )


def _scans(content: ReportContent) -> str:
    s = content.settings
    analysis = s.get("analysis", {})
    text = ""
    condition, cell = analysis.get("condition") or (), analysis.get("cell") or ()
    if condition:
        text += f"Conditions are defined by {joined([str(c) for c in condition])}. "
    if cell:
        text += (
            "Scans taken under repeatability conditions form a cell; cells differ in "
            f"{joined([str(c) for c in cell], last='or')}. "
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
        return "No correction for temperature was made."
    home = float(content.settings.get("reference", {}).get("temperature_c", 20.0))
    low, high = number(known.min(), decimals=1), number(known.max(), decimals=1)
    warm = low if low == high else f"{low} to {high}"
    which = "" if len(known) == len(at) else f" of {len(known)} of {len(at)} scans"
    rest = "; the temperature of the others is unknown" if which else ""
    if bool((known == home).all()) and not which:
        done = "measured and scanned" if content.referenced else "scanned"
        return f"Models were {done} at {number(home, decimals=1)} °C."
    return (
        f"Lengths{which} measured at {warm} °C were corrected to {number(home, decimals=1)} °C "
        f"with a thermal expansion of {1e6 * float(s['expansion_per_k']):.1f} µm per metre and "
        f"kelvin{rest}."
    )


def _locating(content: ReportContent) -> str:
    poses = content.table("poses")
    if "fit_rms_um" not in poses or not poses["fit_rms_um"].notna().any():
        return (
            "The study supplied positions and axes of the implants instead of scan surfaces; they "
            "were used as given."
        )
    above = content.settings.get("scan_body", {}).get("default", {}).get("use_above_mm")
    used = "" if above is None else f" above {number(above, 'mm')} mm"
    rms = poses["fit_rms_um"].median()
    places = (
        "their reference positions" if content.referenced else "the positions in the first scan"
    )
    return (
        "In every scan, the arrangement of all scan bodies was located first, by automatic "
        f"registration of their CAD geometry at {places} to the surface. Each scan body was then "
        f"fitted separately: robust least squares of the scanned surface{used} to the CAD "
        "geometry, "
        "with the rotation searched over the full circle and one uniform surface offset estimated "
        f"jointly. The residuals had a root mean square of {quantity(rms)} (median scan body). The "
        "uncertainties of the positions take the spatial correlation of the residuals into account."
    )


def _deviations(content: ReportContent) -> Text:
    analysis = content.settings.get("analysis", {})
    datum = analysis.get("datum") or ()
    main = analysis.get("alignment", "all-implants")
    named = f", and over the datum implants {joined([str(d) for d in datum])} only" if datum else ""
    start, places = "Deviations are measured minus reference.", "reference platforms"
    if not content.referenced:
        start = "Differences are measured minus the mean of the scans."
        places = "platforms of that mean"
    return (
        f"{start} Inter-implant distances and angles need no alignment and are the primary result. "
        "Single implants were compared after an alignment without scaling: least squares over the "
        "platform centre and a point 10 mm along "
        f"the axis of all implants{named}; and with platform and axis of the first implant "
        f"coinciding. Results for single implants refer to the alignment by {alignment_name(main)} "
        "unless stated otherwise. Mesiodistal and buccolingual directions, and the arch length, "
        f"follow a smooth curve through the {places}."
    )


def _accuracy_title(content: ReportContent) -> str:
    if not content.referenced:
        return "Precision"
    return "Agreement" if _is_scan(content) else "Trueness and precision"


def _accuracy(content: ReportContent) -> Text:
    confidence = content.settings.get("limits", {}).get("confidence", 0.95)
    if not content.referenced:
        return [
            "For every pair and condition, the scans form a one-way layout with cells as groups, "
            "possibly of unequal size [1]. Reported are the repeatability standard deviation ",
            symbol("s", "r"),
            ", and the standard deviation ",
            symbol("s", between(content)[1]),
            f" that includes the variation between cells ({between(content)[0]}: cells differ in "
            f"{between(content)[2]}) [1], with {sure(confidence)} intervals. Both are computed "
            "about means of the same scans and do not depend on a reference.",
        ]
    return [
        "For every pair and condition, the scans form a one-way layout with cells as groups, "
        "possibly of unequal size [1]. Reported are the bias with its ",
        f"{sure(confidence)} interval (Student's t on the means of the outermost factor: "
        "operators if they took part in several sessions, otherwise cells; uncertainty of the "
        "reference included), the repeatability standard deviation ",
        symbol("s", "r"),
        ", and the standard deviation ",
        symbol("s", between(content)[1]),
        f" that includes the variation between cells ({between(content)[0]}: cells differ in "
        f"{between(content)[2]}) [1]. The mean absolute deviation and the mean difference of "
        "repeats, called trueness and precision in the dental literature, are listed in the "
        "attached tables.",
    ]


_ATTACHED = (
    "Bias and precision over all sessions, and tests for outliers among them [1], are in the "
    "attached tables. They are not used in this report, because such means would mask a drift."
)

_ATTACHED_UNREFERENCED = (
    "Precision over all sessions, and tests for outliers among them [1], are in the attached "
    "tables. They are not used in this report, because they would mask a drift."
)

_OUTLIERS: Text = [
    "Cells and scans were tested with Cochran's and Grubbs' tests and assessed with Mandel's ",
    italic("h"),
    " and ",
    italic("k"),
    " at levels of 5 % (straggler) and 1 % (outlier) [1]. No result was removed because of a test.",
]


def _conformity(content: ReportContent) -> Text:
    limits = content.settings.get("limits", {})
    coverage, confidence = limits.get("coverage", 0.95), limits.get("confidence", 0.95)
    table = content.table("conformity")
    returning = table["holds_for"].str.startswith("these ").any() if len(table) else False
    nested = (
        " If operators took part in several sessions, their variation is a separate level; bounds "
        "are given for these operators in future sessions, and for other operators."
        if returning
        else ""
    )
    return (
        f"An upper tolerance limit (bound) for {sure(coverage)} of future single scans with "
        f"{sure(confidence)} confidence was computed from the bias and the variances within and "
        f"between cells [{number_of(content, 'tolerance')}].{nested} It is never below the largest "
        "deviation observed; with enough independent scans for a distribution-free limit, the "
        "order statistic is also required to comply. With fewer, the normality of the residuals "
        "within cells is tested (Shapiro–Wilk), as are differences between levels of recorded "
        "factors within cells. "
        f"{decision_rule(confidence)} "
        f"[{number_of(content, 'conformity')}]. The verdict on all pairs together is never more "
        "favourable than that on each pair. The supported span is the longest span up to which "
        "conformity is "
        "verified."
    )


def _seating(content: ReportContent) -> Text:
    s = content.settings.get("seating", {})
    radius = number(s.get("platform_radius_mm", 2.0), "mm")
    clearance = s.get("lateral_clearance_um")
    sideways = (
        "no lateral movement from the least-squares position"
        if clearance is None
        else f"lateral movement of up to {quantity(clearance)}"
    )
    return (
        "A rigid framework with the implant arrangement of the scan was seated numerically on the "
        "reference: with one screw tightened (platform and axis coincide there, the free "
        "rotation by least squares), and at its best seat (the vertical shift and two tilts that "
        f"leave no interference and make the largest gap smallest, with {sideways}). Gaps are "
        f"evaluated around a rim of {radius} mm radius; a negative gap is interference."
    )


def _drift(content: ReportContent) -> Text:
    s = content.settings.get("drift", {})
    return (
        "Session means and standard deviations within sessions were charted as individual values, "
        "moving ranges, exponentially weighted moving averages and cumulative sums "
        f"[{number_of(content, 'charts')}]. Each session is one value, so that the control limits "
        "include the variation between sessions. Charts of the spread, except that of the "
        "standard deviations themselves, are based on normal scores. Centre line and limits are "
        f"computed from the baseline sessions (the first {s.get('baseline_sessions', 6)}, unless "
        "an event starts a new baseline) and allow for their number. EWMA and CUSUM are tuned to "
        "a shift of "
        f"{quantity(s.get('shift_um', 20.0))} and to a spread {s.get('sd_ratio', 2.0):g} times as "
        f"large, with one false signal per device in about {s.get('false_alarm_every', 370):g} "
        "sessions."
    )


def _drift_limit(content: ReportContent) -> Text:
    """How the limit was held against session means, and what else is called a bound."""
    held = content.table("drift_limits")
    confidence = float(held["confidence"].iloc[0])
    text = (
        "Every pair was compared with the limit in every session. The bound of a session mean is "
        f"one-sided ({sure(confidence)}): the absolute mean plus Student's t times its standard "
        "uncertainty, from the differences of neighbouring sessions (below six sessions: from "
        "repeated scans)"
    )
    shared = (
        ["that of the reference"] if bool(held["method"].str.endswith("included").any()) else []
    )
    if warm := _temperature_tolerance(content):
        shared.append(
            f"that of the temperature (± {number(warm, decimals=1)} K, rectangular) "
            f"[{number_of(content, 'uncertainty')}]"
        )
    text += f", combined with {joined(shared)}. " if shared else ". "
    text += (
        "Conformity is verified if the bound of every pair lies within the limit; nonconformity is "
        "verified if the absolute mean of a pair, minus its expanded uncertainty, lies beyond the "
        "limit, with the risk divided among the pairs; otherwise, neither is verified "
        f"[{number_of(content, 'conformity')}]. "
    )
    ahead = content.table("drift_pairs")
    if len(ahead):
        coverage = float(ahead["coverage"].iloc[0])
        text += (
            f"The upper tolerance limit is a different quantity: it covers {sure(coverage)} of "
            f"future single scans, one-sided with {sure(confidence)} confidence, at the last "
            "session. It is not used for the verdict."
        )
    return text


def _temperature_tolerance(content: ReportContent) -> float:
    """Half width of the temperature's range where it counts, K; 0 where it does not."""
    if not content.settings.get("scans", {}).get("expansion_per_k"):
        return 0.0
    return float(content.settings.get("uncertainty", {}).get("temperature_tolerance_k") or 0.0)


_SOURCES = {
    "precision": "ISO 5725-2:2019, Accuracy (trueness and precision) of measurement methods and "
    "results, part 2: basic method for repeatability and reproducibility; part 3: intermediate "
    "precision.",
    "uncertainty": "JCGM 100:2008, Guide to the expression of uncertainty in measurement, 4.3.7.",
    "conformity": "ISO 14253-1:2017, Decision rules for verifying conformity or nonconformity with "
    "specifications.",
    "tolerance": "ISO 16269-6:2014, Statistical interpretation of data, part 6: determination of "
    "statistical tolerance intervals.",
    "models": "Kenward MG, Roger JH. Small sample inference for fixed effects from restricted "
    "maximum likelihood. Biometrics 1997;53:983–997.",
    "charts": "ISO 7870, Control charts: parts 2 (Shewhart), 4 (cumulative sum), 6 (exponentially "
    "weighted moving average).",
}
_CHECKLIST = (
    "Checklist: Krithikadatta J, Gopikrishna V, Datta M. CRIS guidelines. J Conserv Dent "
    "2014;17:301–304. Faggion CM. CONSORT modified for in vitro studies. J Evid Based Dent Pract "
    "2012;12:182–189."
)


def _how_of_reference(content: ReportContent) -> set[str]:
    """How the uncertainty of the reference was come by: from the budget, or from the positions."""
    parts = content.table("uncertainty_budget")
    if len(parts):
        return set(parts.loc[parts["part"] == "CMM", "how"])
    implants = content.table("implants")
    if not len(implants):
        return set()
    stated = implants.get("u_position_um", pd.Series(pd.NA, implants.index)).notna()
    rest = "permissible" if content.settings.get("reference", {}).get("mpe_um") else "not stated"
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
    return [topic for topic in _SOURCES if named[topic]]


def number_of(content: ReportContent, topic: str) -> int:
    """Number under which the source of a topic stands."""
    return _cited(content).index(topic) + 1


def sources(content: ReportContent) -> list[str]:
    """Sources of the methods, as the paragraphs number them."""
    found = [f"[{k}] {_SOURCES[topic]}" for k, topic in enumerate(_cited(content), start=1)]
    return [*found, _CHECKLIST] if content.has("model_terms") else found
