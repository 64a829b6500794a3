"""Every good file gives the same mesh; every bad one an error at its place, never less."""

import gzip
import os
import struct

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from stl_files import stl_bytes

from accstudy.errors import MeshError
from accstudy.mesh.read import read_mesh, triangle_digest

# a closed tetrahedron of 8 mm, normals outwards
CORNERS = np.array([[0, 0, 0], [8, 0, 0], [0, 8, 0], [0, 0, 8.0]])
FACES = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]])


def binary(header=b"", corners=CORNERS, faces=FACES):
    return header.ljust(80, b"\0") + stl_bytes(corners, faces)[80:]


def ascii_stl(name="", end="\n", sep=" ", faces=FACES, upper=False):
    lines = [f"solid {name}".strip()]
    for face in FACES if faces is None else faces:
        lines += ["facet normal 0 0 0", "outer loop"]
        lines += ["vertex " + sep.join(f"{v:g}" for v in CORNERS[i]) for i in face]
        lines += ["endloop", "endfacet"]
    lines.append(f"endsolid {name}".strip())
    text = end.join(lines) + end
    return (text.upper() if upper else text).encode()


def ply(form="ascii", scalar="float", count="uchar", index="int", extra=(), polygons=None):
    polygons = FACES.tolist() if polygons is None else polygons
    head = ["ply", f"format {form} 1.0", f"element vertex {len(CORNERS)}"]
    head += [f"property {scalar} {c}" for c in "xyz"]
    head += [f"property uchar {e}" for e in extra]
    head += [f"element face {len(polygons)}", f"property list {count} {index} vertex_indices"]
    out = ("\n".join([*head, "end_header"]) + "\n").encode()
    if form == "ascii":
        rows = [" ".join([*(f"{v:g}" for v in c), *("7" for _ in extra)]) for c in CORNERS]
        rows += [" ".join(map(str, [len(p), *p])) for p in polygons]
        return out + ("\n".join(rows) + "\n").encode()
    order = "<" if "little" in form else ">"
    kinds = {"float": "f", "double": "d", "uchar": "B", "int": "i", "uint": "I", "ushort": "H",
             "short": "h", "char": "b"}  # fmt: skip
    for c in CORNERS:
        out += struct.pack(order + kinds[scalar] * 3, *c) + bytes([7] * len(extra))
    for p in polygons:
        out += struct.pack(order + kinds[count], len(p)) + struct.pack(
            order + kinds[index] * len(p), *p
        )
    return out


def obj(faces=None, corner="v {} {} {}", head=""):
    lines = [head] if head else []
    lines += [corner.format(*(f"{v:g}" for v in c)) for c in CORNERS]
    lines += faces or ["f " + " ".join(str(i + 1) for i in f) for f in FACES]
    return ("\n".join(lines) + "\n").encode()


GOOD = {
    "binary.stl": binary(),
    "binary that says solid.stl": binary(b"solid but binary"),
    "binary with a long header.stl": binary(b"exported " * 8),
    "capital.STL": binary(),
    "ascii.stl": ascii_stl(),
    "ascii named.stl": ascii_stl("upper jaw"),
    "ascii crlf.stl": ascii_stl(end="\r\n"),
    "ascii tabs.stl": ascii_stl(sep="\t"),
    "ascii capitals.stl": ascii_stl(upper=True),
    "ascii blank lines.stl": ascii_stl().replace(b"endfacet", b"endfacet\n\n"),
    "ascii leading blanks.stl": b"  \n" + ascii_stl(),
    "ascii exponents.stl": ascii_stl().replace(b"8", b"+8.0e0"),
    "ascii nan normal.stl": ascii_stl().replace(b"normal 0 0 0", b"normal nan -nan nan"),
    "ascii two solids.stl": ascii_stl(faces=FACES[:2]) + ascii_stl(faces=FACES[2:]),
    "ascii umlaut.stl": ascii_stl("Müller"),
    "ascii.ply": ply(),
    "little.ply": ply("binary_little_endian"),
    "big.ply": ply("binary_big_endian"),
    "double.ply": ply("binary_little_endian", scalar="double"),
    "ushort index.ply": ply("binary_big_endian", index="ushort"),
    "uint count.ply": ply("binary_little_endian", count="uint", index="uint"),
    "colours.ply": ply("binary_little_endian", extra=("red", "green")),
    "ascii colours.ply": ply(extra=("red", "green")),
    "comment.ply": ply().replace(b"element vertex", b"comment made\nelement vertex"),
    "vertex_index.ply": ply().replace(b"vertex_indices", b"vertex_index"),
    "crlf.ply": ply().replace(b"\n", b"\r\n"),
    "extra element.ply": ply().replace(
        b"end_header", b"element edge 1\nproperty int a\nend_header"
    ) + b"3\n",
    "new type names.ply": ply().replace(b"float", b"float32").replace(b"uchar", b"uint8"),
    "plain.obj": obj(),
    "slashes.obj": obj(["f " + " ".join(f"{i + 1}/1/1" for i in f) for f in FACES]),
    "double slash.obj": obj(["f " + " ".join(f"{i + 1}//2" for i in f) for f in FACES]),
    "relative.obj": obj(["f " + " ".join(str(i - 4) for i in f) for f in FACES]),
    "colours.obj": obj(corner="v {} {} {} 0.5 0.5 0.5"),
    "weight.obj": obj(corner="v {} {} {} 1.0"),
    "comments.obj": obj(head="# a comment\no part\ng all\nusemtl x"),
    "crlf.obj": obj().replace(b"\n", b"\r\n"),
    "continued.obj": obj().replace(b"f ", b"f \\\n"),
    "packed.stl.gz": gzip.compress(binary()),
    "packed.ply.gz": gzip.compress(ply()),
    "two members.stl.gz": gzip.compress(binary()[:100]) + gzip.compress(binary()[100:]),
    "trailing.stl": binary() + b"\0" * 10,
    "repeated.stl": binary(faces=np.vstack([FACES, FACES[:1]])),
    "degenerate.stl": binary(faces=np.vstack([FACES, [[1, 1, 2]]])),
}  # fmt: skip


@pytest.mark.parametrize("name", list(GOOD))
def test_good_files_give_the_same_mesh(tmp_path, name):
    (tmp_path / name).write_bytes(GOOD[name])
    mesh = read_mesh(tmp_path / name)
    assert mesh.vertices_mm.shape == (4, 3)
    assert len(mesh.faces) == 4
    plain = tmp_path / "plain.stl"
    plain.write_bytes(binary())
    assert triangle_digest(mesh) == triangle_digest(read_mesh(plain))


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("trailing.stl", "trailing-bytes"),
        ("extra element.ply", None),
        ("repeated.stl", "repeated"),
        ("degenerate.stl", "no-area"),
        ("binary with a long header.stl", "comment"),
        ("ascii named.stl", "comment"),
        ("comment.ply", "comment"),
        ("comments.obj", "comment"),
    ],
)
def test_oddities_are_told_without_their_text(tmp_path, name, code):
    (tmp_path / name).write_bytes(GOOD[name])
    found = read_mesh(tmp_path / name).findings
    codes = {f.code for f in found}
    assert codes == ({code} if code else set())
    for text in ("exported", "upper jaw", "made", "a comment"):
        assert all(text not in str(f).replace(name, "") for f in found)


def quad_ply():
    return ply(polygons=[[0, 2, 1], [0, 3, 2], [1, 2, 3, 0]])


def test_polygons_are_parted_into_fans(tmp_path):
    for name, data in {
        "quad.ply": quad_ply(),
        "quad.obj": obj(["f 1 3 2", "f 1 4 3", "f 2 3 4 1"]),
        "mixed.ply": ply("binary_little_endian", polygons=[[0, 2, 1], [0, 3, 2], [1, 2, 3, 0]]),
    }.items():
        (tmp_path / name).write_bytes(data)
        assert len(read_mesh(tmp_path / name).faces) == 4


def with_corner(value):
    return binary()[:96] + struct.pack("<f", value) + binary()[100:]


def cut(data, n):
    return data[: len(data) - n]


BAD = {
    "empty.stl": b"",
    "short.stl": b"solid",
    "header only.stl": binary()[:80],
    "no triangles.stl": binary()[:80] + struct.pack("<I", 0),
    "cut by one.stl": cut(binary(), 1),
    "cut by a record.stl": cut(binary(), 50),
    "count too large.stl": binary()[:80] + struct.pack("<I", 5) + binary()[84:],
    "count huge.stl": binary()[:80] + struct.pack("<I", 2**32 - 1) + binary()[84:],
    "count zero with data.stl": binary()[:80] + struct.pack("<I", 0) + binary()[84:],
    "much trailing.stl": binary() + b"\1" * 10_000,
    "nan corner.stl": with_corner(np.nan),
    "infinite corner.stl": with_corner(np.inf),
    "flat.stl": binary(faces=np.array([[0, 1, 1], [2, 2, 2]])),
    "text.stl": b"this is no mesh at all, only text that goes on for a while" * 5,
    "a web page.stl": b"<html><body>404</body></html>" * 10,
    "solid and nothing.stl": b"solid x\nendsolid x\n" + b" " * 100,
    "ascii cut in a facet.stl": ascii_stl()[: len(ascii_stl()) // 2],
    "ascii cut before endsolid.stl": ascii_stl().replace(b"endsolid", b""),
    "ascii cut in a number.stl": ascii_stl().replace(b"vertex 0 0 8", b"vertex 0 0 8."[:-3], 1),
    "ascii decimal comma.stl": ascii_stl().replace(b"8 0 0", b"8,0 0 0"),
    "ascii four numbers.stl": ascii_stl().replace(b"vertex 8 0 0", b"vertex 8 0 0 0", 1),
    "ascii two numbers.stl": ascii_stl().replace(b"vertex 8 0 0", b"vertex 8 0", 1),
    "ascii four corners.stl": ascii_stl().replace(b"endloop", b"vertex 1 1 1\nendloop", 1),
    "ascii word.stl": ascii_stl().replace(b"vertex 8 0 0", b"vertex x 0 0", 1),
    "ascii nan.stl": ascii_stl().replace(b"vertex 8 0 0", b"vertex nan 0 0", 1),
    "ascii overflow.stl": ascii_stl().replace(b"vertex 8 0 0", b"vertex 1e999 0 0", 1),
    "ascii underscore.stl": ascii_stl().replace(b"vertex 8 0 0", b"vertex 8_0 0 0", 1),
    "ascii hex.stl": ascii_stl().replace(b"vertex 8 0 0", b"vertex 0x8 0 0", 1),
    "ascii no endloop.stl": ascii_stl().replace(b"endloop\n", b"", 1),
    "ascii odd loop.stl": ascii_stl().replace(b"outer loop", b"outer lop", 1),
    "ascii garbage between.stl": ascii_stl().replace(b"endfacet\n", b"endfacet\nhello\n", 1),
    "ascii garbage after.stl": ascii_stl() + b"hello\n",
    "utf-16.stl": ascii_stl().decode().encode("utf-16"),
    "ply called.stl": ply() + b" " * 90,
    "stl called.ply": binary(),
    "stl called.obj": ascii_stl(),
    "no magic.ply": ply()[4:],
    "no format.ply": ply().replace(b"format ascii 1.0\n", b""),
    "format 2.ply": ply().replace(b"1.0", b"2.0", 1),
    "format odd.ply": ply().replace(b"ascii", b"binary_middle"),
    "two formats.ply": ply().replace(b"1.0\n", b"1.0\nformat ascii 1.0\n", 1),
    "header without end.ply": ply().split(b"end_header")[0],
    "header only.ply": ply().split(b"end_header")[0] + b"end_header\n",
    "no vertex.ply": b"ply\nformat ascii 1.0\nelement face 0\n"
    b"property list uchar int vertex_indices\nend_header\n",
    "no face.ply": b"ply\nformat ascii 1.0\nelement vertex 1\nproperty float x\n"
    b"property float y\nproperty float z\nend_header\n0 0 0\n",
    "cloud.ply": ply(polygons=[]),
    "vertex twice.ply": ply().replace(
        b"element face", b"element vertex 1\nproperty float x\nelement face"
    ),
    "no z.ply": ply().replace(b"property float z\n", b""),
    "x twice.ply": ply().replace(b"property float z", b"property float x"),
    "huge count.ply": ply().replace(b"element vertex 4", b"element vertex 99999999999999999999"),
    "negative count.ply": ply().replace(b"element vertex 4", b"element vertex -4"),
    "count with a unit.ply": ply().replace(b"element vertex 4", b"element vertex 4k"),
    "odd type.ply": ply().replace(b"property float x", b"property half x"),
    "property first.ply": b"ply\nformat ascii 1.0\nproperty float x\nend_header\n",
    "float list length.ply": ply().replace(b"list uchar int", b"list float int"),
    "float index.ply": ply().replace(b"list uchar int", b"list uchar float"),
    "index too large.ply": ply().replace(b"3 1 2 3", b"3 1 2 4"),
    "index negative.ply": ply().replace(b"3 1 2 3", b"3 1 2 -3"),
    "index a word.ply": ply().replace(b"3 1 2 3", b"3 1 2 x"),
    "index a fraction.ply": ply().replace(b"3 1 2 3", b"3 1 2 3.0"),
    "row too long.ply": ply().replace(b"3 1 2 3", b"3 1 2 3 0"),
    "row too short.ply": ply().replace(b"3 1 2 3", b"3 1 2"),
    "row cut.ply": cut(ply(), 3),
    "face cut.ply": cut(ply(), 9),
    "decimal comma.ply": ply().replace(b"8 0 0", b"8,0 0 0"),
    "nan.ply": ply().replace(b"8 0 0", b"nan 0 0"),
    "inf.ply": ply().replace(b"8 0 0", b"inf 0 0"),
    "two corners.ply": ply(polygons=[[0, 1]]),
    "little cut.ply": cut(ply("binary_little_endian"), 1),
    "big cut.ply": cut(ply("binary_big_endian"), 20),
    "little cut in corners.ply": cut(ply("binary_little_endian"), 70),
    "little nan.ply": ply("binary_little_endian").replace(
        struct.pack("<f", 8.0), struct.pack("<f", np.nan), 1
    ),
    "little index.ply": ply("binary_little_endian", polygons=[[0, 1, 9]]),
    "little wrong order.ply": ply("binary_big_endian").replace(b"big", b"little"),
    "mixed cut.ply": cut(ply("binary_little_endian", polygons=[[0, 2, 1], [0, 1, 2, 3]]), 1),
    "no faces.obj": obj(["# nothing"]),
    "no corners.obj": b"f 1 2 3\n",
    "index zero.obj": obj(["f 0 1 2"]),
    "index too large.obj": obj(["f 1 2 9"]),
    "index too negative.obj": obj(["f -9 -1 -2"]),
    "index a word.obj": obj(["f a b c"]),
    "index a fraction.obj": obj(["f 1.0 2.0 3.0"]),
    "two corners.obj": obj(["f 1 2"]),
    "corner short.obj": obj(corner="v {} {}"),
    "corner word.obj": obj(corner="v {} {} z"),
    "corner nan.obj": obj(corner="v {} {} nan"),
    "corner comma.obj": obj().replace(b"v 8 0 0", b"v 8,0 0 0"),
    "corner underscore.obj": obj().replace(b"v 8 0 0", b"v 8_0 0 0"),
    "weight 2.obj": obj(corner="v {} {} {} 2"),
    "odd word.obj": obj(head="curv2 1 2"),
    "cut in a word.obj": obj() + b"fa",
    "not packed.stl.gz": binary(),
    "cut packed.stl.gz": cut(gzip.compress(binary()), 4),
    "rubbish after packed.stl.gz": gzip.compress(binary()) + b"rubbish",
    "nothing packed.stl.gz": gzip.compress(b""),
    "no kind": binary(),
    "kind.txt": binary(),
    "only.gz": gzip.compress(binary()),
}


def test_the_corpus_is_large_enough():
    assert len(GOOD) + len(BAD) >= 140


@pytest.mark.parametrize("name", list(BAD))
def test_bad_files_give_one_error_that_names_the_file(tmp_path, name):
    (tmp_path / name).write_bytes(BAD[name])
    with pytest.raises(MeshError) as caught:
        read_mesh(tmp_path / name, name=f"scans/{name}")
    assert len(caught.value.findings) == 1
    assert f"scans/{name}" in caught.value.where
    assert caught.value.message


def test_a_fault_in_text_names_its_line_and_in_bytes_its_byte(tmp_path):
    (tmp_path / "a.stl").write_bytes(BAD["ascii word.stl"])
    with pytest.raises(MeshError) as caught:
        read_mesh(tmp_path / "a.stl")
    line = BAD["ascii word.stl"].decode().splitlines().index("vertex x 0 0") + 1
    assert caught.value.where == f"a.stl:{line}"
    (tmp_path / "b.stl").write_bytes(BAD["nan corner.stl"])
    with pytest.raises(MeshError, match="triangle 1 has") as caught:
        read_mesh(tmp_path / "b.stl")
    assert caught.value.where == "b.stl, byte 84"


def test_folders_links_to_nothing_and_pipes_are_refused(tmp_path):
    (tmp_path / "folder.stl").mkdir()
    (tmp_path / "link.stl").symlink_to(tmp_path / "nothing.stl")
    os.mkfifo(tmp_path / "pipe.stl")
    for name in ("folder.stl", "link.stl", "pipe.stl", "nothing.stl"):
        with pytest.raises(MeshError):
            read_mesh(tmp_path / name)


def test_unpacking_is_bounded(tmp_path):
    (tmp_path / "bomb.stl.gz").write_bytes(gzip.compress(bytes(50_000_000)))
    with pytest.raises(MeshError, match="larger than 1 MB"):
        read_mesh(tmp_path / "bomb.stl.gz", max_bytes=1_000_000)
    (tmp_path / "large.stl").write_bytes(bytes(2_000_000))
    with pytest.raises(MeshError, match="larger than 1 MB"):
        read_mesh(tmp_path / "large.stl", max_bytes=1_000_000)


@pytest.mark.parametrize(
    ("scale", "shift", "code"),
    [(0.001, 0, "unit-suspect"), (100, 0, "unit-suspect"), (1, 40_000, "far-away")],
)
def test_size_and_place_that_look_odd_are_told(tmp_path, scale, shift, code):
    (tmp_path / "a.stl").write_bytes(binary(corners=CORNERS * scale + shift))
    assert code in {f.code for f in read_mesh(tmp_path / "a.stl").findings}


def test_units_scale_to_millimetres(tmp_path):
    (tmp_path / "a.stl").write_bytes(binary(corners=CORNERS / 25.4))
    mesh = read_mesh(tmp_path / "a.stl", length_unit="inch")
    assert np.ptp(mesh.vertices_mm, axis=0) == pytest.approx([8, 8, 8], rel=1e-6)


def test_pieces_and_inside_out_are_told(tmp_path):
    two = np.vstack([CORNERS, CORNERS + 20])
    (tmp_path / "a.stl").write_bytes(binary(corners=two, faces=np.vstack([FACES, FACES + 4])))
    assert {f.code for f in read_mesh(tmp_path / "a.stl").findings} == {"pieces"}
    (tmp_path / "b.stl").write_bytes(binary(faces=FACES[:, ::-1]))
    assert {f.code for f in read_mesh(tmp_path / "b.stl").findings} == {"inside-out"}


def test_the_digest_sees_the_triangles_not_the_file(tmp_path):
    (tmp_path / "a.stl").write_bytes(binary(b"one", faces=FACES[::-1]))
    (tmp_path / "b.ply").write_bytes(ply())
    (tmp_path / "c.stl").write_bytes(binary(corners=CORNERS * 1.0001))
    a, b, c = (triangle_digest(read_mesh(tmp_path / n)) for n in ("a.stl", "b.ply", "c.stl"))
    assert a == b != c


SEEDS = [
    ("m.stl", binary()), ("m.stl", ascii_stl("x")), ("m.ply", ply()), ("m.obj", obj()),
    ("m.ply", ply("binary_little_endian")), ("m.ply", quad_ply()),
    ("m.stl.gz", GOOD["packed.stl.gz"]),
]  # fmt: skip


@st.composite
def mutated(draw):
    name, data = draw(st.sampled_from(SEEDS))
    out = bytearray(data)
    for _ in range(draw(st.integers(1, 5))):
        at = draw(st.integers(0, max(len(out) - 1, 0)))
        match draw(st.sampled_from(["flip", "cut", "insert", "digit"])):
            case "flip" if out:
                out[at] = draw(st.integers(0, 255))
            case "cut":
                del out[at : at + draw(st.integers(1, 60))]
            case "insert":
                out[at:at] = draw(st.binary(max_size=12))
            case "digit" if out:
                out[at] = draw(st.sampled_from(list(b"0123456789-+.e \n/#")))
    return name, bytes(out)


@settings(
    max_examples=400,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(mutated())
def test_mutated_files_give_a_sound_mesh_or_an_error(tmp_path, case):
    name, data = case
    (tmp_path / name).write_bytes(data)
    try:
        mesh = read_mesh(tmp_path / name)
    except MeshError:
        return
    assert len(mesh.faces)
    assert np.isfinite(mesh.vertices_mm).all()
    assert mesh.faces.min() >= 0
    assert mesh.faces.max() < len(mesh.vertices_mm)
    p = mesh.vertices_mm[mesh.faces]
    area = np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1)
    assert (area > 0).all()
