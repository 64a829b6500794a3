"""Tables and thinned scans to one HTML file that needs no network."""

from __future__ import annotations

import base64
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.errors import OutputError
from accstudy.mesh.model import Mesh

__all__ = ["LARGEST_BYTES", "PageContent", "build_page"]

LARGEST_BYTES = 8_000_000
"""A page larger than this is not written."""


@dataclass(frozen=True, slots=True)
class PageContent:
    """What a page shows.

    Parameters
    ----------
    title : str
        Title of the study.
    answer : str
        The report's first sentence.
    cautions : tuple of str
        Limits of use.
    alignment : str
        Alignment in which single implants are shown.
    scans : DataFrame
        Table ``scans``.
    pairs : DataFrame
        Table ``pair_deviations``.
    singles : DataFrame
        Table ``implant_deviations`` of that alignment.
    implants : mapping of str to DataFrame
        Reference rows of each model, in arch order.
    meshes : mapping of str to Mesh
        Thinned scans in the reference frame, for some scans or none.
    against, word : str
        What scans are compared with, and what the results are called.
    """

    title: str
    answer: str
    cautions: tuple[str, ...]
    alignment: str
    scans: pd.DataFrame
    pairs: pd.DataFrame
    singles: pd.DataFrame
    implants: Mapping[str, pd.DataFrame]
    meshes: Mapping[str, Mesh]
    against: str = "the reference"
    word: str = "deviation"


def build_page(content: PageContent) -> bytes:
    """Write the page.

    Parameters
    ----------
    content : PageContent
        What it shows.

    Returns
    -------
    bytes
        HTML in UTF-8 with styles, programs and data inside; it opens from a
        ``file://`` address and asks the network for nothing.

    Raises
    ------
    OutputError
        If it would be larger than 8 MB.
    """
    here = resources.files("accstudy.page")
    template = (here / "page.html").read_text(encoding="utf-8")
    program = (here / "page.js").read_text(encoding="utf-8")
    library = (here / "vendor" / "three.min.js").read_text(encoding="utf-8")
    data = json.dumps(_data(content), ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    # a "<" in the data could end the script element it stands in
    data = data.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
    page = template
    for mark, text in (("@DATA@", data), ("@PROGRAM@", program), ("@LIBRARY@", library)):
        page = page.replace(mark, text.replace("</script", "<\\/script"), 1)
    out = page.encode("utf-8")
    if len(out) > LARGEST_BYTES:
        raise OutputError(
            f"the page would have {len(out) / 1e6:.1f} MB",
            hint="the page is intended for small studies; use the result tables",
        )
    return out


def _data(content: PageContent) -> dict[str, object]:
    scans = content.pairs.drop_duplicates("scan")
    return {
        "title": content.title,
        "answer": content.answer,
        "cautions": list(content.cautions),
        "alignment": content.alignment,
        "against": content.against,
        "word": content.word,
        "models": {
            model: [
                {
                    "name": row["implant"],
                    "at": _numbers([row["x_mm"], row["y_mm"], row["z_mm"]], 4),
                    "axis": _numbers([row["axis_x"], row["axis_y"], row["axis_z"]], 6),
                }
                for row in rows.to_dict("records")
            ]
            for model, rows in content.implants.items()
        },
        "scans": [
            {"name": row["scan"], "model": row["model"], "condition": row["condition"]}
            for row in scans.to_dict("records")
        ],
        "pairs": _columns(
            content.pairs,
            {"scan": None, "implant_a": None, "implant_b": None, "span_mm": 2, "path_mm": 2,
             "distance_um": 1, "angle_deg": 3, "relative_axis_deg": 3},
        ),
        "singles": _columns(
            content.singles,
            {"scan": None, "implant": None, "dx_um": 1, "dy_um": 1, "dz_um": 1, "distance_um": 1,
             "angle_deg": 3, "mesiodistal_um": 1, "buccolingual_um": 1, "vertical_um": 1},
        ),
        "meshes": {scan: _packed(mesh) for scan, mesh in content.meshes.items()},
    }  # fmt: skip


def _columns(frame: pd.DataFrame, wanted: Mapping[str, int | None]) -> dict[str, list[object]]:
    return {
        name: list(frame[name].astype(str)) if digits is None else _numbers(frame[name], digits)
        for name, digits in wanted.items()
        if name in frame
    }


def _numbers(values: object, digits: int) -> list[object]:
    array = np.asarray(values, dtype=float)
    return [round(float(v), digits) + 0.0 if math.isfinite(v) else None for v in array]


def _packed(mesh: Mesh) -> dict[str, object]:
    """Corners as 16-bit steps of the mesh's own box, faces as indices, in base 64."""
    low = mesh.vertices_mm.min(axis=0)
    step = np.maximum((mesh.vertices_mm.max(axis=0) - low) / 65535.0, 1e-9)
    corners = np.round((mesh.vertices_mm - low) / step).astype("<u2")
    wide = len(corners) > 65535
    return {
        "low": _numbers(low, 5),
        "step": [float(s) for s in step],
        "corners": _base64(corners),
        "faces": _base64(mesh.faces.astype("<u4" if wide else "<u2")),
        "wide": wide,
    }


def _base64(array: NDArray[np.integer]) -> str:
    return base64.b64encode(np.ascontiguousarray(array).tobytes()).decode("ascii")
