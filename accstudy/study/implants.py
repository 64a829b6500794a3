"""Implants of the reference, as measured: checked and completed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from accstudy.errors import AccstudyError, Finding, StudyError, fault, nearest, place, warning
from accstudy.geometry.rigid import DESIGNED, angle_between_deg, occlusal_direction, unit
from accstudy.geometry.touch import FEATURES, TouchedImplant, implant_from_touches, with_machine
from accstudy.quantities import UNIT_MM
from accstudy.study.settings import Reference
from accstudy.study.typed_rows import alike
from accstudy.tables import shape
from accstudy.words.catalogue import say

_USUAL_ARCH_MM, _LEAST_APART_MM = 40.0, 3.0  # common practice
_AXIS = ["axis_x", "axis_y", "axis_z"]
_FLAT = ["flat_x", "flat_y", "flat_z"]
_POSITION = ["x_mm", "y_mm", "z_mm"]
_NAMED = ["model", "implant", "feature"]


def common_axis(axes: np.ndarray) -> np.ndarray:
    """Mean direction of implant axes.

    Parameters
    ----------
    axes : (n, 3) ndarray
        Unit axes out of the bone.

    Returns
    -------
    (3,) ndarray
        Unit vector.
    """
    return unit(np.asarray(axes, float).sum(axis=0))


_MOST_ROWS, _MOST_MODELS, _MOST_IMPLANTS = 2_000, 200, 100


def too_many_rows(rows: pd.DataFrame, *, file: str) -> list[Finding]:
    """Refuse a table of implants, reference or sketch, that is far too long: it is another one."""
    models = rows["model"].nunique()
    if len(rows) <= _MOST_ROWS and models <= _MOST_MODELS:
        return []
    what = say(
        "findings.the_table_has_rows",
        rows=len(rows),
        models=models,
        most_rows=_MOST_ROWS,
        most_models=_MOST_MODELS,
    )
    return [fault("too-many-implants", what, file, say("findings.keep_the_rows_of"))]


def too_many_implants(rows: pd.DataFrame, *, file: str) -> list[Finding]:
    """Refuse a model with more implants than there can be."""
    if len(rows) <= _MOST_IMPLANTS:
        return []
    what = say(
        "findings.model_has_implants_at",
        model=rows["model"].iloc[0],
        n=len(rows),
        most=_MOST_IMPLANTS,
    )
    at = place(file, int(rows["row"].iloc[0]), "implant")
    return [fault("too-many-implants", what, at, say("findings.check_the_column_that"))]


def one_implant(rows: pd.DataFrame, *, file: str) -> list[Finding]:
    """Refuse a model with a single implant."""
    if len(rows) > 1:
        return []
    what = say("findings.model_has_one_implant", model=rows["model"].iloc[0])
    at = place(file, int(rows["row"].iloc[0]), "implant")
    return [fault("one-implant", what, at, "add the rows of the others")]


def check_flats(rows: pd.DataFrame, *, file: str) -> list[Finding]:
    """Find flats that are given in part, of no length, or not square to their axis."""
    flats, axes = rows[_FLAT].to_numpy(float), rows[_AXIS].to_numpy(float)
    given = np.isfinite(flats)
    found = []
    for i in np.flatnonzero(given.any(axis=1) & ~given.all(axis=1)):
        column = _FLAT[int(np.argmin(given[i]))]
        where = place(file, rows["row"].iloc[i], column)
        mend = "give all three, or leave all three empty when the rotation is unknown"
        found.append(
            fault("flat-incomplete", f"{column} is empty, the others are not", where, mend)
        )
    whole = np.flatnonzero(given.all(axis=1) & np.isfinite(axes).all(axis=1))
    whole = whole[np.linalg.norm(axes[whole], axis=1) > 0]
    flat, axis = flats[whole], unit(axes[whole])
    length, along = np.linalg.norm(flat, axis=1), (flat * axis).sum(axis=1)
    across = np.linalg.norm(flat - along[:, None] * axis, axis=1)
    for k in np.flatnonzero((length == 0) | (across < 0.7 * length)):
        where = place(file, rows["row"].iloc[whole[k]], "flat_x")
        angle = np.degrees(np.arctan2(across[k], abs(along[k])))
        off = "has no length" if length[k] == 0 else f"is {angle:.0f}° off the axis"
        mend = "give the direction from the axis towards the flat, perpendicular to the axis"
        found.append(fault("flat-along-axis", f"the flat's direction {off}", where, mend))
    return found


def check_reference(implants: pd.DataFrame, *, file: str) -> tuple[pd.DataFrame, list[Finding]]:
    """Check typed reference rows (with ``row``); axes get length 1, flats are made square to them.

    Found are doubled or coincident implants, axes that are no unit vectors or point against the
    others, flats along the axis.
    """
    out, findings = _standard_uncertainty(implants, file)
    if out.empty:
        what = say("findings.the_reference_has_no")
        findings.append(fault("no-implants", what, file, "add one row per implant"))
        return out, findings
    if long := too_many_rows(out, file=file):
        return out.head(0), [*findings, *long]
    out["_complete"] = np.isfinite(out[_POSITION + _AXIS].to_numpy(float)).all(axis=1)
    findings += _directions(out, file)
    firsts = out.drop_duplicates("model")
    findings += alike(firsts["model"].tolist(), firsts["row"].tolist(), file=file, column="model")
    since = pd.Series([str(at) for at in out["valid_from"]], index=out.index)
    for (model, _), group in out.groupby([out["model"], since], sort=False):
        findings += _check_model(str(model), group, file)
    return out.drop(columns="_complete"), findings


def _directions(out: pd.DataFrame, file: str) -> list[Finding]:
    """Check axes and flats; bring axes to length 1, flats square to them."""
    norms = np.linalg.norm(out[_AXIS].to_numpy(float), axis=1)
    found = [
        fault(
            "axis-length",
            f"the axis has length {norms[i]:.4g}, not 1",
            place(file, out["row"].iloc[i], "axis_x"),
            "give a unit vector that points out of the bone",
        )
        for i in np.flatnonzero(out["_complete"] & (np.abs(norms - 1) > 0.01))
    ]
    with np.errstate(invalid="ignore"):
        out[_AXIS] = unit(out[_AXIS].to_numpy(float))
    found += check_flats(out, file=file)
    flats, axes = out[_FLAT].to_numpy(float), out[_AXIS].to_numpy(float)
    with np.errstate(invalid="ignore"):
        out[_FLAT] = unit(flats - np.sum(flats * axes, axis=1, keepdims=True) * axes)
    return found


def _check_model(model: str, group: pd.DataFrame, file: str) -> list[Finding]:
    """Check the implants of one model against each other."""
    found = []
    for implant, count in group["implant"].value_counts().items():
        if count > 1:
            row = group.loc[group["implant"] == implant, "row"].iloc[-1]
            what = say("findings.implant_of_model_is", implant=implant, model=model, count=count)
            at = place(file, row, "implant")
            found.append(fault("duplicate-implant", what, at, "remove one of the rows"))
    found += alike(group["implant"].tolist(), group["row"].tolist(), file=file, column="implant")
    group = group.drop_duplicates("implant")
    if many := too_many_implants(group, file=file):
        return found + many
    if not group["_complete"].all():
        return found
    found += _distances(model, group, file) + one_implant(group, file=file)
    axes = group[_AXIS].to_numpy(float)
    tilt = angle_between_deg(axes, common_axis(axes))
    return found + [
        fault(
            "inward-axis",
            f'the axis of "{group["implant"].iloc[i]}" points against the others',
            place(file, group["row"].iloc[i], "axis_x"),
            "axes point out of the bone: change its sign",
        )
        for i in np.flatnonzero(tilt > 90)
    ]


def _distances(model: str, group: pd.DataFrame, file: str) -> list[Finding]:
    """Find implants on one place, and a model of a size that no arch has."""
    positions = group[_POSITION].to_numpy(float)
    gaps = np.linalg.norm(positions[:, None] - positions[None], axis=2)
    close = np.triu(gaps < 1.0, k=1)
    unit_of = _unit_of(gaps) if close.any() else ""
    mend = "check reference.length_unit and the coordinates"
    if unit_of:
        mend = f'if the coordinates are in {unit_of}, write length_unit = "{unit_of}" below '
        mend += "[reference] in study.toml"
    found = []
    for i, j in zip(*np.nonzero(close), strict=True):
        a, b = group["implant"].iloc[i], group["implant"].iloc[j]
        what = f'implants "{a}" and "{b}" of model "{model}" are {gaps[i, j]:.3g} mm apart'
        at = place(file, group["row"].iloc[j], "x_mm")
        found.append(fault("coincident-implants", what, at, mend))
        if unit_of:  # one finding says it for all
            break
    if gaps.max() > 200:
        what = say("findings.model_is_mm_wide", model=model, largest=gaps.max())
        at = place(file, group["row"].iloc[0], "x_mm")
        mend = say("findings.check_reference_length_unit")
        found.append(warning("reference-size", what, at, mend))
    return found


def _unit_of(gaps_mm: np.ndarray) -> str:
    """Unit in which a model of this size would be an arch, whose implants lie apart."""
    least = float(gaps_mm[np.triu_indices(len(gaps_mm), 1)].min())
    arches = {
        unit: abs(math.log(gaps_mm.max() * factor / _USUAL_ARCH_MM))
        for unit, factor in UNIT_MM.items()
        if factor > 1 and least * factor > _LEAST_APART_MM
    }
    best = min(arches, key=lambda unit: arches[unit], default="")
    return best if best and arches[best] < math.log(3) else ""


def _standard_uncertainty(implants: pd.DataFrame, file: str) -> tuple[pd.DataFrame, list[Finding]]:
    """Standard uncertainties from expanded ones, U over k, as certificates state them."""
    out = implants.copy()
    findings: list[Finding] = []
    if not {"U_position_um", "k"} <= set(out):
        return out, findings
    expanded, k = out["U_position_um"].astype(float), out["k"].astype(float)
    both = expanded.notna() & out["u_position_um"].astype(float).notna()
    for i in np.flatnonzero(both):
        findings.append(
            fault(
                "two-uncertainties",
                "both u_position_um and U_position_um are given",
                place(file, out["row"].iloc[i], "U_position_um"),
                "keep one of them; u = U / k",
            )
        )
    for i in np.flatnonzero(expanded.notna() & ~(k >= 1)):
        findings.append(
            fault(
                "coverage-factor",
                "U_position_um is given without its coverage factor",
                place(file, out["row"].iloc[i], "k"),
                "write the coverage factor k of the certificate, often 2",
            )
        )
    out["u_position_um"] = out["u_position_um"].astype(float).fillna(expanded / k)
    return out, findings


def as_certified(implants: pd.DataFrame, settings: Reference) -> pd.DataFrame:
    """Fill in the certified uncertainty of all implants where their own is not stated.

    With a certificate but without a maximum permissible error, what residuals of probed points tell
    is added to the certified uncertainty, in squares.
    """
    stated = settings.certified
    if stated is None:
        return implants
    out = implants.copy()
    residuals = bool(settings.touch_points) and settings.mpe_um is None
    for column, expanded in (
        ("u_position_um", stated.U_position_um),
        ("u_axis_deg", stated.U_axis_deg),
    ):
        if expanded is None:
            continue
        u, known = expanded / stated.k, out[column].astype(float)
        out[column] = np.hypot(known.fillna(0.0), u) if residuals else known.fillna(u)
    return out


def at_platforms(implants: pd.DataFrame, height_mm: float) -> pd.DataFrame:
    """Bring positions measured higher up, such as at the top of a scan body, to the platforms.

    Moved down along the (unit) axes by `height_mm`, or by the column of that name where it is
    filled. The uncertainty of the axis tilts the lever: ``u_position_um`` grows by height times
    ``u_axis_deg`` (GUM, first order), which counts it in full in every coordinate.
    """
    out = implants.copy()
    height = out["height_mm"].astype(float).fillna(height_mm)
    if not height.any():
        return out
    lever = height.to_numpy()[:, None] * out[_AXIS].to_numpy(float)
    out[_POSITION] = out[_POSITION].to_numpy(float) - lever
    tilt: pd.Series[float] = (
        1000.0 * height.abs() * np.radians(out["u_axis_deg"].astype(float).fillna(0.0))
    )
    out["u_position_um"] = np.hypot(out["u_position_um"].astype(float), tilt)
    out["height_mm"] = 0.0
    return out


def with_angulation(implants: pd.DataFrame, occlusal: Sequence[float] | None) -> pd.DataFrame:
    """Complete the angulation where it was not given as designed.

    Of table ``implants`` with unit axes at the platforms: ``angulation_deg`` as far as it is known
    (see `accstudy.geometry.rigid`) and its definition, ``angulation_by``.
    """
    out = implants.assign(angulation_by="")
    since = pd.Series([str(at) for at in out["valid_from"]], index=out.index)
    for _, group in out.groupby([out["model"], since], sort=False):
        places, axes = (group[c].to_numpy(float) for c in (_POSITION, _AXIS))
        given = group["angulation_deg"].to_numpy(float)
        upright, definition = None, ""
        if np.isfinite(places).all() and np.isfinite(axes).all():
            upright, definition = occlusal_direction(places, axes, stated=occlusal)
        out.loc[group.index, "angulation_by"] = np.where(np.isnan(given), definition, DESIGNED)
        if upright is not None:
            tilt: np.ndarray = np.round(angle_between_deg(axes, upright), 6)
            out.loc[group.index, "angulation_deg"] = np.where(np.isnan(given), tilt, given)
    return out


def reference_from_touches(
    touches: pd.DataFrame, settings: Reference, *, file: str, repeated: bool = False
) -> pd.DataFrame:
    """Make reference rows, with standard uncertainties from residuals and machine, out of touch
    points.

    `touches` is table ``touch_points``, in mm, with ``row``; +z points out of the bone. Rows with
    an empty coordinate are left out: they have their own faults. In one of several runs
    (`repeated`) what residuals show scatters between the runs, too, and only the machine's part is
    stated, of positions by its limit. `StudyError` with every implant whose points do not determine
    it.
    """
    faults: list[Finding] = []
    usable = touches[touches[_POSITION].notna().all(axis=1)]
    same = [*_NAMED, *_POSITION]
    first_row = usable.groupby(same, sort=False)["row"].transform("min")
    for row, earlier in zip(usable["row"], first_row, strict=True):
        if row != earlier:
            what = f"the same probed point is already in row {earlier}"
            at = place(file, row, "x_mm")
            faults.append(fault("duplicate-touch", what, at, "remove one of the two rows"))
    for feature, row in zip(usable["feature"], usable["row"], strict=True):
        if feature not in FEATURES:
            what, at = f'"{feature}" is not a feature', place(file, row, "feature")
            faults.append(fault("unknown-feature", what, at, nearest(feature, FEATURES)))
    if faults:
        raise StudyError(faults)
    found: list[tuple[str, str, int, TouchedImplant]] = []
    for (model, implant), rows in usable.groupby(["model", "implant"], sort=False):
        row = int(rows["row"].iloc[0])
        try:
            found.append((str(model), str(implant), row, implant_from_touches(rows)))
        except AccstudyError as error:
            what = f'implant "{implant}" of model "{model}": {error.message}'
            faults.append(fault("touch-points", what, place(file, row), error.hint))
    if faults:
        raise StudyError(faults)
    if not found:
        raise StudyError(
            [fault("no-implants", "the table of probed points has no usable rows", file)]
        )
    lines = []
    for model, implant, row, one in found:
        if repeated:
            one = replace(one, u_axis_deg=0.0 if settings.mpe_um else math.nan)
        if settings.mpe_um is not None:
            mates = np.array([o.position_mm for m, _, _, o in found if m == model])
            length = float(np.linalg.norm(mates - one.position_mm, axis=1).max())
            mpe = settings.mpe_um.constant, settings.mpe_um.per_metre
            one = with_machine(one, mpe_um=mpe, length_mm=length)
        u_position = math.nan if repeated else one.u_position_um
        numbers = [*one.position_mm, *one.axis, u_position, one.u_axis_deg]
        lines.append([model, implant, *numbers, row])
    named = ["model", "implant", *_POSITION, *_AXIS, "u_position_um", "u_axis_deg", "row"]
    frame = pd.DataFrame(lines, columns=named)
    return shape("implants", frame).assign(row=frame["row"])


SKETCHED = ("angulation_deg", "scan_body", "arch_order")
"""Columns of a sketch that are taken over as they are."""

_WIDTHS_MM = (4.0, 200.0)
"""Widths that a model can have (common practice); outside it the unit is wrong."""


def provisional_arrangement(
    poses: pd.DataFrame, sketch: pd.DataFrame, models: Mapping[str, str], *, file: str
) -> tuple[pd.DataFrame, list[Finding]]:
    """Take the scan that lies most like the others of its model (`models`: of every scan that
    counts).

    In the shape of table ``implants`` with ``row``: positions and axes of one scan a model, in its
    own frame. It serves to find slips in the others, and is no result. Found are models without two
    scans, without a complete scan, or of an impossible size.
    """
    found: list[Finding] = []
    parts = []
    mine = poses[poses["scan"].isin(models)]
    mine = mine.assign(model=mine["scan"].map(models).astype(object))
    sound = mine[mine[_POSITION + _AXIS].notna().all(axis=1)].drop_duplicates(["scan", "implant"])
    for model, rows in sound.groupby("model", sort=False):
        where = place(file, int(rows["row"].iloc[0]))
        n = rows["scan"].nunique()
        names = _names(rows, sketch[sketch["model"] == model], n)
        whole = rows[rows["implant"].isin(names)]
        points = whole.pivot_table(index="scan", columns="implant", values=_POSITION).dropna()
        if len(names) < 2 or points.empty:
            what = f'no scan of model "{model}" shows all its implants: {", ".join(names)}'
            hint = "at least one complete scan is needed; name each implant the same in all scans"
            found.append(fault("no-complete-scan", what, where, hint))
            continue
        places = np.stack([points[c][names].to_numpy(float) for c in _POSITION], axis=2)
        first, second = np.triu_indices(len(names), k=1)
        lengths = np.linalg.norm(places[:, first] - places[:, second], axis=2)
        off = np.abs(lengths - np.median(lengths, axis=0)).sum(axis=1)
        scan = points.index[int(np.argmin(off))]
        width = float(lengths[int(np.argmin(off))].max())
        if not _WIDTHS_MM[0] < width < _WIDTHS_MM[1]:
            what = f'the implants of model "{model}" are {width:.3g} mm apart at most'
            found.append(fault("wrong-unit", what, where, "give positions in millimetres"))
        one = whole[whole["scan"] == scan].set_index("implant").loc[names].reset_index()
        parts.append(_with_sketch(one, sketch[sketch["model"] == model]))
    if not parts:
        return _shaped(pd.DataFrame()), found
    return _shaped(pd.concat(parts, ignore_index=True)), found


def _names(rows: pd.DataFrame, sketch: pd.DataFrame, n: int) -> list[str]:
    """Implants of a model: those of the sketch, or those that at least half of the scans name."""
    if len(sketch):
        return [str(name) for name in sketch["implant"].unique()]
    counts = rows.groupby("implant", sort=False)["scan"].nunique()
    return [str(name) for name in counts.index[2 * counts >= n]]


def _with_sketch(rows: pd.DataFrame, sketch: pd.DataFrame) -> pd.DataFrame:
    known = sketch.drop_duplicates("implant").set_index("implant")
    for column in SKETCHED:
        if column in known:
            rows = rows.assign(**{column: rows["implant"].map(known[column])})
    return rows


def _shaped(rows: pd.DataFrame) -> pd.DataFrame:
    out = shape("implants", rows)
    row = rows["row"].astype(int).tolist() if len(rows) else []
    return out.assign(row=pd.Series(row, dtype=int))


def check_sketch(sketch: pd.DataFrame, *, file: str) -> list[Finding]:
    """Find implants that a sketch names twice or puts on one place."""
    if long := too_many_rows(sketch, file=file):
        return long
    found = []
    for model, rows in sketch.groupby("model", sort=False):
        if many := too_many_implants(rows, file=file):
            found += many
            continue
        twice = rows[rows["implant"].duplicated()]
        for name, row in zip(twice["implant"], twice["row"], strict=True):
            what = f'implant "{name}" of model "{model}" is listed twice'
            at = place(file, int(row), "implant")
            found.append(fault("duplicate-implant", what, at, "remove one of the rows"))
        points = rows[["x_mm", "y_mm"]].to_numpy(float)
        gaps = np.linalg.norm(points[:, None] - points[None], axis=2)
        for i, j in zip(*np.nonzero(np.triu(gaps < 1.0, k=1)), strict=True):
            a, b = rows["implant"].iloc[i], rows["implant"].iloc[j]
            what = f'implants "{a}" and "{b}" of model "{model}" are at the same position'
            at = place(file, int(rows["row"].iloc[j]), "x_mm")
            found.append(fault("coincident-implants", what, at, "correct the sketch"))
        found += one_implant(rows, file=file)
    return found
