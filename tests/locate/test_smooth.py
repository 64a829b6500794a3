import numpy as np
import pytest

from accstudy.locate.smooth import clean_mesh, outwards, refine_curved, sharp_edges
from accstudy.mesh.model import Mesh
from accstudy.simulate.bodies import body_shape, scan_body


def side_error_um(mesh, radius_mm):
    """Distances of points on the triangles of a side from its cylinder: 99 % and all within."""
    p = mesh.vertices_mm[mesh.faces]
    low, high = p[:, :, 2].min(axis=1), p[:, :, 2].max(axis=1)
    side = (high > low + 1e-6) & (high < 7.0)
    weights = np.random.default_rng(1).dirichlet([1, 1, 1], 20)
    points = np.einsum("wk,fkd->fwd", weights, p[side])
    return np.percentile(
        1e3 * np.abs(np.hypot(points[..., 0], points[..., 1]) - radius_mm), [99, 100]
    )


@pytest.mark.parametrize("segment_mm", [0.5, 0.8])
def test_refining_undoes_the_chords_of_a_round_side(segment_mm):
    radius = body_shape("cylinder-flat").radius_mm
    drawing = clean_mesh(scan_body("cylinder-flat", segment_mm=segment_mm).mesh)
    chord_um = 1e3 * segment_mm**2 / (8 * radius)
    assert side_error_um(drawing, radius)[1] > 0.8 * chord_um
    most, worst = side_error_um(refine_curved(drawing), radius)
    assert most < 1.0
    # at a corner where the side meets the cut for the flat, its normal is known from one side
    assert worst < 6.0


def test_refining_leaves_flat_faces_and_sharp_edges_alone():
    cube = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], float)
    quads = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]
    faces = np.array([t for a, b, c, d in quads for t in ([a, b, c], [a, c, d])], np.int32)
    refined = refine_curved(Mesh(cube, faces))
    assert len(refined.faces) == 12
    assert np.unique(refined.vertices_mm, axis=0) == pytest.approx(cube)
    edges = sharp_edges(Mesh(cube, faces), spacing_mm=0.1)
    on_edge = np.sum((edges < 1e-12) | (edges > 1 - 1e-12), axis=1)
    assert (on_edge == 2).all()  # no point on the diagonals of the faces
    assert len(edges) == 12 * 10


def test_degenerate_triangles_go():
    vertices = np.array([[0, 0, 0], [1, 0, 0], [2, 0, 0], [0, 1, 0], [0, 0, 0]], float)
    mesh = clean_mesh(Mesh(vertices, np.array([[0, 1, 2], [0, 4, 3], [0, 1, 3]], np.int32)))
    assert len(mesh.faces) == 1


def test_a_drawing_inside_out_is_turned_round():
    drawing = scan_body("low-wide").mesh
    flipped = Mesh(drawing.vertices_mm, drawing.faces[:, ::-1])
    assert np.array_equal(outwards(flipped).faces, drawing.faces)
    assert np.array_equal(outwards(drawing).faces, drawing.faces)
