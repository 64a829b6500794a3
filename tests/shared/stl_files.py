"""Binary STL with the normals of its triangles, as scanners write it."""

import struct

import numpy as np

RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


def stl_bytes(vertices_mm, faces):
    """Write corners, (n, 3), and triangles, (m, 3): an empty header, single precision."""
    records = np.zeros(len(faces), RECORD)
    records["corners"] = np.asarray(vertices_mm)[faces]
    wide = records["corners"].astype(np.float64)
    normals = np.cross(wide[:, 1] - wide[:, 0], wide[:, 2] - wide[:, 0])
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    records["normal"] = normals / np.where(length > 0, length, 1.0)
    return bytes(80) + struct.pack("<I", len(faces)) + records.tobytes()
