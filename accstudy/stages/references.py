"""The references of a study, which is valid when, and scans against it at their temperature."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import combinations, pairwise
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.accuracy.budget import SeatingOfBodies, seating_from_data
from accstudy.accuracy.reference_uncertainty import (
    e_n,
    pair_shared_u,
    shared_uncertainty,
)
from accstudy.compare.arch import arch_of
from accstudy.compare.deviations import (
    CommonError,
    common_body_errors,
    implant_deviations,
    pair_deviations,
)
from accstudy.compare.surface import (
    ReferenceSurface,
    reference_from_scans,
    reference_surface,
    surface_deviation,
    surface_fields,
    surface_scans_table,
    surface_table,
)
from accstudy.errors import Finding, MeshError, Severity, place
from accstudy.geometry.rigid import frame_from_axis, rotation_vector
from accstudy.locate.arrangement import Lines, own_mirror_image
from accstudy.mesh.read import study_mesh
from accstudy.study.load import Study, reference_versions, scan_temperatures
from accstudy.study.settings import ScanBodySettings
from accstudy.tables import BEGINNING, shape, valid_since
from accstudy.words.catalogue import say

_E_N = "E_n of ISO 13528"


def reference_pairs(
    implants: pd.DataFrame,
    *,
    mpe_constant_um: float | None = None,
    mpe_per_metre_um: float = 0.0,
    expansion_per_k: float = 0.0,
    temperature_tolerance_k: float = 0.0,
    runs: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Table ``reference_pairs``: uncertainty of every distance of every reference, by contribution.

    Arguments as of `accstudy.accuracy.reference_uncertainty.shared_uncertainty`. ``u_um`` is what
    the interval of a bias, the guard of a limit and the span curve count, but for the seating of
    scan bodies.
    """
    parts = []
    for model, since, mine in _versions(implants):
        pairs = _distances(str(model), mine)
        own = runs
        if runs is not None and len(runs):
            own = runs[(runs["model"] == model) & (valid_since(runs) == since)]
        known = pair_shared_u(
            mine, pairs, mpe_constant_um=mpe_constant_um, mpe_per_metre_um=mpe_per_metre_um,
            expansion_per_k=expansion_per_k, temperature_tolerance_k=temperature_tolerance_k,
            runs=own,
        )  # fmt: skip
        parts.append(
            known.assign(
                valid_from=pd.Series([None if since == BEGINNING else since] * len(known)),
                expanded_u_um=2.0 * known["u_um"],
                k=2.0,
            )
        )
    return shape("reference_pairs", pd.concat(parts, ignore_index=True))


def reference_changes(
    implants: pd.DataFrame,
    *,
    mpe_constant_um: float | None,
    mpe_per_metre_um: float = 0.0,
    runs: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Table ``reference_changes``: every new reference of a model against the one before, pair by
    pair.

    ``E_n`` (ISO 13528:2022, 9.7) is the difference over the expanded uncertainty (k = 2) of both:
    above 1 the two do not agree. The two measurements count as independent, so that what they share
    (the same CMM) makes E_n too small, never too large. Empty where no model was measured again.
    """
    known = reference_pairs(
        implants, mpe_constant_um=mpe_constant_um, mpe_per_metre_um=mpe_per_metre_um, runs=runs
    )
    rows: list[dict[str, Any]] = []
    pair = ["implant_a", "implant_b"]
    for model, mine in known.groupby("model", sort=True):
        versions = [part.set_index(pair) for _, part in mine.groupby(valid_since(mine), sort=True)]
        for before, after in pairwise(versions):
            for a, b in before.index.intersection(after.index):
                old, new = before.loc[(a, b)], after.loc[(a, b)]
                rows.append(
                    {"model": model, "valid_from": new["valid_from"], "implant_a": a,
                     "implant_b": b, **_compared(old, new)}
                )  # fmt: skip
    table = pd.DataFrame(rows)
    if rows:
        table["largest"] = table.groupby(["model", "valid_from"])["e_n"].transform(
            lambda e_n: e_n.index == (e_n.abs().idxmax() if e_n.notna().any() else None)
        )
    return shape("reference_changes", table)


def _compared(old: pd.Series, new: pd.Series) -> dict[str, Any]:
    before, after = float(old["span_mm"]), float(new["span_mm"])
    expanded = [
        2 * math.hypot(one["u_instrument_um"], np.nan_to_num(float(one["u_runs_um"])))
        for one in (old, new)
    ]
    known = min(expanded) > 0
    number = e_n(1000 * after, 1000 * before, *expanded[::-1]) if known else float("nan")
    return {
        "before_mm": before,
        "after_mm": after,
        "difference_um": 1000 * (after - before),
        "expanded_um": math.hypot(*expanded) if known else float("nan"),
        "e_n": number,
        "verdict": ("differs" if abs(number) > 1 else "agrees") if known else "uncertainty unknown",
        "method": _E_N,
    }


def _versions(implants: pd.DataFrame) -> list[tuple[Any, Any, pd.DataFrame]]:
    """Model, day and rows of every reference."""
    by = implants.groupby(["model", valid_since(implants).rename("since")])
    return [(model, since, mine) for (model, since), mine in by]


def _distances(model: str, implants: pd.DataFrame) -> pd.DataFrame:
    at = implants.set_index("implant")[["x_mm", "y_mm", "z_mm"]].astype(float)
    return pd.DataFrame(
        [
            (model, a, b, float(np.linalg.norm(at.loc[a] - at.loc[b])))
            for a, b in combinations(sorted(at.index), 2)
        ],
        columns=["model", "implant_a", "implant_b", "span_mm"],
    )


def arch_findings(study: Study) -> list[Finding]:
    """Warn once of every model whose order or handedness its positions leave open.

    ``arch-order`` where several orders along the arch are as likely, and ``own-mirror-image`` where
    a mirrored scan would look like a right one.
    """
    found: dict[tuple[str, str], Finding] = {}
    meshes = set(study.scans.loc[study.scans["file"] != "", "scan"])
    for reference, scans in references_with_scans(study):
        model = str(reference["model"].iloc[0])
        ours = study.settings.reference
        file = ours.touch_points or ours.implants
        if not study.referenced:
            file = ours.sketch or "reference/sketch.csv"
        arch = arch_of(reference)
        if arch.rivals:
            found[model, "order"] = Finding(
                Severity.WARNING,
                "arch-order",
                say(
                    "findings.the_implants_of_model",
                    model=model,
                    way=_way(arch.implants),
                    rivals=say("findings.or").join(_way(way) for way in arch.rivals),
                ),
                file,
                say("findings.number_the_implants_along"),
            )
        axes = reference[["axis_x", "axis_y", "axis_z"]].to_numpy(float)
        points = reference[["x_mm", "y_mm", "z_mm"]].to_numpy(float)
        kinds = np.unique(reference["scan_body"].fillna("").astype(str), return_inverse=True)[1]
        lines = Lines(points, axes, kinds.reshape(-1))
        if meshes & set(scans) and len(points) > 2 and own_mirror_image(lines):
            found[model, "mirror"] = Finding(
                Severity.WARNING,
                "own-mirror-image",
                say("findings.the_implants_of_model_2", model=model),
                file,
                say("findings.make_sure_that_no"),
            )
    return list(found.values())


def _way(implants: tuple[str, ...]) -> str:
    return "-".join(implants)


def references_with_scans(study: Study) -> Iterator[tuple[pd.DataFrame, list[str]]]:
    """Reference rows of a model, each with the measurable scans made while they were valid.

    A model that was measured again has several references; scans without a time belong to the
    oldest.
    """
    scans = study.measurable
    for model in dict.fromkeys(scans["model"]):
        mine = scans[scans["model"] == model]
        versions = reference_versions(study.implants, model)
        which = np.zeros(len(mine), int)
        if len(versions) > 1 and "measured_at" in mine:
            since = [at for at, _ in versions]
            at = pd.to_datetime(mine["measured_at"]).fillna(since[0])
            which = np.searchsorted(np.array(since), at.to_numpy(), side="right") - 1
        for number, (_, reference) in enumerate(versions):
            yield reference, mine.loc[which.clip(0) == number, "scan"].tolist()


def seating_of_bodies(study: Study, pairs: pd.DataFrame) -> SeatingOfBodies | None:
    """How well scan bodies come back to their places: entered, or else what the scans show."""
    entered = study.settings.uncertainty.scan_body_seating_um
    if entered:
        return SeatingOfBodies(entered.value, math.inf, entered.source)
    return seating_from_data(pairs)


def shared_u_of(study: Study, pairs: pd.DataFrame) -> pd.DataFrame:
    """Standard uncertainty common to all scans of a condition."""
    settings, body = study.settings, seating_of_bodies(study, pairs)
    mpe = settings.reference.mpe_um
    return shared_uncertainty(
        study.implants,
        pairs,
        mpe_constant_um=mpe.constant if mpe else None,
        mpe_per_metre_um=mpe.per_metre if mpe else 0.0,
        expansion_per_k=settings.scans.expansion_per_k or 0.0,
        temperature_tolerance_k=temperature_tolerance_k(study),
        seating_um=body.u_um if body else None,
        runs=study.runs.pairs,
    )


def temperature_tolerance_k(study: Study) -> float:
    """How far the model's temperature may be off, with all that acts like it, K.

    Half-width of a rectangular distribution: the tolerances of the scans' and of the reference's
    temperature, and that of the expansion over the difference of the two, in squares (JCGM
    100:2008, 5.1.2). Each acts on a length as the others do.
    """
    given, scans = study.settings.uncertainty, study.settings.scans
    expansion = scans.expansion_per_k or 0.0
    of_expansion = 0.0
    if expansion:
        at = scans.temperature_c
        if "temperature_c" in study.scans and study.scans["temperature_c"].notna().any():
            at = float(study.scans["temperature_c"].astype(float).mean())
        off = (at if at is not None else 20.0) - study.settings.reference.temperature_c
        of_expansion = given.expansion_tolerance_per_k / expansion * off
    return math.hypot(
        given.temperature_tolerance_k, given.reference_temperature_tolerance_k, of_expansion
    )


_LARGE_UM = 5.0
"""Scatter of a distance between runs that deserves a word: common practice without a source."""


def dossier(study: Study) -> tuple[dict[str, pd.DataFrame], list[Finding]]:
    """Tables on the reference of a study, and what is wrong with it.

    ``reference_pairs``; ``reference_runs``, ``reference_run_implants`` and ``reference_changes``
    where a model was measured several times or again. Findings: references that do not agree with
    the one before, and runs that scatter much.
    """
    settings = study.settings
    mpe = settings.reference.mpe_um
    constant, per_metre = (mpe.constant, mpe.per_metre) if mpe else (None, 0.0)
    pairs = reference_pairs(
        study.implants,
        mpe_constant_um=constant,
        mpe_per_metre_um=per_metre,
        expansion_per_k=settings.scans.expansion_per_k or 0.0,
        temperature_tolerance_k=temperature_tolerance_k(study),
        runs=study.runs.pairs,
    )
    changes = reference_changes(
        study.implants,
        mpe_constant_um=constant,
        mpe_per_metre_um=per_metre,
        runs=study.runs.pairs,
    )
    tables = {"reference_pairs": pairs}
    if len(study.runs.pairs):
        tables["reference_runs"] = study.runs.pairs
        tables["reference_run_implants"] = study.runs.implants
    if len(changes):
        tables["reference_changes"] = changes
    return tables, [*references_that_differ(changes), *_scatter(pairs)]


def _scatter(pairs: pd.DataFrame) -> list[Finding]:
    """Warn of runs that scatter more than a measuring machine should."""
    found = []
    for model, mine in pairs.groupby("model", sort=False):
        s = mine["s_runs_um"].astype(float)
        if not (s.max() > _LARGE_UM):
            continue
        worst = mine.iloc[int(np.nanargmax(s))]
        what = say(
            "findings.the_reference_runs_of",
            model=model,
            s=s.max(),
            implant_a=worst["implant_a"],
            implant_b=worst["implant_b"],
        )
        mend = say("findings.see_reference_runs_csv")
        found.append(Finding(Severity.WARNING, "reference-scatter", what, "reference", mend))
    return found


def references_that_differ(references: pd.DataFrame) -> list[Finding]:
    """Warn of references that do not agree with the one before, by table ``reference_changes``."""
    out: list[Finding] = []
    if not len(references):
        return out
    for (model, _), mine in references.groupby(["model", "valid_from"], sort=True):
        apart = mine[mine["verdict"] == "differs"]
        unknown = bool((mine["verdict"] == "uncertainty unknown").any())
        if not len(apart) and not unknown:
            continue
        day = mine["valid_from"].iloc[0]
        worst = mine.iloc[int(mine["difference_um"].abs().to_numpy().argmax())]
        what = say(
            "findings.the_reference_of_model",
            model=model,
            day=day,
            difference_um=worst["difference_um"],
            implant_a=worst["implant_a"],
            implant_b=worst["implant_b"],
        )
        if len(apart):
            e_n = float(apart["e_n"].abs().max())
            what += f", more than the two uncertainties explain (E_n up to {e_n:.1f})"
        else:
            what += "; without a stated uncertainty their agreement cannot be assessed"
        out.append(
            Finding(
                Severity.WARNING,
                "reference-changed" if len(apart) else "reference-uncertainty",
                what,
                "reference",
                say("findings.find_out_which_of"),
            )
        )
    return out


def by_reference(study: Study, poses: pd.DataFrame) -> Iterator[tuple[pd.DataFrame, pd.DataFrame]]:
    """Part poses by model and by the reference (rows of table ``implants``) that held on their
    days.
    """
    for reference, scans in references_with_scans(study):
        mine = poses[poses["scan"].isin(scans)]
        if len(mine):
            yield mine, reference


def deviations(study: Study, poses: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Compare every scan with the reference valid on its day.

    From table ``poses`` at the reference's temperature: tables ``pair_deviations`` and
    ``implant_deviations`` with the scans' factor columns, in the order of the scan list.
    """
    datum = study.settings.analysis.datum
    pairs, singles = [], []
    for mine, reference in by_reference(study, poses):
        pairs.append(pair_deviations(mine, reference))
        singles.append(implant_deviations(mine, reference, datum=datum))
    return (
        with_factors("pair_deviations", pairs, study),
        with_factors("implant_deviations", singles, study),
    )


def suspected_setup(study: Study, poses: pd.DataFrame) -> list[Finding]:
    """Warn of an origin or flat of a scan body that explains the bias of all implants.

    A warning for each scan body and kind of error, with what to change. Nothing is changed by the
    program.
    """
    found: dict[tuple[str, str], Finding] = {}
    for mine, reference in by_reference(study, poses):
        bodies = reference["scan_body"].fillna("").unique()
        if len(bodies) != 1:
            continue
        meshes = study.scans.loc[study.scans["scan"].isin(mine["scan"]), "file"] != ""
        name = str(bodies[0]) or "default"
        if name not in study.bodies and len(study.bodies) == 1:
            name = next(iter(study.bodies))
        body = study.bodies.get(name) if meshes.all() else None
        for error in common_body_errors(mine, reference):
            key = (name, error.kind)
            found.setdefault(key, _setup_finding(error, name, body, study))
    return list(found.values())


def _setup_finding(
    error: CommonError, name: str, body: ScanBodySettings | None, study: Study
) -> Finding:
    key = "flat" if error.kind == "rotation" else "origin_mm"
    where = (
        place("study.toml", column=f"scan_body.{name}.{key}")
        if body
        else study.settings.scans.poses or study.settings.scans.list
    )
    if error.kind == "rotation":
        what = say("findings.all_implants_appear_rotated", rotation_deg=error.rotation_deg)
    else:
        x, y, z = error.offset_mm
        size = (
            f"{z:+.2f} mm along its axis"
            if error.kind == "axial"
            else f"({x:+.2f}, {y:+.2f}, {z:+.2f}) mm in its own frame"
        )
        what = say(
            "findings.an_error_of_in", size=size, before_um=error.before_um, after_um=error.after_um
        )
    return Finding(Severity.WARNING, "scan-body-origin", what, where, _setup_hint(error, body))


def _setup_hint(error: CommonError, body: ScanBodySettings | None) -> str:
    """What to write, and how to make sure that it is right."""
    sure = "if the CAD geometry confirms it"
    if body is None or (error.kind == "offset" and body.flat is None):
        return f"check which point of the implant the positions refer to; correct them {sure}"
    frame = frame_from_axis(body.axis, body.flat)
    if error.kind == "rotation":
        flat = rotation_vector(-np.radians(error.rotation_deg) * frame[:, 2]) @ frame[:, 0]
        return f"write flat = [{', '.join(f'{v:.4f}' for v in flat)}] {sure}"
    origin = np.asarray(body.origin_mm) - frame @ error.offset_mm
    return f"write origin_mm = [{', '.join(f'{v:.3f}' for v in origin)}] {sure}"


def temperature_factors(study: Study) -> pd.Series:
    """Factors that bring lengths of scans to the temperature of the reference; 1 where not known.

    Column ``temperature_c`` of the scan list counts before ``scans.temperature_c``.
    """
    at = scan_temperatures(study.scans, everywhere=study.settings.scans.temperature_c)
    warmer = (at - study.settings.reference.temperature_c).fillna(0.0)
    return 1.0 / (1.0 + (study.settings.scans.expansion_per_k or 0.0) * warmer)


def at_reference_temperature(study: Study, poses: pd.DataFrame) -> pd.DataFrame:
    """Bring the lengths of the scans to the reference temperature (`temperature_factors`)."""
    if not study.settings.scans.expansion_per_k:
        return poses
    factor = poses["scan"].map(temperature_factors(study)).to_numpy(float)
    out = poses.copy()
    out[["x_mm", "y_mm", "z_mm"]] = poses[["x_mm", "y_mm", "z_mm"]].mul(factor, axis=0)
    return out


def with_factors(name: str, frames: list[pd.DataFrame], study: Study) -> pd.DataFrame:
    """Join tables of several models, add the scans' factors, in the order of the scan list."""
    frame = pd.concat(frames, ignore_index=True) if frames else shape(name, pd.DataFrame())
    columns = ["scan", "condition", "cell", *study.factors]
    rank = {scan: i for i, scan in enumerate(study.scans["scan"])}
    merged = frame.drop(columns=["condition", "cell"]).merge(
        study.scans[columns], on="scan", how="left", validate="many_to_one"
    )
    order = np.argsort(merged["scan"].map(rank).to_numpy(), kind="stable")
    return shape(name, merged.iloc[order], factors=study.factors)


def surface_tables(
    study: Study, poses: pd.DataFrame
) -> tuple[dict[str, pd.DataFrame], tuple[Finding, ...]]:
    """Compare every scanned surface with the reference surface; nothing without one.

    Tables ``surface`` (a row a condition), ``surface_scans`` (a row a scan), ``surface_vertices``
    (a row a condition and vertex). Findings: scans that could not be compared; a study of several
    models, which one surface cannot serve.
    """
    file = study.settings.reference.surface
    meshes = study.usable[study.usable["file"] != ""]
    if not file or meshes.empty:
        return {}, ()
    models = meshes["model"].unique()
    if len(models) > 1:
        what = say("findings.one_reference_surface_cannot", models=len(models))
        where = place("study.toml", column="reference.surface")
        return {}, (Finding(Severity.WARNING, "surface-models", what, where),)
    unit = study.settings.reference.length_unit
    surface = reference_surface(study_mesh(study.files, file, length_unit=unit))
    findings: list[Finding] = []
    scans: list[pd.DataFrame] = []

    def noted() -> Iterator[tuple[str, str, NDArray[np.float64]]]:
        """Make a row of every scan as it passes, so that no scan's array is kept."""
        for one in _deviations(study, poses, surface, findings):
            scans.append(surface_scans_table([one], surface, model=str(models[0])))
            yield one

    fields = surface_fields(noted())
    if not fields:
        return {}, tuple(findings)
    vertices = [_vertices(surface, f.condition, f.n, f.mean_um, f.sd_um) for f in fields]
    tables = {
        "surface": surface_table(fields, surface, model=str(models[0])),
        "surface_scans": pd.concat(scans, ignore_index=True),
        "surface_vertices": shape("surface_vertices", pd.concat(vertices, ignore_index=True)),
    }
    return tables, tuple(findings)


def _deviations(
    study: Study,
    poses: pd.DataFrame,
    surface: ReferenceSurface,
    findings: list[Finding],
) -> Iterator[tuple[str, str, NDArray[np.float64]]]:
    analysis = study.settings.analysis
    factor = temperature_factors(study)
    rows = study.usable.set_index("scan")
    for mine, reference in by_reference(study, poses):
        motions = reference_from_scans(
            mine, reference, alignment=analysis.alignment, datum=analysis.datum
        )
        for scan in dict.fromkeys(mine["scan"]):
            file = str(rows.loc[scan, "file"])
            if not file:
                continue
            if scan not in motions:
                what = say("findings.scan_cannot_be_aligned", scan=scan)
                findings.append(Finding(Severity.WARNING, "surface-not-aligned", what, file))
                continue
            motion = motions[scan]
            try:
                mesh = study_mesh(study.files, file, length_unit=study.settings.scans.length_unit)
            except MeshError as error:
                findings += error.findings
                continue
            deviation = surface_deviation(mesh, motion, surface, scale=float(factor[scan]))
            yield str(rows.loc[scan, "condition"]), scan, deviation


def _vertices(
    surface: ReferenceSurface,
    condition: str,
    n: NDArray[np.int32],
    mean_um: NDArray[np.float64],
    sd_um: NDArray[np.float64],
) -> pd.DataFrame:
    x, y, z = surface.mesh.vertices_mm.T
    return pd.DataFrame(
        {
            "condition": condition,
            "vertex": np.arange(len(x)),
            "x_mm": x,
            "y_mm": y,
            "z_mm": z,
            "n_scans": n,
            "mean_um": mean_um,
            "sd_um": sd_um,
        }
    )
