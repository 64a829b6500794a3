"""Bounds that hold before a file is parsed, and plain OBJ lines that are read in blocks."""

import gzip
import struct
import time

import numpy as np
import pytest

import accstudy.mesh.obj
from accstudy.errors import MeshError
from accstudy.mesh.obj import read_obj
from accstudy.mesh.raw import LONGEST_LINE
from accstudy.mesh.read import mesh_of
from accstudy.mesh.source import source_of

CORNERS = b"v 0 0 0\nv 1 0 0\nv 0 1 0\n"
PLY = (
    b"ply\nformat %s 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\n"
    b"element face %d\nproperty list uint int vertex_indices\nend_header\n"
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
def test_blocks_give_what_single_lines_give(monkeypatch, name):
    def read():
        try:
            raw = read_obj(source_of(TEXTS[name], name="a.obj"))
        except MeshError as error:
            return str(error)
        return raw.corners.tolist(), raw.faces.tolist(), raw.findings

    fast = read()
    monkeypatch.setattr(accstudy.mesh.obj, "_kept", lambda *_: False)
    assert fast == read()


def test_a_line_may_be_long_but_not_without_end():
    text = CORNERS + b"# " + b"x" * (LONGEST_LINE - 10) + b"\nf 1 2 3\n"
    assert len(read_obj(source_of(text, name="a.obj")).faces) == 1
    with pytest.raises(MeshError, match="a line has more than"):
        read_obj(source_of(text.replace(b"x", b"xx"), name="a.obj"))
