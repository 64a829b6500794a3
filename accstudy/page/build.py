"""Finished tables and thinned scans to one HTML file that needs no network.

The text is written here, so that it can be read without a program; what is drawn and
sorted is data that the page's program shows. Nothing is computed: a number on the page is
a cell of a results table, rounded when it is printed.
"""

from __future__ import annotations

import base64
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from importlib import resources
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.errors import OutputError
from accstudy.mesh.model import Mesh
from accstudy.words.names import pair_name

LARGEST_BYTES = 8_000_000
"""A page larger than this is not written."""

_PARTS = ("page.js", "overview.js", "scan.js", "charts.js")

MARKS = {
    "verified": '<rect x="1" y="1" width="18" height="18" rx="3"/>'
    '<path class="cut" d="M5 10.5l3.5 3.5L15 6.5"/>',
    "not-verified": '<circle class="line" cx="10" cy="10" r="8.2" stroke-dasharray="3.2 2.3"/>'
    '<path class="line" d="M7.4 8.2a2.7 2.7 0 1 1 3.6 2.5q-1 .4-1 1.6"/>'
    '<circle cx="10" cy="14.8" r="1.2"/>',
    "nonconformity": '<path d="M10 .5L19.5 10 10 19.5.5 10z"/>'
    '<path class="cut" d="M6.8 6.8l6.4 6.4M13.2 6.8l-6.4 6.4"/>',
    "signal": '<path d="M10 1.5L19.5 18.5H.5z"/><path class="cut" d="M10 7.5v5M10 14.6v1.6"/>',
    "steady": '<circle class="line" cx="10" cy="10" r="8.2"/><path class="line" d="M5.5 10h9"/>',
}
"""Shapes that stand beside the words of a verdict or state, as SVG in a box of 20."""

_UNNAMED = '<span class="read">what</span>'
_STYLES = {"b": "strong", "accent": "strong", "i": "em", "sub": "sub"}

_PAIRS = (
    "scan", "implant_a", "implant_b", "span_mm", "path_mm", "distance_um", "angle_deg",
    "relative_axis_deg",
)  # fmt: skip
_SINGLES = (
    "scan", "implant", "dx_um", "dy_um", "dz_um", "mesiodistal_um", "buccolingual_um",
    "vertical_um", "distance_um", "angle_deg",
)  # fmt: skip
_ACCURACY = (
    "condition", "model", "measurand", "subject", "span_mm", "path_mm", "bias", "bias_low",
    "bias_high", "s_r", "s_I", "n_scans", "n_cells",
)  # fmt: skip
_POINTS = ("value", "centre", "lower", "upper", "signal", "baseline")
_HELD = ("mean_um", "bound_um", "limit_um", "verdict", "implant_a", "implant_b")
_SIGNALS = (
    "measurand", "kind", "chart", "at", "stands", "size", "size_low", "size_high", "event",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class PageContent:
    """What a page shows.

    Parameters
    ----------
    title, kind, subtitle : str
        Title of the study, name of its report, and how much was scanned.
    answer : sequence of Text
        Sentences of the report's first page.
    tables : sequence of dict
        Tables of the report's first page, as blocks of a report; that of the verdicts first.
    identity : sequence of (str, Text)
        Who, with what, when, by which version, from which record.
    cautions : sequence of str
        Limits of use.
    alignment : str
        Alignment in which single implants are shown.
    scans : DataFrame
        Table ``scans`` with ``condition``, and ``without``: why there is no result, or empty.
    pairs, singles, accuracy : DataFrame
        Tables ``pair_deviations``, ``implant_deviations`` of that alignment and ``accuracy``.
    implants : mapping of str to DataFrame
        Reference rows of each model, in arch order.
    meshes : mapping of str to Mesh
        Thinned scans in the reference frame, for some scans or none.
    limits : mapping of str to float
        Limits of the user's by column of `pairs`.
    facts : mapping of str to sequence of (str, float, str)
        Of a scan: what, how much and in which unit.
    drift : mapping
        Of a drift study: ``devices`` (dicts of ``name``, ``device``, ``model``, ``measurand``
        and ``chart`` to begin with, ``points``, ``signals``, ``held``, ``events``:
        rows of the tables; ``gaps``: a function from dates to the positions that a gap
        follows) and ``groups``, as (name, charts) drawn together.
    against, word, confidence : str
        What scans are compared with, what the results are called, and the confidence of
        intervals as printed.
    between : (str, str, str)
        What a standard deviation with the spread between cells is called, its index, and the
        factors in which cells differ.
    """

    title: str
    kind: str
    subtitle: Any
    answer: Sequence[Any]
    tables: Sequence[Mapping[str, Any]]
    identity: Sequence[tuple[str, Any]]
    cautions: Sequence[str]
    alignment: str
    scans: pd.DataFrame
    pairs: pd.DataFrame
    singles: pd.DataFrame
    accuracy: pd.DataFrame
    implants: Mapping[str, pd.DataFrame]
    meshes: Mapping[str, Mesh] = field(default_factory=dict)
    limits: Mapping[str, float] = field(default_factory=dict)
    facts: Mapping[str, Sequence[tuple[str, float, str]]] = field(default_factory=dict)
    drift: Mapping[str, Any] = field(default_factory=dict)
    against: str = "the reference"
    word: str = "deviation"
    confidence: str = "95 %"
    between: tuple[str, str, str] = ("intermediate precision", "I", "operator and session")


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
        ``file://`` address and asks the network for nothing. The library for 3D views
        comes with it only where there are surfaces to show.

    Raises
    ------
    OutputError
        If it would be larger than 8 MB.
    """
    here = resources.files("accstudy.page")

    def read(name: str) -> str:
        return (here / name).read_text(encoding="utf-8")

    program = '"use strict";\n(() => {\n' + "\n".join(map(read, _PARTS)) + "\n})();"
    library = read("vendor/three.min.js") if content.meshes else ""
    data = json.dumps(_data(content), ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    # a "<" in the data could end the script element it stands in
    data = data.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
    first, *rest = content.answer or [""]
    tables = "".join(_table(block) for block in content.tables)
    parts = {
        "TITLE": escape(content.title),
        "KIND": escape(content.kind),
        "SUBTITLE": _runs(content.subtitle),
        "LEAD": _runs(first),
        "ANSWER": "".join(f"<p>{_runs(said)}</p>" for said in rest),
        "TABLES": tables,
        "FIRST": "Verdicts" if 'class="mark ' in tables else "Results",
        "CAUTIONS": "".join(f"<li>{escape(said)}</li>" for said in content.cautions),
        "IDENTITY": "".join(
            f"<div><dt>{escape(name)}</dt><dd>{_runs(said) or 'not stated'}</dd></div>"
            for name, said in content.identity
        ),
        "STYLE": read("page.css"),
        "DATA": data,
        "LIBRARY": library.replace("</script", "<\\/script"),
        "PROGRAM": program.replace("</script", "<\\/script"),
    }
    pieces = read("page.html").split("@@")  # every second one is a name: text is put in once
    page = "".join(parts[piece] if k % 2 else piece for k, piece in enumerate(pieces))
    out = page.encode("utf-8")
    if len(out) > LARGEST_BYTES:
        raise OutputError(
            f"the page would have {len(out) / 1e6:.1f} MB",
            hint="the page is intended for small studies; use the result tables",
        )
    return out


def _runs(text: Any) -> str:
    """Text of a report as HTML, a shape before each verdict."""
    if isinstance(text, str):
        return escape(text)
    if not isinstance(text, Mapping):
        return "".join(_runs(run) for run in text)
    said = escape(str(text.get("t", "")))
    tag = _STYLES.get(str(text.get("s", "")))
    accent = ' class="accent"' if text.get("s") == "accent" else ""
    said = f"<{tag}{accent}>{said}</{tag}>" if tag else said
    mark = str(text.get("mark", ""))
    if mark not in MARKS:
        return said
    shape = f'<svg viewBox="0 0 20 20" aria-hidden="true">{MARKS[mark]}</svg>'
    return f'<span class="mark {mark}">{shape}<span>{said}</span></span>'


def _table(block: Mapping[str, Any]) -> str:
    """Table of a report; on a narrow screen a row becomes a card, which its roles survive."""
    columns = block["columns"]
    titles = [_runs(c["title"]) for c in columns]
    heads = "".join(
        f'<th role="columnheader" scope="col" class="{escape(c["align"])}">{title or _UNNAMED}</th>'
        for c, title in zip(columns, titles, strict=True)
    )
    rows, first = [], ""
    for row in block["rows"]:
        cells = []
        first = _runs(row[0]) or first
        own = first if row[0] else f'<span class="again">{first}</span>'  # as the row above
        for k, (column, cell) in enumerate(zip(columns, row, strict=True)):
            tag, role = ("th", 'rowheader" scope="row') if k == 0 else ("td", "cell")
            label = f'<span class="label" aria-hidden="true">{titles[k]}</span>' if k else ""
            cells.append(
                f'<{tag} role="{role}" class="{escape(column["align"])}">{label}'
                f"<span>{_runs(cell) if k else own}</span></{tag}>"
            )
        rows.append(f'<tr role="row">{"".join(cells)}</tr>')
    return (
        f'<table role="table" class="told"><caption>{_runs(block["caption"])}</caption>'
        f'<thead role="rowgroup"><tr role="row">{heads}</tr></thead>'
        f'<tbody role="rowgroup">{"".join(rows)}</tbody></table>'
    )


def _data(content: PageContent) -> dict[str, object]:
    order = {name: k for k, name in enumerate(content.scans["scan"])}
    return {
        "alignment": content.alignment,
        "against": content.against,
        "word": content.word,
        "confidence": content.confidence,
        "between": dict(zip(("name", "index", "factors"), content.between, strict=True)),
        "limits": dict(content.limits),
        "models": {
            model: [
                {
                    "name": row["implant"],
                    "at": _numbers([row["x_mm"], row["y_mm"], row["z_mm"]]),
                    "axis": _numbers([row["axis_x"], row["axis_y"], row["axis_z"]]),
                }
                for row in rows.to_dict("records")
            ]
            for model, rows in content.implants.items()
        },
        "scans": [
            {
                "name": row["scan"],
                "model": row["model"],
                "condition": row["condition"],
                "at": _day(row.get("measured_at")),
                "device": _text(row.get("device")),
                "session": _text(row.get("session")),
                "without": row["without"],
                "facts": [[w, *_numbers([v]), u] for w, v, u in content.facts.get(row["scan"], ())],
            }
            for row in content.scans.to_dict("records")
        ],
        "pairs": _columns(content.pairs, _PAIRS, order),
        "singles": _columns(content.singles, _SINGLES, order),
        "accuracy": _columns(_with_names(content.accuracy), _ACCURACY, {}),
        "meshes": {scan: _packed(mesh) for scan, mesh in content.meshes.items()},
        "groups": [[name, list(charts)] for name, charts in content.drift.get("groups", ())],
        "devices": [_device(one) for one in content.drift.get("devices", ())],
    }


def _with_names(accuracy: pd.DataFrame) -> pd.DataFrame:
    """Rows about pairs, which are named as in print."""
    return accuracy.assign(subject=accuracy["subject"].map(pair_name))


def _device(one: Mapping[str, Any]) -> dict[str, object]:
    """Charts of a device; sessions once, to which every series points."""
    points, held = one["points"], one["held"]
    both = pd.concat([t[["session", "at"]] for t in (points, held) if len(t)] or [points])
    both = both.drop_duplicates().sort_values("at", kind="stable")
    number = {key: k for k, key in enumerate(zip(both["session"], both["at"], strict=True))}
    series = []
    for (measurand, chart, unit), rows in points.groupby(
        ["measurand", "chart", "shown_unit"], sort=False
    ):
        where = [number[key] for key in zip(rows["session"], rows["at"], strict=True)]
        series.append(
            {"measurand": measurand, "chart": chart, "unit": unit, "of": where}
            | _columns(rows, _POINTS, {})
        )
    return {
        "name": one["name"],
        "device": one["device"],
        "model": one["model"],
        "measurand": one["measurand"],
        "chart": one["chart"],
        "gaps": one["gaps"](both["at"].reset_index(drop=True)),
        "sessions": [[str(s), str(pd.Timestamp(at).isoformat())] for s, at in number],
        "series": series,
        "held": {
            "of": [number[key] for key in zip(held["session"], held["at"], strict=True)],
            **_columns(held, _HELD, {}),
        }
        if len(held)
        else {},
        "signals": _columns(one["signals"], _SIGNALS, {}),
        "events": [[_day(r["at"]), str(r["kind"])] for r in one["events"].to_dict("records")],
    }


def _columns(
    frame: pd.DataFrame, wanted: Sequence[str], order: Mapping[str, int]
) -> dict[str, list[object]]:
    """Columns as lists: scans by their number, numbers as they stand in the table."""
    out: dict[str, list[object]] = {}
    for name in wanted:
        if name not in frame:
            continue
        column = frame[name]
        if name == "scan":
            out[name] = [order[str(v)] for v in column]
        elif pd.api.types.is_bool_dtype(column):
            out[name] = [int(v) for v in column.fillna(False)]
        elif pd.api.types.is_datetime64_any_dtype(column):
            out[name] = [_day(v) for v in column]
        elif pd.api.types.is_numeric_dtype(column):
            out[name] = _numbers(column)
        else:
            out[name] = [_text(v) for v in column]
    return out


def _text(value: Any) -> str:
    return "" if value is None or pd.isna(value) else str(value)


def _day(at: Any) -> str:
    return "" if at is None or pd.isna(at) else pd.Timestamp(at).date().isoformat()


def _numbers(values: object) -> list[object]:
    """Numbers to the six decimals of the tables; whole ones short, missing ones null."""
    array = np.asarray(values, dtype=float)
    rounded = [round(float(v), 6) + 0.0 if math.isfinite(v) else None for v in array]
    return [int(v) if v is not None and v == int(v) else v for v in rounded]


def _packed(mesh: Mesh) -> dict[str, object]:
    """Corners as 16-bit steps of the mesh's own box, faces as indices, in base 64."""
    low = mesh.vertices_mm.min(axis=0)
    step = np.maximum((mesh.vertices_mm.max(axis=0) - low) / 65535.0, 1e-9)
    corners = np.round((mesh.vertices_mm - low) / step).astype("<u2")
    wide = len(corners) > 65535
    return {
        "low": _numbers(low),
        "step": [float(s) for s in step],
        "corners": _base64(corners),
        "faces": _base64(mesh.faces.astype("<u4" if wide else "<u2")),
        "wide": wide,
    }


def _base64(array: NDArray[np.integer]) -> str:
    return base64.b64encode(np.ascontiguousarray(array).tobytes()).decode("ascii")
