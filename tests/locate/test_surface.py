import numpy as np
import pytest

from accstudy.locate.surface import clean_mesh, outwards, refine_curved, sharp_edges
from accstudy.mesh.model import Mesh
from accstudy.simulate.bodies import scan_body


def test_refining_leaves_flat_faces_and_sharp_edges_alone():
    cube = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], float)
    quads = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]
    faces = np.array([t for a, b, c, d in quads for t in ([a, b, c], [a, c, d])], np.int32)
    refined = refine_curved(Mesh(cube, faces))
    assert len(refined.faces) == 12
    assert np.unique(refined.vertices_mm, axis=0) == pytest.approx(cube)
    edges, ends = sharp_edges(Mesh(cube, faces), spacing_mm=0.1)
    assert not len(ends)
    on_edge = np.sum((edges < 1e-12) | (edges > 1 - 1e-12), axis=1)
    assert (on_edge == 2).all()  # no point on the diagonals of the faces
    assert len(edges) == 12 * 10
    _, ends = sharp_edges(Mesh(cube, faces[2:]), spacing_mm=0.1)  # a side left out
    assert len(ends) == 4 * 10
    assert (ends[:, 0] < 1e-12).all()


def test_degenerate_triangles_go():
    vertices = np.array([[0, 0, 0], [1, 0, 0], [2, 0, 0], [0, 1, 0], [0, 0, 0]], float)
    mesh = clean_mesh(Mesh(vertices, np.array([[0, 1, 2], [0, 4, 3], [0, 1, 3]], np.int32)))
    assert len(mesh.faces) == 1


def test_a_drawing_inside_out_is_turned_round():
    drawing = scan_body("low-wide").mesh
    flipped = Mesh(drawing.vertices_mm, drawing.faces[:, ::-1])
    assert np.array_equal(outwards(flipped).faces, drawing.faces)
    assert np.array_equal(outwards(drawing).faces, drawing.faces)
