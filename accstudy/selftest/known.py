"""Cases whose truth is known because it was put in: closed-form solutions and a simulated scan."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from accstudy.accuracy import factors
from accstudy.accuracy.levels import Grouping, normal_bounds
from accstudy.accuracy.precision import RELATIONS, fit_relation
from accstudy.compare.deviations import pair_deviations
from accstudy.geometry.rigid import Rigid, angle_between_deg, rotation_vector
from accstudy.locate.locate import locate_scan
from accstudy.seating.table import seating_table
from accstudy.selftest.rows import Row
from accstudy.simulate.arch import reference_model
from accstudy.simulate.bodies import scan_body
from accstudy.simulate.scan import Noise, simulate_scan

__all__ = ["TOPIC", "known_rows"]

TOPIC = "known truth"

_POSITION, _AXIS = ["x_mm", "y_mm", "z_mm"], ["axis_x", "axis_y", "axis_z"]
_MOVE = Rigid(rotation_vector(np.array([0.4, -1.1, 2.0])), np.array([100.0, -40.0, 7.0]))
"""Where a scan lies against the reference: anywhere, so that nothing is aligned by accident."""


def known_rows() -> list[Row]:
    """Every case with a known truth."""
    return [*_seats(), *_deviations(), *_bounds(), *_relations(), *_scan()]


def _row(case: str, quantity: str, told: float, here: float, tolerance: float, why: str) -> Row:
    kind = "simulated" if case.startswith("simulated") else "closed form"
    return Row(TOPIC, case, quantity, kind, why, told, float(here), tolerance)


def _implants(centres: Sequence[Sequence[float]]) -> pd.DataFrame:
    frame = pd.DataFrame(np.asarray(centres, float), columns=_POSITION)
    frame[_AXIS] = [0.0, 0.0, 1.0]
    frame.insert(0, "implant", [f"I{i + 1}" for i in range(len(frame))])
    frame.insert(0, "model", "M")
    return frame


def _moved(implants: pd.DataFrame) -> pd.DataFrame:
    """Poses as a scan of its own shows them."""
    out = implants.copy()
    out[_POSITION] = _MOVE.points(out[_POSITION].to_numpy(float))
    out[_AXIS] = _MOVE.vectors(out[_AXIS].to_numpy(float))
    out.insert(0, "scan", "s1")
    out["status"] = "ok"
    return out


def _seats() -> list[Row]:
    """Predicted gaps of frameworks on two and three parallel implants, um."""
    true = [[0.0, 0.0, 0.0], [20.0, 0.0, 0.0]]
    far = seating_table(_moved(_implants([true[0], [20.1, 0.0, 0.0]])), _implants(true))
    one = far[(far["tightened"] == "I1") & (far["implant"] == "I2")].iloc[0]
    high = seating_table(
        _moved(_implants([true[0], [20.0, 0.0, 0.1]])),
        _implants(true),
        platform_radius_mm=2.0,
        screw_pitch_mm=0.3,
    )
    lifted = high[(high["tightened"] == "I1") & (high["implant"] == "I2")].iloc[0]
    line = [[0.0, 0.0, 0.0], [12.0, 0.0, 0.0], [24.0, 0.0, 0.0]]
    middle = seating_table(
        _moved(_implants([line[0], [12.0, 0.0, 0.08], line[2]])), _implants(line)
    )
    case = "seat of a framework"
    return [
        _row(case, "lateral offset for a distance too long by 100 um", 100.0,
             one["lateral_um"], 1e-6, "the bar is longer by the same amount"),
        _row(case, "gap for a distance too long", 0.0, one["gap_max_um"], 1e-6,
             "a shift within the seating plane causes no gap"),
        _row(case, "one-screw gap for a height error of 100 um", 100.0, lifted["gap_mean_um"],
             1e-6, "the second platform is off by the same amount"),
        _row(case, "the same gap in turns of a 0.3 mm screw", 1 / 3, lifted["turns"], 1e-9,
             "gap divided by pitch"),
        _row(case, "best seat for a height error of 100 um over 20 mm", 20.0,
             high["best_seat_um"].iloc[0], 0.02, "2 R h / D with R = 2 mm: compensated by tilt"),
        _row(case, "best seat of three implants in line, the middle one high by 80 um", 80.0,
             middle["best_seat_um"].iloc[0], 0.02, "no tilt compensates it"),
    ]  # fmt: skip


def _deviations() -> list[Row]:
    """Deviations of an arch that a scan shows larger by 1000 ppm."""
    arch = reference_model(5, angulation_deg=20.0, seed=3)
    shown = arch.copy()
    shown[_POSITION] = 1.001 * shown[_POSITION].to_numpy(float)
    poses = _moved(shown)
    pairs = pair_deviations(poses, arch)
    why = "a length of L mm grows by L um"
    case = "an arch scanned larger by 1000 ppm"
    told = pairs["span_mm"].to_numpy(float)  # L mm grow by L um
    here = pairs["distance_um"].to_numpy(float)
    rows = [
        _row(case, f"distance of {name}, um", float(t), float(h), 1e-6, why)
        for name, t, h in zip(pairs["implant_a"] + "-" + pairs["implant_b"], told, here,
                              strict=True)
    ]  # fmt: skip
    off = float(np.abs(pairs["angle_deg"]).max())
    return [
        *rows,
        _row(case, "largest change of an angle, deg", 0.0, off,
             1e-9, "a change of scale changes no angle"),
    ]  # fmt: skip


def _bounds() -> list[Row]:
    """Bound of future scans from one cell: the exact factor of a normal sample."""
    rows = []
    rng = np.random.default_rng(0)
    for n in (5, 10, 30):
        x = rng.normal(100.0, 2.0, n)
        found, _ = normal_bounds(x[:, None], Grouping(np.zeros(n, np.int64)), kind="upper")
        k = float(factors.one_sided_factor(n, 0.95, 0.95))
        told = x.mean() + k * x.std(ddof=1)
        rows.append(
            _row("bound of future scans", f"95 % of scans with 95 % confidence, n = {n}", told,
                 float(found[0]), 0.02 * k * 2.0,
                 "mean and exact one-sided factor times standard deviation")
        )  # fmt: skip
    return rows


def _relations() -> list[Row]:
    """Precision against path, from exact points of a random walk."""
    path = np.array([8.0, 12.0, 18.0, 25.0, 33.0, 45.0, 60.0, 80.0])
    found = fit_relation(path, np.sqrt(1.5 * path + 0.004 * path**3), RELATIONS[3])
    why = "points of s = sqrt(a L + b L^3) itself"
    return [
        _row("precision against arch length", "a", 1.5, found.intercept, 1.5e-6, why),
        _row("precision against arch length", "b", 0.004, found.slope, 4e-9, why),
    ]


def _scan() -> list[Row]:
    """A scan of four implants with noise, offset, rounded edges and holes."""
    reference = reference_model(4, angulation_deg=15.0, seed=4)
    scan = simulate_scan(
        reference,
        n_triangles=30_000,
        noise=Noise(rms_um=7.0, correlation_mm=0.5, white_um=3.0),
        offset_um=24.0,
        edge_rounding_mm=0.08,
        holes=0.1,
        seed=11,
    )
    body = scan_body("cylinder-flat")
    poses = locate_scan(scan.mesh, reference=reference, bodies={"default": body}).poses
    both = poses.merge(scan.truth, on="implant", suffixes=("", "_true")).set_index("implant")
    case = "simulated scan of four implants"
    why = "30 000 triangles, noise 7 um, offset 24 um, a tenth of every scan body missing"
    if both["x_mm"].isna().any():
        return [_row(case, "implants found", len(both), int(both["x_mm"].notna().sum()), 0.0, why)]
    true = both[[f"{c}_true" for c in _POSITION]].to_numpy(float)
    off = 1000 * np.linalg.norm(both[_POSITION].to_numpy(float) - true, axis=1)
    tilt = angle_between_deg(both[_AXIS].to_numpy(float),
                             both[[f"{c}_true" for c in _AXIS]].to_numpy(float))  # fmt: skip
    share = np.sqrt(np.mean(off**2 / (both[["u_x_um", "u_y_um", "u_z_um"]] ** 2).sum(axis=1)))
    rows = [_row(case, "implants found", 4, len(both), 0.0, why)]
    for name, d, a in zip(both.index, off, tilt, strict=True):
        rows.append(_row(case, f"distance of {name} from the truth, um", 0.0, d, 10.0, why))
        rows.append(_row(case, f"angle of {name} to the truth, deg", 0.0, float(a), 0.1, why))
    offset = float(both["offset_um"].mean())
    rows.append(_row(case, "offset of the surface, um", 24.0, offset, 6.0, why))
    # 12 components: a ratio of 1 has a standard error of about 0.2
    rows.append(
        _row(case, "root mean square of error over stated uncertainty", 1.0, float(share), 0.7, why)
    )
    return rows
