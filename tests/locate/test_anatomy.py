"""A drawing shows its axis, its flats and its levels, wherever and however it lies."""

import re
import tomllib

import numpy as np
import pytest
import trimesh
from rounded_bodies import ROUNDED
from scipy.spatial.transform import Rotation

from accstudy.geometry.rigid import angle_between_deg
from accstudy.locate.scan_body import anatomy, scan_body_from_settings
from accstudy.mesh.model import Mesh
from accstudy.simulate.bodies import SHAPES, body_shape, scan_body
from accstudy.stages.drawings import beside_settings, body_words, picture, show_drawing
from accstudy.study.files import Files
from accstudy.study.settings import ScanBodySettings

TURN = Rotation.from_euler("xyz", [140, 35, -70], degrees=True)
SHIFT = np.array([12.0, -7.0, 33.0])


def laid(mesh):
    """The mesh turned and shifted, as a maker's frame may have it."""
    return Mesh(TURN.apply(mesh.vertices_mm) + SHIFT, mesh.faces)


@pytest.mark.parametrize("name", list(SHAPES))
def test_axis_flats_and_ends_of_every_shape_are_found_in_any_frame(name):
    shape = body_shape(name)
    found = anatomy(laid(scan_body(name).mesh))
    axis = TURN.apply([0, 0, 1.0])
    off = float(angle_between_deg(found.axis, axis))
    if shape.cuts and shape.cut_from_mm > 0:
        assert off < 0.01  # the sense, too: the flats lie near the top
    assert min(off, 180 - off) < 0.01
    centre = found.point_mm - SHIFT
    assert np.linalg.norm(centre - (centre @ axis) * axis) < 0.005
    assert found.length_mm == pytest.approx(shape.height_mm, abs=0.01)
    heights = [level.height_mm for level in found.levels]
    assert min(heights) == pytest.approx(0, abs=0.01)
    assert max(heights) == pytest.approx(shape.height_mm, abs=0.01)
    cuts = {round(distance, 2) for _, distance in shape.cuts}
    if shape.taper_deg == 0 and len(shape.cuts) <= 6:
        assert {round(flat.distance_mm, 2) for flat in found.flats} == cuts
    if len(shape.cuts) == 1:
        azimuth = np.radians(shape.cuts[0][0])
        towards = TURN.apply([np.cos(azimuth), np.sin(azimuth), 0])
        assert angle_between_deg(found.flats[0].direction, towards) < 0.01


def test_an_open_coarse_or_offset_solid_has_an_axis_too():
    cylinder = trimesh.creation.cylinder(radius=2.0, height=9.0, sections=24)
    assert anatomy(Mesh(cylinder.vertices, cylinder.faces)).flats == ()
    lid = np.abs(cylinder.face_normals[:, 2]) < 0.5
    open_ = anatomy(Mesh(cylinder.vertices, cylinder.faces[lid]))
    assert abs(open_.axis[2]) == pytest.approx(1)
    assert {level.faces for level in open_.levels} == {"end"}
    hexagon = trimesh.creation.cylinder(radius=2.0, height=9.0, sections=6)
    found = anatomy(Mesh(hexagon.vertices, hexagon.faces))
    assert len(found.flats) == 6
    assert found.flats[0].distance_mm == pytest.approx(2 * np.cos(np.pi / 6))


def test_the_lines_that_are_printed_place_the_body(tmp_path):
    """With origin A, the lowest level, the body stands on its platform, flat towards x."""
    mesh = laid(scan_body("cylinder-flat").mesh)
    trimesh.Trimesh(mesh.vertices_mm, mesh.faces).export(tmp_path / "body.stl")
    lines = show_drawing(tmp_path / "body.stl", tmp_path)
    assert (tmp_path / "body_axes.png").read_bytes()[:4] == b"\x89PNG"
    text = "\n".join(lines)
    block = text[text.index("[scan_body.default]") : text.index("\n\nwritten")]
    given = tomllib.loads(block)["scan_body"]["default"] | {"mesh": "body.stl"}
    body = scan_body_from_settings("default", ScanBodySettings(**given), Files(tmp_path))
    shape = body_shape("cylinder-flat")
    z = body.mesh.vertices_mm[:, 2]
    assert (z.min(), z.max()) == pytest.approx((0, shape.height_mm), abs=1e-3)
    assert body.mesh.vertices_mm[:, 0].max() == pytest.approx(shape.radius_mm, abs=0.02)
    top = body.mesh.vertices_mm[z > shape.height_mm - 0.01]
    assert top[:, 0].max() == pytest.approx(shape.cuts[0][1], abs=0.01)
    # every other origin of the list is readable as well, use_above_mm included
    for origin, above in re.findall(
        r"# origin .: origin_mm = (\[.*?\]), use_above_mm = (\S+)", text
    ):
        other = {**given, **tomllib.loads(f"origin_mm = {origin}\nuse_above_mm = {above}")}
        scan_body_from_settings("default", ScanBodySettings(**other), Files(tmp_path))


def test_study_toml_is_held_against_the_drawing():
    mesh = laid(scan_body("cylinder-flat").mesh)
    found = anatomy(mesh)
    said = ScanBodySettings(
        mesh="body.stl", axis=tuple(-TURN.apply([0, 0, 1.0])), flat=tuple(TURN.apply([1.0, 0, 0])),
        origin_mm=tuple(SHIFT + TURN.apply([0.5, 0, 2.0])),
    )  # fmt: skip
    text = "\n".join(beside_settings(found, said))
    assert "0.00° off the axis found, and points the other way" in text
    assert "0.500 mm beside it, 2.000 mm above the lowest point" in text


def test_a_drawing_in_another_unit_is_asked_about():
    small = scan_body("cylinder-flat").mesh
    words = body_words(anatomy(Mesh(small.vertices_mm / 25.4, small.faces)), mesh="b.stl")
    assert any("check the unit" in line for line in words)


def test_the_picture_shows_the_body_from_two_sides():
    mesh = laid(scan_body("cylinder-flat").mesh)
    assert len(picture(mesh, anatomy(mesh), width_px=200)) > 5000


@pytest.mark.parametrize(
    "name", ["rim", "domed", "square-rounded", "hexagon-rounded", "octagon-rounded", "notched"]
)
def test_filleted_bodies_have_their_long_axis(name):
    found = anatomy(laid(ROUNDED[name].drawing().mesh))
    off = float(angle_between_deg(found.axis, TURN.apply([0, 0, 1.0])))
    assert min(off, 180 - off) < 0.05
