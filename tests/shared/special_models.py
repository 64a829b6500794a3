"""Arrangements that are their own image, files of placed drawings, thinner bodies."""

from dataclasses import replace

import numpy as np
import pandas as pd

from accstudy.geometry.rigid import Rigid
from accstudy.mesh.model import Mesh
from accstudy.simulate.arch import frames
from accstudy.simulate.bodies import BodyShape
from accstudy.simulate.scan import SimulatedScan, poses_from_frames, random_pose
from accstudy.tables import shape

PLACES = {
    "parallel-pair": [[-10, 18, -1.4], [10, 18, -1.4]],
    "rectangle": [[-9, 12, -1.4], [-9, 28, -1.4], [9, 28, -1.4], [9, 12, -1.4]],
    "row": [[-15, 20, -1.4], [-5, 20, -1.4], [5, 20, -1.4], [15, 20, -1.4]],
    "mirror": [[-20, 8, -1.4], [-9, 27, -1.4], [9, 27, -1.4], [20, 8, -1.4]],
}


def symmetric_model(kind: str, *, marked: bool = False) -> pd.DataFrame:
    """Table ``implants`` of an arrangement that a rigid motion brings onto itself.

    Two parallel implants, four on a rectangle, four in a line: all look the same after half a
    turn. An arch whose mirror image is itself: no rigid motion confuses that one. `marked`: the
    flats break the symmetry, towards +x everywhere; else half a turn brings them onto each other.
    """
    x, y, z = np.array(PLACES[kind], float).T
    flat_x = 1.0 if marked else np.where(x < 0, 1.0, -1.0)
    implants = {"model": "M1", "implant": [f"I{i + 1}" for i in range(len(x))],
                "x_mm": x, "y_mm": y, "z_mm": z, "axis_x": 0.0, "axis_y": 0.0, "axis_z": 1.0,
                "flat_x": flat_x, "flat_y": 0.0, "flat_z": 0.0,
                "angulation_deg": 0.0, "scan_body": "default"}  # fmt: skip
    return shape("implants", pd.DataFrame(implants))


def placed_bodies(
    implants: pd.DataFrame, drawing: Mesh, *, single: bool = True, seed: int = 0
) -> SimulatedScan:
    """Make a file that holds only drawings already placed at the implants.

    `single`: round the coordinates to float32, as such files hold them.
    """
    scan_from_model = random_pose(np.random.default_rng(seed))
    placed: list[Rigid] = [scan_from_model.after(frame) for frame in frames(implants)]
    vertices = np.concatenate([place.points(drawing.vertices_mm) for place in placed])
    if single:
        vertices = vertices.astype(np.float32).astype(np.float64)
    n = len(drawing.vertices_mm)
    faces = np.concatenate([drawing.faces + n * i for i in range(len(placed))])
    truth = poses_from_frames(implants, placed, known=[True] * len(placed), scan="S1")
    part = np.repeat(np.arange(len(placed), dtype=np.int32), n)
    return SimulatedScan(Mesh(vertices, faces.astype(np.int32)), truth, scan_from_model, part)


def thinner(body: BodyShape, by_mm: float) -> BodyShape:
    """Return the shape with a diameter smaller by `by_mm`; the height stays."""
    cuts = tuple((azimuth, away - by_mm / 2) for azimuth, away in body.cuts)
    return replace(body, radius_mm=body.radius_mm - by_mm / 2, cuts=cuts)
