import numpy as np
import pytest
from rounded_bodies import ROUNDED, Outline, RoundedShape

from accstudy.locate.surface import clean_mesh, outwards, refine_curved, sharp_edges
from accstudy.mesh.model import Mesh
from accstudy.mesh.scene import open3d
from accstudy.simulate.bodies import SHAPES, scan_body


def test_refining_leaves_flat_faces_and_sharp_edges_alone():
    cube = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], float)
    quads = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]
    faces = np.array([t for a, b, c, d in quads for t in ([a, b, c], [a, c, d])], np.int32)
    refined = refine_curved(Mesh(cube, faces))
    assert len(refined.faces) == 12
    assert np.unique(refined.vertices_mm, axis=0) == pytest.approx(cube)
    edges, ends = sharp_edges(Mesh(cube, faces))
    assert not len(ends)
    on_edge = np.sum((edges < 1e-12) | (edges > 1 - 1e-12), axis=1)
    assert (on_edge == 2).all()  # no point on the diagonals of the faces
    assert len(edges) == 12 * 13  # points 0.08 mm apart
    _, ends = sharp_edges(Mesh(cube, faces[2:]))  # a side left out
    assert len(ends) == 4 * 13
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


CURVED = ("rim", "tapered-rim", "domed", "capped")  # cylinder, cone, sphere, torus fillets
FILLETED = (
    "square-rounded",
    "hexagon-rounded",
    "octagon-rounded",
    "rectangle-rounded",
    "notched",
)


def errors_um(shape, mesh):
    """Distances of points all over the visible triangles from the exact surface."""
    p = mesh.vertices_mm[mesh.faces]
    p = p[p[:, :, 2].max(axis=1) > 0.5]
    rng = np.random.default_rng(1)
    points = np.einsum(
        "nk,nkd->nd", rng.dirichlet([1, 1, 1], 6000), p[rng.integers(0, len(p), 6000)]
    )
    return 1e3 * np.abs(shape.distance(points)[0])


def before_and_after(shape, mesh, turn=None):
    """Largest errors of a drawing and of what is made of it, which may be turned before."""
    mesh = clean_mesh(mesh)
    turn = np.eye(3) if turn is None else turn
    # single precision, as in a binary STL
    moved = (mesh.vertices_mm @ turn.T).astype(np.float32).astype(float)
    refined = refine_curved(clean_mesh(Mesh(moved, mesh.faces)))
    back = Mesh(refined.vertices_mm @ turn, refined.faces)
    return errors_um(shape, mesh), errors_um(shape, back)


def any_turn(seed):
    q, _ = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))
    return q * np.sign(np.linalg.det(q))


@pytest.mark.parametrize("steps", [3, 4, 8, 32])
@pytest.mark.parametrize("name", [*CURVED, *FILLETED])
def test_refined_drawings_lie_on_the_exact_surface(name, steps):
    shape = ROUNDED[name]
    mesh = shape.drawing(segment_mm=1.0, steps=steps).mesh
    was, now = before_and_after(shape, mesh, any_turn(steps))
    assert now.max() <= max(3.0, 0.25 * was.max())
    assert now.max() <= max(was.max(), 1.0)
    assert now.mean() <= was.mean() + 0.02  # single precision


def with_other_diagonals(mesh, seed):
    """The same drawing, half of its flat quadrangles cut along their other diagonal."""
    mesh = clean_mesh(mesh)
    corners, faces = mesh.vertices_mm, mesh.faces.copy()
    owners = {}
    for f, face in enumerate(faces.tolist()):
        for k in range(3):
            u, v, w = face[k], face[k - 2], face[k - 1]
            owners.setdefault((min(u, v), max(u, v)), []).append((f, u, v, w))
    across = lambda i, j, k: np.cross(corners[j] - corners[i], corners[k] - corners[i])  # noqa: E731
    rng, done = np.random.default_rng(seed), set()
    for pair in owners.values():
        if len(pair) != 2 or done & {pair[0][0], pair[1][0]}:
            continue
        (f, u, v, w), (g, _, _, x) = pair
        n, m = across(u, v, w), across(v, u, x)
        level = n @ m > np.cos(1e-3) * np.linalg.norm(n) * np.linalg.norm(m)
        halves = across(u, x, w), across(x, v, w)
        if level and min(half @ n for half in halves) > 1e-3 * n @ n:
            done |= {f, g}
            if rng.random() < 0.5:
                faces[f], faces[g] = (u, x, w), (x, v, w)
    return Mesh(corners, faces)


@pytest.mark.parametrize("segment_mm", [1.0, 5.0])  # walls of some rows of quadrangles and of one
@pytest.mark.parametrize("name", [*CURVED, *FILLETED])
def test_refined_drawings_do_not_depend_on_how_their_facets_are_cut(name, segment_mm):
    shape = ROUNDED[name]
    mesh = with_other_diagonals(shape.drawing(segment_mm=segment_mm, steps=3).mesh, 1)
    was, now = before_and_after(shape, mesh, any_turn(2))
    assert now.max() <= max(4.0, 0.25 * was.max())
    assert now.mean() <= 0.2 * was.mean()


@pytest.mark.parametrize("faces", [800, 4000])
@pytest.mark.parametrize("name", ["hexagon-rounded", "domed", "notched", "cylinder-flat"])
def test_simplified_drawings_are_not_bulged(name, faces):
    # triangles of all sizes and shapes, as a simplified or repaired mesh has them: vertices lie
    # within micrometres of the solid, normals of narrow triangles are off by many degrees
    shape = SHAPES.get(name) or ROUNDED[name]
    fine = {} if name in SHAPES else {"steps": 12}
    mesh = shape.drawing(segment_mm=0.12, **fine).mesh
    o3d = open3d()
    full = o3d.geometry.TriangleMesh(
        o3d.utility.Vector3dVector(mesh.vertices_mm), o3d.utility.Vector3iVector(mesh.faces)
    )
    few = full.simplify_quadric_decimation(faces)
    drawn = Mesh(np.asarray(few.vertices), np.asarray(few.triangles).astype(np.int32))
    was, now = before_and_after(shape, drawn)
    assert now.max() <= max(1.05 * was.max(), 3.0)
    assert now.mean() <= was.mean() + 0.1


@pytest.mark.parametrize("name", ["square", "hexagon", "octagon"])
def test_prisms_stay_as_they_are(name):
    mesh = clean_mesh(ROUNDED[name].drawing(segment_mm=0.6).mesh)
    refined = refine_curved(mesh)
    assert len(refined.faces) == len(mesh.faces)
    assert np.unique(refined.vertices_mm, axis=0) == pytest.approx(
        np.unique(mesh.vertices_mm, axis=0), abs=1e-9
    )


@pytest.mark.parametrize("around", [12, 16, 48])
@pytest.mark.parametrize("rows", [2, 6])
def test_a_cylinder_of_triangles_in_any_order_is_round(around, rows):
    # rings turned against each other: no two triangles make a flat facet
    z = np.linspace(0, 6, rows + 1)
    corner = np.arange(around)
    levels = [2 * np.pi * (corner + 0.5 * (k % 2)) / around for k in range(rows + 1)]
    vertices = np.concatenate(
        [np.column_stack([2.5 * np.cos(a), 2.5 * np.sin(a), np.full(around, h)])
         for a, h in zip(levels, z, strict=True)]
    )  # fmt: skip
    faces = []
    for k in range(rows):
        a, b = k * around + corner, k * around + (corner + 1) % around
        c, d = a + around, b + around
        pair = ([a, b, c], [b, d, c]) if k % 2 == 0 else ([a, b, d], [a, d, c])
        faces += [np.column_stack(one) for one in pair]
    refined = refine_curved(Mesh(vertices, np.concatenate(faces).astype(np.int32)))
    chord_um = 2500 * (1 - np.cos(np.pi / around))
    off = 1e3 * np.abs(np.hypot(*refined.vertices_mm[:, :2].T) - 2.5)
    assert off.max() < max(3.0, 0.26 * chord_um)


@pytest.mark.parametrize(("angle_deg", "height_mm"), [(15, 1.0), (20, 0.3), (30, 0.4), (45, 0.3)])
@pytest.mark.parametrize("segment_mm", [0.3, 0.6])
def test_chamfers_stay_sharp(angle_deg, height_mm, segment_mm):
    inner = 2.4 - height_mm * np.tan(np.radians(angle_deg))
    half = [(2.4, 0.0, 0.0), (2.4, 6.0 - height_mm, 0.0), (inner, 6.0, 0.0)]
    outline = Outline((*half, *[(-x, y, r) for x, y, r in reversed(half)]))
    shape = RoundedShape("chamfered", outline, 6.0, turned=True, fold=0)
    was, now = before_and_after(shape, shape.drawing(segment_mm=segment_mm).mesh)
    # the top keeps its chords, which its corners then share
    assert now.max() <= was.max()
    assert np.percentile(now, 99) < 1.0


@pytest.mark.parametrize("segment_mm", [0.25, 0.5, 0.8])
@pytest.mark.parametrize("name", ["cylinder-flat", "cylinder-round", "low-wide"])
def test_sharp_edged_bodies_are_refined_up_to_their_edges(name, segment_mm):
    was, now = before_and_after(SHAPES[name], scan_body(name, segment_mm=segment_mm).mesh)
    assert now.max() <= max(0.1 * was.max(), 1.0)


@pytest.mark.parametrize("segment_mm", [0.2, 0.5, 0.8])
def test_a_cone_is_refined_up_to_the_plane_that_cuts_it(segment_mm):
    was, now = before_and_after(SHAPES["tapered"], scan_body("tapered", segment_mm=segment_mm).mesh)
    assert now.max() <= max(3.0, 0.5 * was.max())
    assert now.mean() <= max(0.4 * was.mean(), 0.2)


def test_every_invented_body_is_drawn_on_its_surface():
    for shape in (*ROUNDED.values(), *SHAPES.values()):
        fine = {"steps": 5} if isinstance(shape, RoundedShape) else {}
        mesh = shape.drawing(segment_mm=0.4, **fine).mesh
        assert np.abs(shape.distance(mesh.vertices_mm)[0]).max() < 1e-9
        a, b, c = (mesh.vertices_mm[mesh.faces[:, k]] for k in range(3))
        assert np.einsum("ij,ij->", a, np.cross(b, c)) > 0
