"""Predicted gaps against closed forms, a dense random search and each other."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.spatial.transform import Rotation

from accstudy.errors import InputError
from accstudy.geometry.rigid import unit
from accstudy.seating.best_seat import best_seat, quick_best_gaps
from accstudy.seating.gaps import Platforms, Seats, aligned_seats, one_screw, rim_gaps, worst_seat
from accstudy.seating.table import seating_table

RADIUS_MM = 2.0
UP = [0.0, 0.0, 1.0]
ARCH = np.array(
    [[-22, 0, 0], [-16, 14, 1], [-6, 21, 0.5], [6, 21, 0], [16, 14, 1], [22, 0, 0]], float
)
LEAN = np.radians([17, 5, 0, 3, 5, 25])
ARCH_AXES = np.column_stack([-np.sin(LEAN) * np.sign(ARCH[:, 0]), 0 * LEAN, np.cos(LEAN)])


def implants_of(centres, axes=None, flats=None, model="M"):
    centres = np.asarray(centres, float)
    axes = np.tile(UP, (len(centres), 1)) if axes is None else np.asarray(axes, float)
    table = pd.DataFrame({"model": model, "implant": [f"I{i + 1}" for i in range(len(centres))]})
    table[["x_mm", "y_mm", "z_mm"]] = centres
    table[["axis_x", "axis_y", "axis_z"]] = unit(axes)
    if flats is not None:
        table[["flat_x", "flat_y", "flat_z"]] = flats
    return table


def poses_of(centres, axes=None, flats=None, scan="s1", moved=True):
    """Poses in a scan frame of their own, so that nothing is aligned by accident."""
    table = implants_of(centres, axes, flats)
    if moved:
        turn = Rotation.from_rotvec([0.4, -1.1, 2.0]).as_matrix()
        for group in ("axis", "flat"):
            names = [f"{group}_{c}" for c in "xyz"]
            if names[0] in table:
                table[names] = table[names].to_numpy() @ turn.T
        names = ["x_mm", "y_mm", "z_mm"]
        table[names] = table[names].to_numpy() @ turn.T + [100.0, -40.0, 7.0]
    table.insert(0, "scan", scan)
    table["status"] = "ok"
    return table


def noisy_poses(rng, scans, sd_mm=0.04, sd_rad=0.006):
    frames = [
        poses_of(
            ARCH + rng.normal(0, sd_mm, ARCH.shape),
            unit(ARCH_AXES + rng.normal(0, sd_rad, ARCH.shape)),
            scan=f"s{i}",
        )
        for i in range(scans)
    ]
    return pd.concat(frames, ignore_index=True)


def at(table, tightened, implant):
    row = table[(table["tightened"] == tightened) & (table["implant"] == implant)]
    assert len(row) == 1
    return row.iloc[0]


def platforms_of(centres, axes):
    axes = unit(axes)
    return Platforms(
        tuple(f"I{i + 1}" for i in range(len(centres))),
        np.asarray(centres, float),
        axes,
        np.full(np.shape(centres), np.nan),
        unit(axes.sum(axis=0)),
    )


@pytest.mark.parametrize("axes", [None, ARCH_AXES], ids=["parallel", "angulated"])
@pytest.mark.parametrize("clearance", [None, 0.0, 50.0])
def test_an_exact_scan_shows_no_gap_anywhere(axes, clearance):
    table = seating_table(
        poses_of(ARCH, axes), implants_of(ARCH, axes), lateral_clearance_um=clearance
    )
    one = table[table["tightened"] != "best-seat"]
    assert len(table) == 6 * 7
    for column in ("gap_max_um", "gap_min_um", "gap_mean_um", "lateral_um"):
        assert one[column].abs().max() < 1e-6  # um, that is 1e-9 mm
    assert one["tilt_deg"].abs().max() < 1e-9
    best = table[table["tightened"] == "best-seat"]
    assert best[["gap_max_um", "gap_min_um"]].abs().to_numpy().max() < 1e-6
    assert table["best_seat_um"].abs().max() < 1e-6
    assert set(table["status"]) == {"ok"}


def test_a_pure_distance_error_moves_sideways_and_opens_nothing():
    true, seen = [[0, 0, 0], [20, 0, 0]], [[0, 0, 0], [20.1, 0, 0]]
    table = seating_table(poses_of(seen), implants_of(true))
    far = at(table, "I1", "I2")
    assert far["lateral_um"] == pytest.approx(100, abs=1e-6)
    assert far["gap_max_um"] == pytest.approx(0, abs=1e-6)
    both = table[table["tightened"] == "best-seat"]
    assert both["lateral_um"].tolist() == pytest.approx([50, 50], abs=1e-5)
    assert both["gap_max_um"].abs().max() < 1e-5


@pytest.mark.parametrize(("h_um", "d_mm", "radius_mm"), [(100, 20, 2.0), (-60, 12, 2.5)])
def test_a_height_error_between_two_implants_is_taken_up_by_tilt(h_um, d_mm, radius_mm):
    true, seen = [[0, 0, 0], [d_mm, 0, 0]], [[0, 0, 0], [d_mm, 0, h_um / 1000]]
    table = seating_table(poses_of(seen), implants_of(true), platform_radius_mm=radius_mm)
    expected = 2 * radius_mm * abs(h_um) / d_mm  # um; closed form for small angles
    assert table["best_seat_um"].iloc[0] == pytest.approx(expected, rel=1e-3)
    assert at(table, "I1", "I2")["gap_mean_um"] == pytest.approx(h_um, abs=1e-6)
    tilts = table.loc[table["tightened"] == "best-seat", "tilt_deg"]
    assert tilts.tolist() == pytest.approx([np.degrees(abs(h_um) / 1000 / d_mm)] * 2, rel=1e-3)


@pytest.mark.parametrize("h_um", [80, -80])
@pytest.mark.parametrize("middle_mm", [12.0, 7.0])
def test_three_in_line_with_the_middle_one_off_by_h_leave_h(h_um, middle_mm):
    # Every tilt along the line lifts an end by more than it lowers the largest gap; so the
    # ends (or the middle) touch flat and the rest stands open by h.
    true = [[0, 0, 0], [middle_mm, 0, 0], [24, 0, 0]]
    seen = [[0, 0, 0], [middle_mm, 0, h_um / 1000], [24, 0, 0]]
    table = seating_table(poses_of(seen), implants_of(true))
    assert table["best_seat_um"].iloc[0] == pytest.approx(abs(h_um), abs=0.02)
    best = table[table["tightened"] == "best-seat"]["gap_max_um"].to_numpy()
    open_ones = [False, True, False] if h_um > 0 else [True, False, True]
    assert best == pytest.approx(np.where(open_ones, abs(h_um), 0.0), abs=0.02)


def test_a_tilted_seat_lifts_the_far_end_by_the_lever():
    angle = np.radians(0.3)
    tilted = [np.sin(angle), 0, np.cos(angle)]
    table = seating_table(
        poses_of([[0, 0, 0], [20, 0, 0]], [tilted, UP]), implants_of([[0, 0, 0], [20, 0, 0]])
    )
    far = at(table, "I1", "I2")
    # straightening the seat at I1 turns the bar so that I2 rises by D sin(angle)
    assert far["gap_mean_um"] == pytest.approx(20_000 * np.sin(angle), rel=1e-9)
    rim = 1000 * RADIUS_MM * np.sin(angle)
    assert far["gap_max_um"] == pytest.approx(far["gap_mean_um"] + rim, rel=1e-9)
    assert far["gap_min_um"] == pytest.approx(far["gap_mean_um"] - rim, rel=1e-9)
    assert far["tilt_deg"] == pytest.approx(0.3, rel=1e-9)
    near = at(table, "I1", "I1")
    assert abs(near["gap_max_um"]) < 1e-6
    assert near["lateral_um"] < 1e-6


def test_interference_keeps_its_sign_and_is_said():
    table = seating_table(
        poses_of([[0, 0, 0], [20, 0, -0.05]]), implants_of([[0, 0, 0], [20, 0, 0]])
    )
    far = at(table, "I1", "I2")
    assert far["gap_min_um"] == pytest.approx(-50, abs=1e-6)
    assert far["status"] == "interference"
    assert at(table, "I1", "I1")["status"] == "ok"


def test_turns_of_the_screw():
    table = seating_table(
        poses_of([[0, 0, 0], [20, 0, 0.15]]),
        implants_of([[0, 0, 0], [20, 0, 0]]),
        screw_pitch_mm=0.3,
    )
    assert at(table, "I1", "I2")["turns"] == pytest.approx(0.5, abs=1e-9)


def test_the_free_rotation_minimises_the_sideways_offsets():
    rng = np.random.default_rng(3)
    platforms = platforms_of(ARCH, ARCH_AXES)
    seats = Seats(
        ARCH + rng.normal(0, 0.05, ARCH.shape), unit(ARCH_AXES + rng.normal(0, 0.01, ARCH.shape))
    )
    placed = one_screw(Seats(seats.centres_mm[None], seats.axes[None]), platforms, 2)
    axis, origin = platforms.axes[2], platforms.centres_mm[2]

    def cost(angle):
        turn = Rotation.from_rotvec(angle * axis).as_matrix()
        moved = Seats((placed.centres_mm[0] - origin) @ turn.T + origin, placed.axes[0] @ turn.T)
        gaps = rim_gaps(moved, platforms, platform_radius_mm=RADIUS_MM)
        return float(np.sum(gaps.lateral_um**2))

    angles = np.linspace(-1e-3, 1e-3, 401)
    assert cost(0.0) <= min(cost(a) for a in angles) + 1e-6
    assert cost(1e-5) > cost(0.0) < cost(-1e-5)


def test_moving_a_scan_changes_nothing():
    rng = np.random.default_rng(4)
    centres = ARCH + rng.normal(0, 0.05, ARCH.shape)
    axes = unit(ARCH_AXES + rng.normal(0, 0.01, ARCH.shape))
    implants = implants_of(ARCH, ARCH_AXES)
    a = seating_table(poses_of(centres, axes, moved=False), implants)
    b = seating_table(poses_of(centres, axes, moved=True), implants)
    columns = ["gap_max_um", "gap_min_um", "gap_mean_um", "lateral_um"]
    one = a["tightened"] != "best-seat"
    assert np.abs(a.loc[one, columns] - b.loc[one, columns]).to_numpy().max() < 1e-6
    assert np.abs(a[columns] - b[columns]).to_numpy().max() < 0.05


def search(rng, seats, platforms, clearance_um=None, samples=1600, rounds=8):
    """Largest gap of the best of many random positions, narrowing down; code of its own."""
    z = platforms.common_axis
    x = unit(np.cross(z, [0.3, 1.0, 0.1]))
    y = np.cross(z, x)
    pivot = platforms.centres_mm.mean(axis=0)
    circle = np.linspace(0, 2 * np.pi, 721)[:-1]
    best, best_at, width = np.inf, np.zeros(5), 0.01

    def gap(v):
        turn = Rotation.from_rotvec(v[0] * x + v[1] * y + v[2] * z).as_matrix()
        q = pivot + (seats.centres_mm - pivot) @ turn.T
        m = seats.axes @ turn.T
        if clearance_um is None:  # plane least squares across the common axis
            a = np.stack([(q - pivot) @ x, (q - pivot) @ y], axis=1)
            b = np.stack(
                [(platforms.centres_mm - pivot) @ x, (platforms.centres_mm - pivot) @ y], 1
            )
            a0, b0 = a - a.mean(0), b - b.mean(0)
            spin = np.arctan2(np.sum(a0[:, 0] * b0[:, 1] - a0[:, 1] * b0[:, 0]), np.sum(a0 * b0))
            twist = Rotation.from_rotvec(spin * z).as_matrix()
            centre = q.mean(axis=0)
            q = centre + (q - centre) @ twist.T
            shift = b.mean(0) - a.mean(0)
            q, m = q + shift[0] * x + shift[1] * y, m @ twist.T
        else:
            q = q + v[3] * x + v[4] * y
        u = unit(np.cross(m, [0.2, 0.3, 1.0]))
        w = np.cross(m, u)
        rim = q[:, None] + RADIUS_MM * (
            np.cos(circle)[None, :, None] * u[:, None] + np.sin(circle)[None, :, None] * w[:, None]
        )
        height = np.einsum("nki,ni->nk", rim - platforms.centres_mm[:, None], platforms.axes)
        rise = platforms.axes @ z
        down = np.max(-height.min(axis=1) / rise)
        if clearance_um is not None:
            offset = q + down * z - platforms.centres_mm
            offset = offset - np.sum(offset * platforms.axes, 1, keepdims=True) * platforms.axes
            if np.linalg.norm(offset, axis=1).max() * 1000 > clearance_um:
                return np.inf
        return 1000 * float((height + (down * rise)[:, None]).max())

    for _ in range(rounds):
        trial = best_at + width * rng.uniform(-1, 1, (samples // rounds, 5)) * [1, 1, 1, 10, 10]
        found = [gap(v) for v in trial]
        i = int(np.argmin(found))
        if found[i] < best:
            best, best_at = found[i], trial[i]
        width *= 0.5
    return best


@pytest.mark.parametrize("n", [2, 3, 6])
def test_no_random_position_beats_the_best_seat(n):
    rng = np.random.default_rng(10 + n)
    use = {2: [0, 5], 3: [0, 2, 5], 6: range(6)}[n]
    centres, normals = ARCH[list(use)], unit(ARCH_AXES[list(use)])
    platforms = platforms_of(centres, normals)
    seats = Seats(
        centres + rng.normal(0, 0.05, centres.shape),
        unit(normals + rng.normal(0, 0.006, centres.shape)),
    )
    start = aligned_seats(Seats(seats.centres_mm[None], seats.axes[None]), platforms)
    start = Seats(start.centres_mm[0], start.axes[0])
    found = best_seat(start, platforms, platform_radius_mm=RADIUS_MM)
    tried = search(rng, start, platforms)
    assert found.gap_um < tried + 0.05  # the search's rim is a polygon of 720 sides
    assert tried < found.gap_um * 1.1 + 2  # and it looked in the right place


def test_no_random_position_within_the_clearance_beats_the_best_seat():
    rng = np.random.default_rng(21)
    platforms = platforms_of(ARCH, ARCH_AXES)
    seats = Seats(
        ARCH + rng.normal(0, 0.03, ARCH.shape), unit(ARCH_AXES + rng.normal(0, 0.005, ARCH.shape))
    )
    start = aligned_seats(Seats(seats.centres_mm[None], seats.axes[None]), platforms)
    start = Seats(start.centres_mm[0], start.axes[0])
    kept = best_seat(start, platforms, platform_radius_mm=RADIUS_MM)
    for clearance_um in (120.0, 250.0):
        found = best_seat(
            start, platforms, platform_radius_mm=RADIUS_MM, lateral_clearance_um=clearance_um
        )
        gaps = rim_gaps(found.seats, platforms, platform_radius_mm=RADIUS_MM)
        assert gaps.lateral_um.max() <= clearance_um + 0.01
        assert gaps.smallest_um.min() > -0.01
        tried = search(rng, start, platforms, clearance_um=clearance_um)
        assert found.gap_um < tried + 0.05
        assert tried < found.gap_um * 1.1 + 2  # the search came close
        assert found.gap_um < kept.gap_um + 0.01  # the least-squares position is one of these


def test_a_wide_clearance_is_used_no_farther_than_it_helps():
    rng = np.random.default_rng(21)
    platforms = platforms_of(ARCH, ARCH_AXES)
    seats = Seats(
        ARCH + rng.normal(0, 0.04, ARCH.shape), unit(ARCH_AXES + rng.normal(0, 0.005, ARCH.shape))
    )
    start = aligned_seats(Seats(seats.centres_mm[None], seats.axes[None]), platforms)
    start = Seats(start.centres_mm[0], start.axes[0])
    offsets = []
    for clearance_um in (2000.0, 5000.0):
        found = best_seat(
            start, platforms, platform_radius_mm=RADIUS_MM, lateral_clearance_um=clearance_um
        )
        assert found.settled
        gaps = rim_gaps(found.seats, platforms, platform_radius_mm=RADIUS_MM)
        offsets.append(gaps.lateral_um.max())
    assert offsets[0] == pytest.approx(offsets[1], abs=0.5)
    assert offsets[0] < 1500


def test_the_quick_solver_agrees_with_the_linear_programme():
    rng = np.random.default_rng(6)
    line = np.array([[0, 0, 0], [9, 0, 0], [22, 0, 0]], float)
    for centres, normals in ((ARCH, ARCH_AXES), (ARCH[[0, 5]], ARCH_AXES[[0, 5]]), (line, None)):
        axes = np.tile(UP, (len(centres), 1)) if normals is None else unit(normals)
        platforms = platforms_of(centres, axes)
        shape = (12, *centres.shape)
        scattered = Seats(
            centres + rng.normal(0, 0.04, shape), unit(axes + rng.normal(0, 0.006, shape))
        )
        start = aligned_seats(scattered, platforms)
        exact = [
            best_seat(Seats(q, m), platforms, platform_radius_mm=RADIUS_MM)
            for q, m in zip(start.centres_mm, start.axes, strict=True)
        ]
        again = Seats(
            np.array([b.seats.centres_mm for b in exact]), np.array([b.seats.axes for b in exact])
        )
        quick, each = quick_best_gaps(again, platforms, platform_radius_mm=RADIUS_MM)
        assert quick == pytest.approx([b.gap_um for b in exact], abs=0.02)
        assert each.max(axis=1) == pytest.approx(quick, abs=1e-9)
        far, _ = quick_best_gaps(start, platforms, platform_radius_mm=RADIUS_MM)
        assert far == pytest.approx(quick, abs=0.2)  # linear about the start: tilts of some mrad


@pytest.mark.parametrize("seats", [2, 3, 6])
def test_last_bits_of_the_poses_change_neither_the_quick_answer_nor_who_is_named(seats):
    rng = np.random.default_rng(seats)
    pick = np.linspace(0, 5, seats).astype(int)
    platforms = platforms_of(ARCH[pick], ARCH_AXES[pick])
    shape = (200, seats, 3)
    centres = platforms.centres_mm + rng.normal(0, 0.04, shape)
    axes = unit(platforms.axes + rng.normal(0, 0.006, shape))
    start = aligned_seats(Seats(centres, axes), platforms)
    bits = Seats(start.centres_mm * (1 + 4e-16 * rng.integers(-1, 2, shape)), start.axes)
    found, others = (
        quick_best_gaps(s, platforms, platform_radius_mm=RADIUS_MM) for s in (start, bits)
    )
    assert np.abs(found[0] - others[0]).max() < 1e-7
    named, again = worst_seat(found[1]), worst_seat(others[1])
    assert (named[1] == again[1]).all()
    assert (named[2] == again[2]).all()
    assert (named[2] > 1).mean() > 0.5  # a tie is the rule, not the exception


def test_no_place_within_the_clearance_is_an_answer():
    table = seating_table(
        poses_of([[0, 0, 0], [20.3, 0, 0]]),
        implants_of([[0, 0, 0], [20, 0, 0]]),
        lateral_clearance_um=100.0,
    )
    best = table[table["tightened"] == "best-seat"]
    assert set(best["status"]) == {"infeasible"}
    assert best["gap_max_um"].isna().all()
    assert "clearance" in best["note"].iloc[0]
    assert set(table.loc[table["tightened"] == "I1", "status"]) == {"ok"}


def test_a_missing_implant_leaves_a_smaller_framework():
    poses = noisy_poses(np.random.default_rng(1), 2)
    gone = (poses["scan"] == "s1") & (poses["implant"] == "I6")
    poses.loc[gone, ["x_mm", "y_mm", "z_mm"]] = np.nan
    table = seating_table(poses, implants_of(ARCH, ARCH_AXES))
    assert len(table[table["scan"] == "s0"]) == 6 * 7
    smaller = table[table["scan"] == "s1"]
    assert len(smaller) == 5 * 6
    assert smaller["note"].str.contains("without a seat at I6").all()
    assert smaller["gap_max_um"].notna().all()


def test_one_seat_is_no_framework():
    poses = poses_of(ARCH, ARCH_AXES).iloc[:1]
    table = seating_table(poses, implants_of(ARCH, ARCH_AXES))
    assert table["status"].tolist() == ["not computed"]


def test_an_engaging_connection_turns_by_its_flat():
    angle = np.radians(0.2)
    flats = [[1.0, 0, 0], [1.0, 0, 0]]
    turned = [[np.cos(angle), np.sin(angle), 0], [1.0, 0, 0]]
    true = [[0, 0, 0], [20, 0, 0]]
    implants = implants_of(true, flats=flats)
    free = seating_table(poses_of(true, flats=turned), implants)
    fixed = seating_table(poses_of(true, flats=turned), implants, engaging=True)
    assert at(free, "I1", "I2")["lateral_um"] == pytest.approx(0, abs=1e-6)
    expected = 20_000 * 2 * np.sin(angle / 2)
    assert at(fixed, "I1", "I2")["lateral_um"] == pytest.approx(expected, rel=1e-6)
    with pytest.raises(InputError, match="no flat in the reference"):
        seating_table(poses_of(true, flats=turned), implants_of(true), engaging=True)
    blind = poses_of(true, flats=turned)
    blind.loc[blind["implant"] == "I1", ["flat_x", "flat_y", "flat_z"]] = np.nan
    table = seating_table(blind, implants, engaging=True)
    assert set(table.loc[table["tightened"] == "I1", "status"]) == {"not computed"}
    assert set(table.loc[table["tightened"] == "I2", "status"]) == {"ok"}


def test_uncertainty_of_a_gap_follows_from_that_of_the_poses():
    poses = poses_of([[0, 0, 0], [20, 0, 0]])
    poses[["u_x_um", "u_y_um", "u_z_um"]] = 5.0
    poses["u_axis_deg"] = 0.05
    table = seating_table(
        poses, implants_of([[0, 0, 0], [20, 0, 0]]), platform_radius_mm=0.001, draws=4000
    )
    # heights of both seats and the lever of the tightened axis (JCGM 100, 5.1.2); rim negligible
    expected = np.sqrt(2 * 5.0**2 + (20_000 * np.radians(0.05)) ** 2)
    assert at(table, "I1", "I2")["u_gap_max_um"] == pytest.approx(expected, rel=0.04)
    assert at(table, "I1", "I1")["u_gap_max_um"] < 1e-3
    without = seating_table(poses.drop(columns="u_axis_deg"), implants_of([[0, 0, 0], [20, 0, 0]]))
    assert without["u_gap_max_um"].isna().all()


def test_uncertainty_of_the_best_seat_agrees_with_linear_programmes_on_the_same_draws():
    rng = np.random.default_rng(8)
    poses = noisy_poses(rng, 1)
    poses[["u_x_um", "u_y_um", "u_z_um"]] = 6.0
    poses["u_axis_deg"] = 0.05
    implants = implants_of(ARCH, ARCH_AXES)
    u = at(seating_table(poses, implants, draws=300), "best-seat", "I1")["u_gap_max_um"]
    wide = seating_table(poses, implants, draws=20, lateral_clearance_um=400.0)
    assert 3 < u < 20
    assert 0.4 < at(wide, "best-seat", "I1")["u_gap_max_um"] / u < 2.0  # 20 draws: +-30 % and more


def test_draws_depend_on_the_scan_only():
    poses = noisy_poses(np.random.default_rng(9), 3)
    poses[["u_x_um", "u_y_um", "u_z_um"]] = 6.0
    poses["u_axis_deg"] = 0.05
    implants = implants_of(ARCH, ARCH_AXES)
    forward = seating_table(poses, implants, draws=20).set_index(["scan", "tightened", "implant"])
    backward = seating_table(poses.iloc[::-1], implants, draws=20)
    backward = backward.set_index(["scan", "tightened", "implant"]).loc[forward.index]
    assert np.array_equal(forward["u_gap_max_um"], backward["u_gap_max_um"])


def test_factors_are_carried_along():
    poses = noisy_poses(np.random.default_rng(2), 2)
    factors = pd.DataFrame(
        {
            "scan": ["s0", "s1"],
            "model": "M",
            "condition": ["A", "B"],
            "cell": "x",
            "device": ["A", "B"],
        }
    )
    table = seating_table(poses, implants_of(ARCH, ARCH_AXES), factors=factors)
    assert table.groupby("scan")["device"].first().to_dict() == {"s0": "A", "s1": "B"}
    assert set(table["model"]) == {"M"}
    assert table["condition"].tolist()[0] == "A"


def test_a_model_without_reference_is_named():
    poses = noisy_poses(np.random.default_rng(2), 1).assign(model="other")
    with pytest.raises(InputError, match='"other"'):
        seating_table(poses, implants_of(ARCH, ARCH_AXES))


def test_a_framework_held_off_by_its_clearance_says_so_and_has_no_uncertainty():
    poses, implants = poses_of(ARCH * [1.004, 1.0, 1.0], ARCH_AXES), implants_of(ARCH, ARCH_AXES)
    poses[["u_x_um", "u_y_um", "u_z_um"]], poses["u_axis_deg"] = 5.0, 0.05
    made = seating_table(poses, implants, draws=20, lateral_clearance_um=60.0)
    best = made[made["tightened"] == "best-seat"]
    free = seating_table(poses, implants, draws=20)
    free = free[free["tightened"] == "best-seat"]
    assert free["u_gap_max_um"].notna().all()
    lifted = best["gap_max_um"].max() > free["gap_max_um"].max() + 1
    assert (best["status"] == "infeasible").all() or lifted
    if lifted:
        assert best["note"].str.contains("keeps the framework off its seats").all()
    lost = best["unseated_share"].iloc[0]
    assert best["u_gap_max_um"].isna().all() == bool(np.isnan(lost) or lost > 0)


def test_the_turn_of_one_screw_is_the_least_squares_turn_also_for_large_errors():
    rng = np.random.default_rng(5)
    platforms = platforms_of(ARCH, ARCH_AXES)
    seats = Seats((ARCH + rng.normal(0, 1.5, ARCH.shape))[None], platforms.axes[None])
    placed = one_screw(seats, platforms, 0).centres_mm[0]

    def squares(angle):
        turn = Rotation.from_rotvec(angle * platforms.axes[0])
        delta = turn.apply(placed - ARCH[0]) + ARCH[0] - ARCH
        up = np.sum(delta * platforms.axes, axis=1, keepdims=True)
        return float(np.sum((delta - up * platforms.axes)[1:] ** 2))

    step = 1e-4
    slope = (squares(step) - squares(-step)) / (2 * step)
    bend = (squares(step) - 2 * squares(0) + squares(-step)) / step**2
    assert abs(slope / bend) < 1e-7  # rad: 4 nm at 40 mm


@pytest.mark.parametrize(("status", "feasible"), [(2, False), (4, True)])
def test_only_a_contradiction_that_is_shown_is_called_infeasible(monkeypatch, status, feasible):
    # scipy's linprog: 2, the problem is infeasible; 4, numerical difficulties
    ended = SimpleNamespace(status=status, x=None, message="")
    monkeypatch.setattr("scipy.optimize.linprog", lambda *_, **__: ended)
    seats = Seats(np.array([[0.0, 0, 0], [20, 0, 0]]), np.tile([0.0, 0, 1], (2, 1)))
    platforms = Platforms(
        ("A", "B"), seats.centres_mm, seats.axes, np.full((2, 3), np.nan), seats.axes[0]
    )
    found = best_seat(seats, platforms, platform_radius_mm=2.0, lateral_clearance_um=30.0)
    assert found.feasible == feasible
    assert found.settled != feasible


def test_the_gap_without_the_clearance_is_named(monkeypatch):
    monkeypatch.setattr("accstudy.seating.table._held_off", lambda *_: 12.34)
    poses, implants = poses_of(ARCH, ARCH_AXES), implants_of(ARCH, ARCH_AXES)
    made = seating_table(poses, implants, draws=0, lateral_clearance_um=60.0)
    note = made.loc[made["tightened"] == "best-seat", "note"].iloc[0]
    assert "the gap would be 12.3 um without it" in note
