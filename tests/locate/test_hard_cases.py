"""Scans that go wrong: reported, never guessed."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from rounded_bodies import ROUNDED, RoundedShape, polygon
from special_models import placed_bodies, symmetric_model, thinner

from accstudy.errors import AccstudyError
from accstudy.geometry.rigid import Rigid, rotation_vector
from accstudy.locate.judge import untold_size
from accstudy.locate.locate import locate_scan
from accstudy.locate.one_body import cut_patches, find_body
from accstudy.locate.prepared import RadialMap, _bridged, prepare_body
from accstudy.mesh.model import Mesh
from accstudy.simulate.arch import frames, reference_model
from accstudy.simulate.bodies import SHAPES, BodyShape, scan_body
from accstudy.simulate.scan import Blob, Noise, simulate_scan

N = 10_000
XYZ = ["x_mm", "y_mm", "z_mm"]
FLAT = {"default": scan_body("cylinder-flat")}


def scan_of(reference, shape="cylinder-flat", **options):
    return simulate_scan(reference, shape, n_triangles=N, noise_um=8.0, **options)


@pytest.fixture(scope="module")
def plain(six):
    """A friendly scan."""
    return scan_of(six, seed=1)


def codes(located):
    return {finding.code for finding in located.findings}


def test_a_missing_body_is_reported_and_the_others_kept(six, pose_errors):
    scan = scan_of(six, missing=["I3"], seed=2)
    located = locate_scan(scan.mesh, reference=six, bodies=FLAT)
    status = located.poses.set_index("implant")["status"]
    assert status["I3"] == "missing"
    assert (status.drop("I3") == "ok").all()
    assert np.isnan(located.poses.loc[2, "x_mm"])
    assert "missing-body" in codes(located)
    assert pose_errors(located.poses, scan.truth)["distance_um"].max() < 50.0


def test_an_extra_object_that_looks_like_a_body_is_not_taken_for_an_implant(six, pose_errors):
    extra = ("cylinder-flat", Rigid(np.eye(3), np.array([0.0, 12.0, -4.0])))
    scan = scan_of(six, missing=["I2"], extra=[extra], seed=3)
    located = locate_scan(scan.mesh, reference=six, bodies=FLAT)
    assert {"missing-body", "extra-body"} <= codes(located)
    assert located.poses["status"].tolist() == ["ok", "missing", "ok", "ok", "ok", "ok"]
    assert pose_errors(located.poses, scan.truth)["distance_um"].max() < 50.0


def test_half_an_arch_gives_its_half(six, pose_errors):
    scan = scan_of(six, keep=((1.0, 0.0, 0.0), 0.0), seed=4)
    located = locate_scan(scan.mesh, reference=six, bodies=FLAT)
    assert located.poses["status"].tolist() == ["missing"] * 3 + ["ok"] * 3
    assert pose_errors(located.poses, scan.truth.tail(3))["distance_um"].max() < 50.0


def test_soft_tissue_beside_a_body_does_no_harm(six, pose_errors):
    at = six[XYZ].to_numpy()
    blobs = [Blob(tuple(at[1] + [2.0, 2.0, 4.0]), 4.0), Blob(tuple(at[4] + [-3.0, -1.0, 5.0]), 4.0)]
    scan = scan_of(six, blobs=blobs, seed=5)
    located = locate_scan(scan.mesh, reference=six, bodies=FLAT)
    assert (located.poses["status"] != "missing").all()
    assert pose_errors(located.poses, scan.truth)["distance_um"].max() < 50.0


def test_soft_tissue_over_a_body_leaves_it_out(six, pose_errors):
    blob = Blob(tuple(six[XYZ].to_numpy()[1] + [0.5, 0.0, 9.0]), 5.0)
    scan = scan_of(six, blobs=[blob], seed=5)
    located = locate_scan(scan.mesh, reference=six, bodies=FLAT)
    hidden = located.poses.loc[1]
    error = pose_errors(located.poses, scan.truth)["distance_um"]
    # too little of it is seen: no position, or one whose uncertainty says so
    assert hidden["status"] == "missing" or error["I2"] < 4 * hidden[["u_x_um", "u_z_um"]].max()
    assert error.drop("I2").max() < 50.0


@pytest.mark.parametrize("n_implants", [3, 4, 6])
def test_a_scan_of_another_model_is_refused(plain, n_implants):
    other = reference_model(n_implants, seed=9)
    with pytest.raises(AccstudyError) as error:
        locate_scan(plain.mesh, reference=other, bodies=FLAT)
    assert error.value.code in ("wrong-model", "arrangement-not-found")


def test_a_mirrored_scan_is_refused_and_named(six):
    scan = scan_of(six, mirrored=True, seed=6)
    with pytest.raises(AccstudyError) as error:
        locate_scan(scan.mesh, reference=six, bodies=FLAT)
    assert error.value.code == "mirrored-scan"


@pytest.mark.parametrize(("unit_mm", "unit"), [(1000.0, '"m"'), (25.4, '"inch"'), (10.0, '"cm"')])
def test_another_unit_is_suspected_by_name(six, unit_mm, unit):
    scan = simulate_scan(six, n_triangles=8_000, unit_mm=unit_mm, seed=6)
    with pytest.raises(AccstudyError) as error:
        locate_scan(scan.mesh, reference=six, bodies=FLAT)
    assert error.value.code == "wrong-unit"
    assert unit in error.value.hint


def test_a_scan_far_from_the_origin_is_as_good(six, pose_errors):
    pose = Rigid(np.eye(3), np.array([1000.0, -500.0, 300.0]))
    scan = scan_of(six, pose=pose, seed=6)
    located = locate_scan(scan.mesh, reference=six, bodies=FLAT)
    assert pose_errors(located.poses, scan.truth)["distance_um"].max() < 20.0


def test_doubled_surfaces_are_doubtful(six):
    scan = scan_of(six, doubled_mm=0.1, seed=7)
    located = locate_scan(scan.mesh, reference=six, bodies=FLAT)
    # half of the scan is doubled: three of the six bodies
    assert sorted(located.poses["status"]) == ["doubtful"] * 3 + ["ok"] * 3
    assert "doubled-surface" in codes(located)


def test_a_loose_body_is_measured_as_it_lies_and_noticed(six, pose_errors):
    loose = Rigid(rotation_vector([np.radians(2.0), 0.0, 0.0]), np.array([0.2, 0.2, 0.1]))
    scan = scan_of(six, displaced={"I4": loose}, seed=8)
    located = locate_scan(scan.mesh, reference=six, bodies=FLAT)
    assert pose_errors(located.poses, scan.truth)["distance_um"].max() < 50.0
    (finding,) = [f for f in located.findings if f.code == "stray-body"]
    assert "I4" in finding.what


@pytest.mark.parametrize("kind", ["parallel-pair", "rectangle", "row"])
def test_symmetric_arrangements_are_ambiguous_until_landmarks_settle_them(kind, pose_errors):
    reference = symmetric_model(kind)
    scan = scan_of(reference, seed=1)
    with pytest.raises(AccstudyError) as error:
        locate_scan(scan.mesh, reference=reference, bodies=FLAT)
    assert error.value.code == "ambiguous-arrangement"
    for turned in (False, True):  # either reading can be asked for
        truth = scan.truth.copy()
        if turned:
            truth["implant"] = truth["implant"].to_numpy()[::-1]
            if kind == "rectangle":
                truth["implant"] = np.roll(scan.truth["implant"].to_numpy(), 2)
        landmarks = truth.loc[truth["implant"] == "I1", ["scan", "implant", *XYZ]].copy()
        landmarks[XYZ] += 0.8
        located = locate_scan(scan.mesh, reference=reference, bodies=FLAT, landmarks=landmarks)
        assert pose_errors(located.poses, truth)["distance_um"].max() < 50.0


def test_a_body_as_wide_as_high_is_not_taken_for_one_on_its_side():
    # the best rough place of one body lay on its side, and the model was refused as another
    reference, shape = reference_model(2, angulation_deg=20.0, seed=3), ROUNDED["square"]
    noise = Noise(8.0, 0.2)
    scan = simulate_scan(reference, shape, n_triangles=30_000, noise=noise, holes=0.2, seed=3)
    marks = scan.truth[["scan", "implant", *XYZ]].copy()
    marks[XYZ] += 1.0
    bodies = {"default": shape.drawing(segment_mm=0.5)}
    poses = locate_scan(scan.mesh, reference=reference, bodies=bodies, landmarks=marks).poses
    assert set(poses["status"]) == {"ok"}


def test_landmarks_far_from_every_body_are_refused():
    reference = symmetric_model("parallel-pair")
    scan = scan_of(reference, seed=1)
    landmarks = pd.DataFrame(
        {"scan": ["S1"], "implant": ["I1"], "x_mm": [0.0], "y_mm": [500.0], "z_mm": [0.0]}
    )
    with pytest.raises(AccstudyError) as error:
        locate_scan(scan.mesh, reference=reference, bodies=FLAT, landmarks=landmarks)
    assert error.value.code == "landmarks-disagree"


def test_flats_settle_a_symmetric_arrangement_that_they_mark(pose_errors):
    reference = symmetric_model("parallel-pair", marked=True)
    scan = scan_of(reference, seed=1)
    located = locate_scan(scan.mesh, reference=reference, bodies=FLAT)
    assert pose_errors(located.poses, scan.truth)["distance_um"].max() < 50.0


def test_a_thinner_drawing_is_noticed(six, plain):
    thin = thinner(SHAPES["cylinder-flat"], 0.1).drawing()
    located = locate_scan(plain.mesh, reference=six, bodies={"default": thin})
    assert set(located.poses["status"]) == {"doubtful"}
    assert codes(located) == {"unusual-offset"}
    assert located.poses["offset_um"].to_numpy() == pytest.approx(50.0, abs=5.0)


def test_bodies_of_different_type_on_one_model(pose_errors):
    reference = reference_model(6, seed=1, scan_body=["a", "b", "c", "a", "b", "c"])
    shapes = {
        "a": SHAPES["cylinder-flat"],
        "b": SHAPES["low-wide"],
        "c": SHAPES["tapered"],
    }
    scan = scan_of(reference, shapes, seed=1)
    bodies = {name: shape.drawing() for name, shape in shapes.items()}
    located = locate_scan(scan.mesh, reference=reference, bodies=bodies)
    assert set(located.poses["status"]) == {"ok"}
    assert pose_errors(located.poses, scan.truth)["distance_um"].max() < 50.0


@pytest.mark.parametrize("shape", ["cylinder-flat", "cylinder-round", "polygon-top"])
def test_placed_drawings_are_recognised_and_exact_to_single_precision(shape, six, pose_errors):
    body = scan_body(shape)
    file = placed_bodies(six, body.mesh, seed=3)
    located = locate_scan(file.mesh, reference=six, bodies={"default": body})
    assert codes(located) == {"placed-bodies"}
    found = pose_errors(located.poses, file.truth)
    # spacing of float32 at 64 mm: 0.008 um
    assert found["distance_um"].max() < 0.008
    assert found["angle_deg"].max() < 1e-5


@pytest.mark.slow
def test_a_body_whose_rotation_is_sixfold_has_no_flat():
    reference = reference_model(4, seed=1)
    scan = scan_of(reference, "polygon-top-symmetric", seed=1)
    unknown = reference.drop(columns=["flat_x", "flat_y", "flat_z"])
    located = locate_scan(
        scan.mesh, reference=unknown, bodies={"default": scan_body("polygon-top-symmetric")}
    )
    assert located.poses["flat_x"].isna().all()
    assert set(located.poses["status"]) == {"ok"}


def test_a_scan_turned_inside_out_is_turned_back(six, plain, pose_errors):
    flipped = Mesh(plain.mesh.vertices_mm, np.ascontiguousarray(plain.mesh.faces[:, ::-1]))
    located = locate_scan(flipped, reference=six, bodies=FLAT)
    assert "inside-out" in codes(located)
    assert pose_errors(located.poses, plain.truth)["distance_um"].max() < 50.0


def test_a_scan_without_any_scan_body_is_refused(six):
    scan = scan_of(six, missing=six["implant"].tolist(), seed=13)
    with pytest.raises(AccstudyError) as error:
        locate_scan(scan.mesh, reference=six, bodies=FLAT)
    assert error.value.code == "arrangement-not-found"


def test_one_body_alone_cannot_be_named(six):
    scan = scan_of(six, missing=["I1", "I2", "I3", "I5", "I6"], seed=14)
    with pytest.raises(AccstudyError) as error:
        locate_scan(scan.mesh, reference=six, bodies=FLAT)
    assert error.value.code == "too-few-bodies"


def test_a_reference_that_is_off_by_half_a_millimetre_is_noticed(six, plain):
    wrong = six.copy()
    wrong["z_mm"] += [0.5, -0.5, 0.5, -0.5, 0.5, -0.5]  # a saw that no rigid motion takes out
    located = locate_scan(plain.mesh, reference=wrong, bodies=FLAT)
    assert "poor-agreement" in codes(located)
    assert (located.poses["status"] == "ok").all()


def test_a_body_led_astray_by_its_rotation_is_found_from_the_others(pose_errors):
    # with this one, the fit before the rotation is known slides by a third of a millimetre
    reference = reference_model(4, angulation_deg=22.6943590481228, seed=7344)
    scan = simulate_scan(
        reference,
        "polygon-top",
        n_triangles=60_000,
        noise=Noise(6.0, 0.8, white_um=6.0),
        offset_um=16.1563038830283,
        edge_rounding_mm=0.1,
        holes=0.24409525230028706,
        seed=7344,
    )
    body = scan_body("polygon-top", segment_mm=0.8)
    located = locate_scan(scan.mesh, reference=reference, bodies={"default": body})
    assert (located.poses["status"] == "ok").all()
    assert pose_errors(located.poses, scan.truth)["distance_um"].max() < 50


def test_a_prism_is_found_at_its_height_from_a_start_a_millimetre_off(pose_errors):
    # starts of this scan lie up to 1.4 mm along the axis, where the sides look the same
    shape = ROUNDED["octagon"]
    reference = reference_model(3, angulation_deg=20.0, seed=4)
    scan = scan_of(reference, shape, seed=4)
    body = shape.drawing(segment_mm=0.6)
    located = locate_scan(scan.mesh, reference=reference, bodies={"default": body})
    assert set(located.poses["status"]) == {"ok"}
    assert pose_errors(located.poses, scan.truth)["distance_um"].max() < 20.0
    prepared = prepare_body(body)
    for true in frames(scan.truth):
        for slide in (-1.5, -0.9, 0.9, 1.5):
            start = true.after(Rigid(np.eye(3), np.array([0.05, -0.05, slide])))
            (patch,) = cut_patches(scan.mesh, [(prepared, start)])
            found = find_body(prepared, patch, start)
            assert found is not None
            off = true.inverse().points(found.fit.scan_from_body.translation_mm)
            assert abs(off[2]) < 0.02


def test_a_rectangle_off_its_axis_fits_twice_and_flats_or_a_warning_settle_it(pose_errors):
    shape = ROUNDED["square"]  # half a turn and 0.25 mm bring it onto itself
    reference = reference_model(4, angulation_deg=15.0, seed=2)
    scan = scan_of(reference, shape, seed=2)
    bodies = {"default": shape.drawing(segment_mm=0.6)}
    located = locate_scan(scan.mesh, reference=reference, bodies=bodies)
    assert set(located.poses["status"]) == {"ok"}
    found = pose_errors(located.poses, scan.truth)
    assert found["distance_um"].max() < 20.0
    assert found["turn_deg"].abs().max() < 0.5
    unknown = reference.drop(columns=["flat_x", "flat_y", "flat_z"])
    located = locate_scan(scan.mesh, reference=unknown, bodies=bodies)
    assert set(located.poses["status"]) == {"doubtful"}
    assert located.poses["flat_x"].isna().all()
    twice = [f.what for f in located.findings if f.code == "two-poses"]
    assert len(twice) == 4
    assert all("two poses 25" in what or "two poses 24" in what for what in twice)


def test_an_extra_body_is_named_where_it_is(six):
    place = Rigid(np.eye(3), np.array([0.0, -5.0, 3.0]))
    moved = Rigid(np.eye(3), np.array([200.0, 100.0, 0.0]))
    scan = scan_of(six, extra=[("cylinder-flat", place)], pose=moved, seed=5)
    located = locate_scan(scan.mesh, reference=six, bodies=FLAT)
    (finding,) = [f for f in located.findings if f.code == "extra-body"]
    named = [float(v) for v in finding.what.split("(")[1].split(")")[0].split(",")]
    assert named == pytest.approx([200.0, 95.0, 8.0], abs=0.3)  # the middle of a body of 10 mm


def test_a_landmark_on_the_wrong_implant_is_refused_when_all_bodies_are_there(six):
    scan = scan_of(six, seed=1)
    marks = scan.truth[["scan", "implant", *XYZ]].iloc[[0, 1]].copy()
    marks["implant"] = marks["implant"].to_numpy()[::-1]
    with pytest.raises(AccstudyError) as error:
        locate_scan(scan.mesh, reference=six, bodies=FLAT, landmarks=marks)
    assert error.value.code == "landmarks-disagree"


def drawn_larger(shape, factor):
    body = shape.drawing(segment_mm=0.5)
    return replace(body, mesh=Mesh(factor * body.mesh.vertices_mm, body.mesh.faces))


@pytest.mark.parametrize(("name", "factor"), [("cylinder-flat", 0.99), ("notched", 1.01)])
def test_a_drawing_one_percent_off_in_size_is_told_whatever_the_offset(six, name, factor):
    shape = SHAPES.get(name) or ROUNDED[name]
    scan = scan_of(six, shape, offset_um=20.0, seed=3)
    located = locate_scan(scan.mesh, reference=six, bodies={"default": drawn_larger(shape, factor)})
    assert set(located.poses["status"]) == {"doubtful"}
    (finding,) = [f for f in located.findings if f.code == "wrong-size"]
    told, most = re.search(r"are (\d\.\d) .* by up to (\d+) µm", finding.what).groups()
    assert float(told) == pytest.approx(1.0, abs=0.3)
    assert ("smaller" if factor > 1 else "larger") in finding.what
    axis = scan.truth[["axis_x", "axis_y", "axis_z"]].to_numpy()
    shift = located.poses[XYZ].to_numpy(float) - scan.truth[XYZ].to_numpy()
    assert 30.0 < np.abs(1e3 * np.sum(shift * axis, axis=1)).max() < float(most)


def test_a_drawing_whose_size_no_scan_tells_is_named_with_what_it_costs(six):
    shape = SHAPES["cylinder-round"]
    scan = scan_of(six, shape, offset_um=20.0, seed=3)
    located = locate_scan(scan.mesh, reference=six, bodies={"default": drawn_larger(shape, 0.99)})
    (finding,) = [f for f in located.findings if f.code == "untold-size"]
    told_um = float(re.search(r"lie (\d+) µm too high", finding.what).group(1))
    # 1 % of the height goes up, 1 % of the radius is taken for an offset of the surface
    assert told_um == pytest.approx(0.01 * 1e3 * 0.99 * (9.0 - 2.4), abs=1.0)
    axis = scan.truth[["axis_x", "axis_y", "axis_z"]].to_numpy()
    shift = located.poses[XYZ].to_numpy(float) - scan.truth[XYZ].to_numpy()
    assert 1e3 * np.sum(shift * axis, axis=1).mean() == pytest.approx(told_um, abs=5.0)


@pytest.mark.parametrize("off_mm", [-4.5, 4.5])
def test_a_tall_body_slides_along_its_axis_to_its_top(six, off_mm):
    # its sides look alike at every height: it may first be found as another part of itself
    shape = BodyShape("tall", 1.4, 13.0, cuts=((0.0, 1.0),), use_above_mm=2.0)
    scan = scan_of(six, shape, seed=5)
    prepared = prepare_body(shape.drawing())
    true = scan.scan_from_model.after(frames(six)[2])
    start = true.after(Rigid(np.eye(3), np.array([0.0, 0.0, off_mm])))
    (patch,) = cut_patches(scan.mesh, [(prepared, start)])
    found = find_body(prepared, patch, start)
    off = found.fit.scan_from_body.translation_mm - true.translation_mm
    assert np.linalg.norm(off) < 0.05


def test_coarsely_drawn_fillets_are_not_taken_for_another_size(six):
    # the size of a prism of three sides shows nowhere but at its corners: two chords each, 25 um
    # inside the fillet, which looks like a body 1 % larger
    shape = RoundedShape("triangle", polygon(3, 1.7, 0.25), 8.0, rim_mm=0.15, fold=3)
    scan = scan_of(
        six, shape, noise=Noise(12.0, 0.0), offset_um=20.0, edge_rounding_mm=0.05, seed=1
    )
    located = locate_scan(
        scan.mesh, reference=six, bodies={"default": shape.drawing(segment_mm=0.3, steps=2)}
    )
    assert set(located.poses["status"]) == {"ok"}
    assert [f.code for f in located.findings] == ["untold-size"]


def test_what_a_body_tells_of_its_size():
    told = ("cylinder-flat", "notched")
    for name in (*told, "cylinder-round", "domed"):
        shape = SHAPES.get(name) or ROUNDED[name]
        drawing = shape.drawing()
        assert (untold_size(prepare_body(drawing)) is None) == (name in told)
        # a body that was learned has the size that was seen
        assert untold_size(prepare_body(replace(drawing, learned=True))) is None


@pytest.mark.parametrize("offset_um", [0.0, 40.0])
def test_the_bound_of_heights_holds_for_a_drawing_five_percent_too_large(six, offset_um):
    shape = ROUNDED["rim"]
    scan = scan_of(six, shape, offset_um=offset_um, seed=3)
    located = locate_scan(scan.mesh, reference=six, bodies={"default": drawn_larger(shape, 1.05)})
    axis = scan.truth[["axis_x", "axis_y", "axis_z"]].to_numpy()
    shift = located.poses[XYZ].to_numpy(float) - scan.truth[XYZ].to_numpy()
    height_um = np.abs(1e3 * np.sum(shift * axis, axis=1))
    bounds = [f.mend for f in located.findings if f.code == "unusual-offset"]
    assert len(bounds) == 6
    for off, text in zip(height_um, bounds, strict=True):
        assert 250.0 < off < float(re.search(r"by up to (\d+) µm", text).group(1))


def test_abutments_in_place_of_scan_bodies_are_refused():
    reference = reference_model(5, angulation_deg=15.0, seed=5)
    places = [f.after(Rigid(np.eye(3), np.array([0.0, 0.0, -1.5]))) for f in frames(reference)[:2]]
    scan = simulate_scan(
        reference,
        ROUNDED["rim"],
        n_triangles=30_000,
        missing=reference["implant"].tolist(),
        extra=[(SHAPES["cylinder-round"], place) for place in places],
        seed=2,
    )
    bodies = {"default": ROUNDED["rim"].drawing()}
    with pytest.raises(AccstudyError) as error:
        locate_scan(scan.mesh, reference=reference, bodies=bodies)
    assert error.value.code == "arrangement-not-found"


@pytest.mark.slow
def test_a_body_that_fits_in_four_places_is_put_where_its_flat_is(pose_errors):
    # nearly square: a quarter of a turn fits with another offset, half a turn elsewhere
    reference = reference_model(7, angulation_deg=20.0, seed=11)
    shape = ROUNDED["square"]
    for seed in (1, 2):
        scan = scan_of(reference, shape, noise=Noise(20.0, 1.5), holes=0.3, seed=seed)
        body = shape.drawing(segment_mm=0.5)
        located = locate_scan(scan.mesh, reference=reference, bodies={"default": body})
        sure = located.poses["status"] == "ok"
        assert sure.sum() >= 6
        assert pose_errors(located.poses[sure], scan.truth)["distance_um"].max() < 60.0


def test_flats_that_were_given_are_not_asked_for(six):
    reference = symmetric_model("rectangle")
    assert reference[["flat_x", "flat_y", "flat_z"]].notna().all().all()
    unknown = reference.assign(flat_x=np.nan, flat_y=np.nan, flat_z=np.nan)
    scan = scan_of(reference, seed=1)
    for given, hint in ((reference, False), (unknown, True)):
        with pytest.raises(AccstudyError) as error:
            locate_scan(scan.mesh, reference=given, bodies=FLAT)
        assert ("give the flats" in error.value.hint) == hint


def test_a_straight_row_with_a_body_missing_is_not_called_mirrored():
    reference = symmetric_model("row")
    scan = scan_of(reference, missing=["I1"], seed=1)
    with pytest.raises(AccstudyError) as error:
        locate_scan(scan.mesh, reference=reference, bodies=FLAT)
    assert error.value.code == "ambiguous-arrangement"


@pytest.mark.slow
def test_a_body_whose_start_is_two_millimetres_up_its_axis_is_found(pose_errors):
    # the first start of its first body is; the others tell where it stands
    shape = ROUNDED["square-rounded"]
    reference = reference_model(6, angulation_deg=15.0, seed=0)
    scan = simulate_scan(reference, shape, n_triangles=60_000, offset_um=15.0, holes=0.1, seed=0)
    body = shape.drawing(segment_mm=0.5)
    located = locate_scan(scan.mesh, reference=reference, bodies={"default": body})
    assert set(located.poses["status"]) == {"ok"}
    assert pose_errors(located.poses, scan.truth)["distance_um"].max() < 20.0


@pytest.mark.slow
def test_a_body_first_taken_for_one_on_its_side_is_found_from_the_others(pose_errors):
    # with much of it hidden, this block is searched out lying across its own place
    reference = reference_model(3, angulation_deg=18.986836035433196, seed=2157)
    shape = ROUNDED["rectangle-rounded"]
    scan = simulate_scan(
        reference,
        shape,
        n_triangles=60_000,
        noise=Noise(8.0, 0.2),
        offset_um=9.24264653508661,
        holes=0.322215177565339,
        seed=2157,
    )
    body = {"default": shape.drawing(segment_mm=0.8, steps=4)}
    located = locate_scan(scan.mesh, reference=reference, bodies=body)
    assert set(located.poses["status"]) == {"ok"}
    assert "extra-body" not in codes(located)
    assert pose_errors(located.poses, scan.truth)["distance_um"].max() < 15.0


def test_a_drawing_that_is_open_beside_its_edges_still_knows_its_twins():
    drawing = prepare_body(ROUNDED["square"].drawing()).radial
    assert drawing.twins_deg() == [180.0]
    # what a learned body lacks: strips beside the edges; through some a ray meets another side
    steps, mean = np.arange(len(drawing.radius_mm)), drawing.radius_mm.mean(axis=1)
    edges = np.flatnonzero((mean > np.roll(mean, 1)) & (mean >= np.roll(mean, -1)))
    assert len(edges) == 4
    radius = drawing.radius_mm.copy()
    for k, edge in enumerate(edges):
        away = np.abs((steps - edge + 90) % 180 - 90)
        radius[away <= 3] = np.nan
        radius[away <= k % 2] = 1.2
    filled = _bridged(radius)
    twins = RadialMap(filled, drawing.low_mm, bridged=True).twins_deg()
    assert any(abs(twin - 180.0) <= 4.0 for twin in twins)
    assert RadialMap(filled, drawing.low_mm).twins_deg() == []  # as if it were closed
