"""Bounds that hold before a file is parsed, and plain OBJ lines that are read in blocks."""

import contextlib
import gzip
import re
import struct
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import accstudy.mesh.model
from accstudy.errors import MeshError
from accstudy.mesh.model import LONGEST_LINE, source_of
from accstudy.mesh.read import mesh_of
from accstudy.mesh.stl_obj import read_obj

CORNERS = b"v 0 0 0\nv 1 0 0\nv 0 1 0\n"
PLY = (
    b"ply\nformat %s 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\n"
    b"element face %d\nproperty list uint int vertex_indices\nend_header\n"
)


PLY_HEAD = (
    b"ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\n"
    b"property float z\n%selement face 1\nproperty list uchar int vertex_indices\nend_header\n"
)


def small_files():
    """Up to 2 MB on the disk, each of them hours or gigabytes where nothing is bounded."""
    zeros = bytes(80) + struct.pack("<I", 1_000_000) + bytes(50_000_000)
    polygon = CORNERS + b"f " + b"1 2 3 " * 3_000_000 + b"\n"
    return {
        "polygon.obj.gz": gzip.compress(polygon, 1),
        "faces.obj.gz": gzip.compress(CORNERS + b"f 1 2 3\n" * 3_000_000, 1),
        "zeros.stl.gz": gzip.compress(zeros, 1),
        "zeros.ply.gz": gzip.compress(PLY % (b"binary_little_endian", 1) + bytes(50_000_000), 1),
        "polygon.obj": polygon[:2_000_000],
        "joined.obj": CORNERS + b"f 1 2 3\\\n" * 200_000,
        "polygon.ply": PLY % (b"binary_little_endian", 1)
        + bytes(36)
        + struct.pack("<I", 490_000)
        + bytes(1_960_000),
        "line.ply": PLY % (b"ascii", 1) + b"0 0 0\n" * 3 + b"900000 " + b"0 " * 900_000 + b"\n",
        "properties.ply": PLY_HEAD % b"".join(b"property float a%d\n" % k for k in range(9_900))
        + (b"0 " * 9_903 + b"\n") * 3,
    }


@pytest.mark.parametrize("name", list(small_files()))
def test_a_small_file_ends_soon_with_an_answer(name):
    data = small_files()[name]
    assert len(data) <= 2_000_000
    start = time.process_time()
    with pytest.raises(MeshError) as caught:
        mesh_of(data, name=name)
    assert time.process_time() - start < 5.0  # far above what it takes
    assert name in caught.value.where


ROW = {
    "corners.obj": b"v 1 2 3.5\n",
    "squares.obj": b"f 1 2 3 1\n",
    "backwards.obj": b"f -1 -2 -3\n",
    "both.obj": b"v 1 2 3.5\nf -1 -2 -3\n",
    "nothing.obj": b"\n",
    "groups.obj": b"g\n",
    "comments.obj": b"#\n",
    "joined.obj": b"f 1\\\n 2 3\n",
    "polygons.obj": b"f " + b"1 2 3 " * 3_333 + b"\n",
    "solids.stl": b"solid\nendsolid\n",
    "normals.stl": b"facet normal 1.#IND nan 0 outer loop " + b"vertex 1 2 3 " * 3
    + b"endloop endfacet\n",
    "mixed.ply": b"3 0 1 2\n4 0 1 2 0\n",
    "blank.ply": b"\n",
}  # fmt: skip


@pytest.mark.parametrize("name", list(ROW))
def test_short_lines_take_no_longer_than_their_bytes(name):
    """A file of 2 MB may unpack to 20 MB; a tenth of that is read here."""
    unit, size = ROW[name], 2_000_000
    n = size // len(unit)
    head = CORNERS if name.endswith("obj") else b"solid\n" if "normals" in name else b""
    if name.endswith("ply"):
        head = PLY % (b"ascii", 2 * n if "mixed" in name else 1) + b"0 0 0\n0 1 0\n1 0 0\n"
    tail = b"endsolid\n" if "normals" in name else b"3 0 1 2\n" if "blank" in name else b""
    start = time.process_time()
    with contextlib.suppress(MeshError):
        mesh_of(head + unit * n + tail, name=name)
    assert time.process_time() - start < 1.0  # a tenth of the 10 s that a file may take


def test_a_scan_that_packs_well_is_read():
    rng = np.random.default_rng(1)
    points = np.round(rng.normal(0, 20, (9_000, 3)), 2)
    lines = [b"v %.2f %.2f %.2f\n" % tuple(p) for p in points]
    lines += [b"f %d %d %d\n" % (k, k + 1, k + 2) for k in range(1, 8_998)]
    text = b"".join(lines) * 1
    packed = gzip.compress(text)
    assert len(mesh_of(packed, name="a.obj.gz").faces) > 8_000


PLAIN = b"".join(b"v %d.5 -1e-3 +%d\n" % (k, k * k) for k in range(40))
TEXTS = {
    "plain": PLAIN + b"f 1 2 3\nf 4 5 6\n",
    "textured": PLAIN + b"vn 0 0 1\nvt 0 0\nf 1/1/1 2//2 3/3\nf 4 5 6\n",
    "interleaved": b"f 1 2 3\n" + PLAIN + b"f 4 5 6\n# a note\ng name\n" + PLAIN,
    "quads": PLAIN + b"f 1 2 3 4\nf 5 6 7\n",
    "relative": PLAIN + b"f -1 -2 -3\n" + b"v 1 2 3\nf -1 -2 -3\n",
    "colours": b"v 0 0 0 0.1 0.2 0.3\n" + PLAIN + b"f 1 2 3\n",
    "joined": PLAIN + b"f 1 2 \\\n3\n",
    "windows": (PLAIN + b"f 1 2 3\n").replace(b"\n", b"\r\n"),
    "no end": PLAIN + b"f 1 2 3",
    "zero": PLAIN + b"f 0 1 2\n",
    "two": PLAIN + b"f 1 2\nf 1 2 3 4\n",
    "far": PLAIN + b"f 1 2 99\n",
    "word": PLAIN + b"v 1 2 e\nf 1 2 3\n",
    "underscore": PLAIN + b"v 1_0 2 3\nf 1 2 3\n",
    "infinite": PLAIN + b"v 1e999 2 3\nf 1 2 3\n",
    "other": PLAIN + b"f 1 2 3\nxyz 1\n",
    "marks": PLAIN + b"v v v v\nf 1 2 3\n",
    "long": PLAIN + b"f 1 2 99999999999999999999\n",
}


@pytest.mark.parametrize("name", list(TEXTS))
def test_blocks_of_any_size_give_the_same(monkeypatch, name):
    def read():
        try:
            raw = read_obj(source_of(TEXTS[name], name="a.obj"))
        except MeshError as error:
            return str(error)
        return raw.corners.tolist(), raw.faces.tolist(), raw.findings

    whole = read()
    assert "lines cannot be read" not in str(whole)  # every refused line has an error of its own
    for size in (1, 40, 100):
        monkeypatch.setattr(accstudy.mesh.model, "_BLOCK", size)
        assert read() == whole


WORDS = st.sampled_from([
    b"v", b"f", b"g", b"vn", b"#", b"\\\n", b"\n", b" ", b"1", b"-1", b"2", b"3.5",
                         b"1/2", b"/1", b"1//3", b"0", b"1e400", b"nan", b"x", b"1-2", b"+1", b"4",
                         b"\r\n", b"\t", b"_1", b"99999999999999999999"])  # fmt: skip


def by_hand(text):
    """Corners and triangles of OBJ text, line by line; None where a line is wrong."""
    points, faces = [], []
    for line in re.sub(rb"\\\r*\n", b" ", text).split(b"\n"):
        word, *rest = line.partition(b"#")[0].split() or [b"g"]
        try:
            if word == b"v":
                numbers = [float(w) for w in rest]
                if len(rest) not in (3, 4, 6, 7) or not np.isfinite(numbers[:3]).all():
                    return None
                if b"_" in line or (len(rest) == 4 and numbers[3] != 1):
                    return None
                points.append(numbers[:3])
            elif word == b"f":
                first = [w.split(b"/")[0] for w in rest]
                if any(w.startswith(b"+") or b"_" in w for w in first):
                    return None
                index = [int(w) - 1 if int(w) > 0 else len(points) + int(w) for w in first]
                if len(index) < 3 or min(index) < 0 or b"0" in first:
                    return None
                faces += [[index[0], index[k], index[k + 1]] for k in range(1, len(index) - 1)]
            elif word not in (b"g", b"vn"):
                return None
        except ValueError:
            return None
    inside = faces and points and max(map(max, faces)) < len(points)
    return (points, faces) if inside else None


@settings(max_examples=200, deadline=None)
@given(st.lists(WORDS, max_size=20), st.booleans())
def test_an_obj_file_is_read_as_line_by_line(words, spaced):
    text = PLAIN + b"f 1 2 3\n" + (b" " if spaced else b"").join(words)
    try:
        raw = read_obj(source_of(text, name="a.obj"))
        found = raw.corners.tolist(), raw.faces.tolist()
        told = ""
    except MeshError as error:
        found, told = None, str(error)
    assert found == by_hand(text)
    assert "lines cannot be read" not in told


def test_a_line_may_be_long_but_not_without_end():
    text = CORNERS + b"# " + b"x" * (LONGEST_LINE - 10) + b"\nf 1 2 3\n"
    assert len(read_obj(source_of(text, name="a.obj")).faces) == 1
    with pytest.raises(MeshError, match="a line has more than"):
        read_obj(source_of(text.replace(b"x", b"xx"), name="a.obj"))
