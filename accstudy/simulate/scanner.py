"""Simulated scans as positions, with their truth: errors of whole scans, each with a switch."""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from accstudy.drift.trend import DAYS_PER_MONTH
from accstudy.errors import InputError
from accstudy.geometry.rigid import Rigid
from accstudy.simulate.arch import frames
from accstudy.simulate.scan import random_pose
from accstudy.tables import shape

Floats = NDArray[np.float64]

_Effect = tuple[str, str, str, float, str]
"""Scanner, effect, level, value, unit."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviations between the levels of a factor.

    Parameters
    ----------
    scale_ppm : float
        Of the scale.
    curl_deg : float
        Of the turn about the vertical per 10 mm of path: the arch opens or closes.
    bend_deg : float
        Of the turn about the direction outwards per 10 mm of path: its end rises or sinks.
    """

    scale_ppm: float = 0.0
    curl_deg: float = 0.0
    bend_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Scanner:
    """Effects of a device and technique on a model; all are off by default.

    Parameters
    ----------
    position_um, axis_deg, rotation_deg : float
        Standard deviation of every implant by itself, every scan anew: of each
        coordinate, of each tilt of the axis, of the rotation about it.
    walk_um, walk_deg : float
        Stitching: standard deviation of the shift (each coordinate) and of the
        turn (about each axis) that 10 mm of path add to all that follows; over
        a path s in steps l the variance of a position grows as
        ``walk_um**2 s/l + walk_deg**2 s**3/(3 l)`` (the second in rad, across).
    scale_ppm : float
        Systematic error of scale.
    scale_ppm_per_implant : float
        Systematic error of scale for each implant beyond two.
    thermal_ppm : float
        Growth of the model itself since the reference was measured; no error
        of the scanner, and no bias once lengths are brought to one temperature.
    curl_deg, bend_deg : float
        Systematic turns per 10 mm of path; see `Spread`.
    angulation_um_per_deg : float
        Shift of an implant towards where it leans, per degree of tilt.
    angulation_scatter : float
        Growth of the implant's own scatter per 10 deg of tilt: 0.5 makes it
        2.5 times as large at 30 deg.
    operator, session : Spread
        Between operators, and between the sessions of an operator.
    seat_um, seat_deg : float
        Standard deviation of putting a scan body on: along each axis, and each
        tilt; the same through a session.
    drift_ppm_per_month : float
        Growth of the scale error with time.
    drift_from : str
        ISO date at which it is 0.
    steps : tuple of (str, float)
        ISO dates from which on the scale is off by that many ppm more.
    """

    position_um: float = 0.0
    axis_deg: float = 0.0
    rotation_deg: float = 0.0
    walk_um: float = 0.0
    walk_deg: float = 0.0
    scale_ppm: float = 0.0
    scale_ppm_per_implant: float = 0.0
    thermal_ppm: float = 0.0
    curl_deg: float = 0.0
    bend_deg: float = 0.0
    angulation_um_per_deg: float = 0.0
    angulation_scatter: float = 0.0
    operator: Spread = Spread()
    session: Spread = Spread()
    seat_um: float = 0.0
    seat_deg: float = 0.0
    drift_ppm_per_month: float = 0.0
    drift_from: str = "2020-01-01"
    steps: tuple[tuple[str, float], ...] = ()


def _systematic(
    scanner: Scanner, levels: Mapping[str, object], seed: int, n_implants: int
) -> tuple[float, float, float]:
    """Scale (ppm), curl and bend (deg per 10 mm) of a scan with these levels."""
    values = np.array([scanner.scale_ppm, scanner.curl_deg, scanner.bend_deg])
    values[0] += scanner.scale_ppm_per_implant * (n_implants - 2) + scanner.thermal_ppm
    for name in ("operator", "session"):
        values += _drawn(scanner, name, levels, seed)
    if scanner.drift_ppm_per_month or scanner.steps:
        at = pd.Timestamp(str(levels["measured_at"]))
        months = (at - pd.Timestamp(scanner.drift_from)) / pd.Timedelta(days=DAYS_PER_MONTH)
        values[0] += scanner.drift_ppm_per_month * months
        values[0] += sum(ppm for day, ppm in scanner.steps if at >= pd.Timestamp(day))
    return float(values[0]), float(values[1]), float(values[2])


def _drawn(scanner: Scanner, name: str, levels: Mapping[str, object], seed: int) -> Floats:
    """Scale, curl and bend of an operator or a session."""
    spread: Spread = getattr(scanner, name)
    level = str(levels.get("operator", "")) if name == "operator" else _session_of(levels)
    draw = _chance(seed, name, level).standard_normal(3)
    return np.asarray(draw * [spread.scale_ppm, spread.curl_deg, spread.bend_deg])


def _session_of(levels: Mapping[str, object]) -> str:
    """Name of a session: its label counts within operator and device only."""
    return " / ".join(str(levels.get(n, "")) for n in ("device", "operator", "session"))


def _effect_rows(
    key: str, scanner: Scanner, levels: Mapping[str, object], seed: int
) -> list[_Effect]:
    """Rows of the truth table for one scan."""
    rows: list[_Effect] = []
    for item in fields(scanner):
        value = getattr(scanner, item.name)
        if isinstance(value, float | int) and value:
            rows.append((key, item.name, "", float(value), _unit(item.name)))
    for day, ppm in scanner.steps:
        rows.append((key, "step", day, ppm, "ppm"))
    for name in ("operator", "session"):
        spread: Spread = getattr(scanner, name)
        level = str(levels.get("operator", "")) if name == "operator" else _session_of(levels)
        drawn = _drawn(scanner, name, levels, seed)
        for part, value in zip(fields(Spread), drawn, strict=True):
            if getattr(spread, part.name):
                unit = _unit(part.name)
                rows.append((key, f"{name}_{part.name}", level, round(float(value), 9), unit))
    return rows


def _unit(name: str) -> str:
    for ending, unit in (
        ("_ppm", "ppm"),
        ("ppm_per_month", "ppm/month"),
        ("ppm_per_implant", "ppm/implant"),
        ("um_per_deg", "um/deg"),
        ("_um", "um"),
        ("_deg", "deg"),
    ):
        if name.endswith(ending):
            return unit
    return "1"


def _chance(seed: int, *names: str) -> np.random.Generator:
    """Source of chance of one thing; the same whatever else is simulated."""
    return np.random.default_rng([seed, *(zlib.crc32(n.encode()) for n in names)])


_STEP_MM = 10.0


@dataclass(frozen=True, slots=True)
class Positions:
    """Positions of many scans, and what was put into them.

    Parameters
    ----------
    poses : DataFrame
        Table ``poses``, each scan in a frame of its own.
    put_in : DataFrame
        A row an effect: ``scanner``, ``effect``, ``level``, ``value`` and
        ``unit``. Effects that are off are absent. Values of operators and
        sessions are those that were drawn.
    """

    poses: pd.DataFrame
    put_in: pd.DataFrame


def simulate_positions(
    implants: pd.DataFrame,
    scans: pd.DataFrame,
    scanners: Mapping[str, Scanner] | Scanner,
    *,
    by: str | Sequence[str] = "technique",
    seed: int = 0,
    any_pose: bool = True,
) -> Positions:
    """Simulate a study that brings positions instead of meshes.

    `implants` has all models; `scans` has ``scan``, ``model`` and the factors that count:
    ``operator``, ``session``, ``measured_at``; rows whose ``status`` is ``failed`` give no
    positions. `scanners` says for each level of `by`, factor columns joined by " / ", what it does;
    or one for all. The same seed gives the same study; the order of the rows does not matter. With
    `any_pose` each scan has a random frame; else all stay in the model's.
    """
    names = [by] if isinstance(by, str) else list(by)
    models = {str(m): g for m, g in implants.groupby("model", sort=False)}
    groups: dict[tuple[str, str], list[dict[str, object]]] = {}
    put_in: dict[tuple[str, str, str], list[_Effect]] = {}
    order: list[str] = []
    for record in scans.to_dict("records"):
        row = {str(name): value for name, value in record.items()}
        key = "all" if isinstance(scanners, Scanner) else " / ".join(str(row[n]) for n in names)
        scanner = _choose(scanners, key)
        if row["model"] not in models:
            raise InputError(f'no model "{row["model"]}"')
        level = (key, str(row.get("operator", "")), _session_of(row))
        if level not in put_in:
            put_in[level] = _effect_rows(key, scanner, row, seed)
        if row.get("status") != "failed":
            groups.setdefault((key, str(row["model"])), []).append(row)
            order.append(str(row["scan"]))
    poses = [
        _poses(models[model], _choose(scanners, key), rows, seed, any_pose=any_pose)
        for (key, model), rows in groups.items()
    ]
    everything = pd.concat(poses, ignore_index=True)
    place = {name: i for i, name in enumerate(order)}
    everything = everything.iloc[np.argsort(everything["scan"].map(place), kind="stable")]
    effects = pd.DataFrame(
        [e for found in put_in.values() for e in found],
        columns=["scanner", "effect", "level", "value", "unit"],
    ).drop_duplicates(ignore_index=True)
    return Positions(everything.reset_index(drop=True), effects)


def _choose(scanners: Mapping[str, Scanner] | Scanner, key: str) -> Scanner:
    if isinstance(scanners, Scanner):
        return scanners
    if key not in scanners:
        raise InputError(f'no scanner for "{key}"', hint="it has: " + ", ".join(scanners))
    return scanners[key]


def _poses(
    table: pd.DataFrame,
    scanner: Scanner,
    rows: Sequence[Mapping[str, object]],
    seed: int,
    *,
    any_pose: bool,
) -> pd.DataFrame:
    """Table ``poses`` of the scans of one model by one scanner."""
    position, rotation = _scanned(table, scanner, rows, seed)
    if any_pose:
        for i, row in enumerate(rows):
            pose = random_pose(_chance(seed, "pose", str(row["scan"])))
            position[i] = pose.points(position[i])
            rotation[i] = pose.rotation @ rotation[i]
    flat = rotation[..., 0].copy()
    flat[:, table[["flat_x", "flat_y", "flat_z"]].isna().any(axis=1).to_numpy()] = np.nan
    n = len(table)
    columns: dict[str, object] = {
        "scan": np.repeat([str(row["scan"]) for row in rows], n),
        "model": str(table["model"].iloc[0]),
        "implant": np.tile(table["implant"].to_numpy(), len(rows)),
        "status": "ok",
    }
    for i, c in enumerate("xyz"):
        columns[f"{c}_mm"] = position[..., i].ravel()
        columns[f"axis_{c}"] = rotation[..., i, 2].ravel()
        columns[f"flat_{c}"] = flat[..., i].ravel()
        if scanner.position_um:
            columns[f"u_{c}_um"] = scanner.position_um
    if scanner.axis_deg:
        columns["u_axis_deg"] = scanner.axis_deg
    return shape("poses", pd.DataFrame(columns))


def scanned_frames(
    implants: pd.DataFrame, scanner: Scanner, levels: Mapping[str, object], *, seed: int = 0
) -> list[Rigid]:
    """Where one scan (a row of the scan list) shows the implants of a model, in the model's frame.

    What is off by exactly nothing equals the reference.
    """
    position, rotation = _scanned(implants, scanner, [levels], seed)
    return [Rigid(r, p) for r, p in zip(rotation[0], position[0], strict=True)]


def _scanned(
    implants: pd.DataFrame,
    scanner: Scanner,
    rows: Sequence[Mapping[str, object]],
    seed: int,
) -> tuple[Floats, Floats]:
    """Positions, (scans, implants, 3), and rotations, (scans, implants, 3, 3)."""
    true = frames(implants)
    position = np.array([f.translation_mm for f in true])
    rotation = np.array([f.rotation for f in true])
    path = _Path.along(position)
    names = [str(row.get("scan", "")) for row in rows]
    per_scan = (len(path.centre), 3)
    steps = np.sqrt(path.length_mm / _STEP_MM)[:, None]
    walks = np.array(
        [_chance(seed, "walk", name).standard_normal((2, *per_scan)) for name in names]
    )
    system = np.array([_systematic(scanner, row, seed, len(true)) for row in rows])
    scale, curl, bend = system.T[:, :, None, None]
    share = (path.length_mm / _STEP_MM)[:, None]
    turns = walks[:, 1] * steps * np.radians(scanner.walk_deg)
    turns = turns + share * np.radians(curl) * [0.0, 0.0, 1.0]
    turns = turns + share * np.radians(bend) * path.outwards
    moved, turned = path.carry(position, walks[:, 0] * steps * scanner.walk_um * 1e-3, turns)
    moved += scale * 1e-6 * (position - position[0])
    own = np.array([_chance(seed, "own", name).standard_normal((len(true), 6)) for name in names])
    model = str(implants["model"].iloc[0])
    seats = {_session_of(row): np.zeros((len(true), 5)) for row in rows}
    for session in seats:
        seats[session] = _chance(seed, "seat", session, model).standard_normal((len(true), 5))
    seat = np.array([seats[_session_of(row)] for row in rows])
    flat_part = rotation[:, :2, 2]
    sine = np.hypot(flat_part[:, 0], flat_part[:, 1])
    tilt_deg = np.degrees(np.arctan2(sine, rotation[:, 2, 2]))
    lean = np.zeros_like(position)
    lean[:, :2] = flat_part / np.where(sine > 1e-9, sine, np.inf)[:, None]
    own *= (1.0 + scanner.angulation_scatter * tilt_deg / 10.0)[:, None]
    shown = position + moved + lean * (scanner.angulation_um_per_deg * tilt_deg / 1e3)[:, None]
    shown += own[..., :3] * scanner.position_um / 1e3
    spread = np.radians([scanner.axis_deg, scanner.axis_deg, scanner.rotation_deg])
    small = own[..., 3:] * spread
    small[..., :2] += seat[..., 3:] * np.radians(scanner.seat_deg)
    carried = _rotations(turned) @ rotation
    shown += np.einsum("snij,snj->sni", carried, seat[..., :3] * scanner.seat_um / 1e3)
    return shown, carried @ _rotations(small)


def _rotations(vectors: Floats) -> Floats:
    """Rotation matrices of many rotation vectors in rad."""
    return np.asarray(
        Rotation.from_rotvec(vectors.reshape(-1, 3)).as_matrix().reshape(*vectors.shape, 3)
    )


def distance_bias(implants: pd.DataFrame, scanner: Scanner) -> pd.DataFrame:
    """Exact bias of the distances between implants, um, from the systematic effects alone: random
    effects, operators, sessions, drift and the model's thermal growth are left out.
    """
    random = {
        "position_um",
        "axis_deg",
        "rotation_deg",
        "walk_um",
        "walk_deg",
        "operator",
        "session",
        "seat_um",
        "seat_deg",
        "thermal_ppm",
    }
    kept = {f.name: getattr(scanner, f.name) for f in fields(scanner) if f.name not in random}
    placed = scanned_frames(implants, Scanner(**kept), {})
    shown = np.array([p.translation_mm for p in placed])
    true = np.array([f.translation_mm for f in frames(implants)])
    names = implants["implant"].tolist()
    first, second = np.triu_indices(len(names), 1)
    gap = [np.linalg.norm(p[second] - p[first], axis=1) for p in (shown, true)]
    return pd.DataFrame(
        {
            "model": implants["model"].iloc[0],
            "implant_a": [names[i] for i in first],
            "implant_b": [names[i] for i in second],
            "distance_um": (gap[0] - gap[1]) * 1e3,
        }
    )


@dataclass(frozen=True, slots=True)
class _Path:
    """The way from implant to implant in steps of about a millimetre."""

    centre: Floats
    length_mm: Floats
    outwards: Floats
    before: NDArray[np.bool_]

    @classmethod
    def along(cls, position: Floats) -> _Path:
        centre, length, outwards, implant = [], [], [], []
        for i, (a, b) in enumerate(pairwise(position)):
            span = float(np.linalg.norm(b - a))
            n = max(1, round(span))
            t = (np.arange(n) + 0.5) / n
            centre.append(a + t[:, None] * (b - a))
            length.append(np.full(n, span / n))
            way = (b - a) / span
            across = np.array([-way[1], way[0], 0.0])
            outwards.append(np.tile(across / np.linalg.norm(across), (n, 1)))
            implant.append(np.full(n, i))
        reached = np.concatenate(implant)
        before = reached[None] < np.arange(len(position))[:, None]
        return cls(np.concatenate(centre), np.concatenate(length), np.concatenate(outwards), before)

    def carry(self, position: Floats, shifts: Floats, turns: Floats) -> tuple[Floats, Floats]:
        """Add up small shifts and turns of every step over all that follows it."""
        turned = np.einsum("ik,skd->sid", self.before.astype(float), turns)
        arms = position[:, None] - self.centre[None]
        out = np.einsum("ik,skd->sid", self.before.astype(float), shifts)
        for i, reached in enumerate(self.before):
            out[:, i] += np.cross(turns[:, reached], arms[i, reached]).sum(axis=1)
        return out, turned
