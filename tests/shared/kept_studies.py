"""Small studies whose tables were kept (tests/reports/make_kept.py), and their pages as text."""

import functools
import json
import math
import re
import tempfile
import zipfile
from pathlib import Path

import numpy as np
from matplotlib.colors import to_hex
from matplotlib.dates import date2num

from accstudy.dictionary import read_results

FOLDER = Path(__file__).parents[1] / "reports" / "kept"
NAMES = ("one-device", "two-devices", "comparison", "drift", "precision")


@functools.cache
def kept_tables(name):
    """What is said of a study, and its tables, with their types."""
    with zipfile.ZipFile(FOLDER / f"{name}.zip") as packed, tempfile.TemporaryDirectory() as folder:
        packed.extractall(folder)
        facts = json.loads((Path(folder) / "facts.json").read_text())
        return facts, read_results(folder)


def kept(name):
    """Kind of a study and everything that its report is made from."""
    from accstudy.reports.document import ReportContent

    facts, tables = kept_tables(name)
    own = {k: v for k, v in facts.items() if k != "kind"}
    return facts["kind"], ReportContent(tables={k: t.copy() for k, t in tables.items()}, **own)


def page_text(answer, first, rest):
    """Every block of a report and every artist of its figures, a line each."""
    out = "".join(f"answer: {_text(one)}\n" for one in answer)
    return out + "".join(blocks_text(part.blocks, part.figures) for part in (first, rest))


def blocks_text(blocks, figures=()):
    """Every block, and every artist of its figures where they are given, a line each."""
    out = []
    for block in blocks:
        out += [""] if block["type"] == "heading" else []
        out += _block(block, figures)
    return "\n".join(out) + "\n"


def around_text(data, pictures, attachments):
    """What a document says beside its blocks, and the files that travel inside it."""
    named = ("title", "kind_name", "subtitle", "keywords", "description", "date", "footer")
    out = [f"{name}: {data[name]}" for name in named]
    for part, pairs in data.get("identity", {}).items():
        out += [f"{part}: {_text(key)} = {_text(value)}" for key, value in pairs]
    out += [f"pictures: {' '.join(sorted(pictures))}"]
    out += [
        f"attached: {a.name}, {a.mime}, {a.description.partition(': one row')[0]}, {_rows(a)}"
        for a in attachments
    ]
    return "\n".join(out).replace("\u00a0", "~") + "\n"


def _rows(attached):
    """How many lines a file has; all of a table that is set for LaTeX."""
    lines = attached.data.decode().splitlines()
    return "\n".join(lines) if attached.name.endswith(".tex") else f"{len(lines)} lines"


def _text(text):
    if isinstance(text, str):
        return text.replace("\u00a0", "~")
    if isinstance(text, dict):
        marks = "".join(f"[{k} {v}]" for k, v in text.items() if k != "t" and v)
        return marks + _text(text.get("t", ""))
    return "".join(_text(run) for run in text)


def _block(block, figures):
    kind = block["type"]
    flags = " ".join(k for k in ("sticky", "long", "wide", "roomy") if block.get(k))
    if kind == "table":
        columns = [f"{_text(c['title'])}:{c['align'][0]}{c['width']:g}" for c in block["columns"]]
        rows = [" | ".join(_text(cell) for cell in row) for row in block["rows"]]
        return [f"table ({flags}): {_text(block['caption'])}", "# " + " | ".join(columns), *rows]
    if kind == "figure":
        said = f"figure {block['id']} {block['width']:g} mm: {_text(block['caption'])}"
        artists = drawn(figures[block["id"]]) if figures else []
        return [said, f"alt: {block['alt']}", *artists]
    if kind == "beside":
        return ["beside:", *(line for f in block["figures"] for line in _block(f, figures))]
    inner = (
        block.get("paragraphs")
        or block.get("pairs")
        or block.get("items")
        or [block.get("text", "")]
    )
    lines = [" = ".join(map(_text, one)) if kind == "terms" else _text(one) for one in inner]
    return [f"{kind} ({flags}): {_text(block.get('heading', ''))}", *lines]


def _number(value):
    if isinstance(value, np.datetime64) or hasattr(value, "toordinal"):
        value = date2num(value)
    value = float(value)
    if not math.isfinite(value):
        return "-"
    return "0" if abs(value) < 1e-9 else f"{value:.4g}"


def _points(points):
    """The first, the last and the mean of points; all where they are few."""
    found = [(_number(x), _number(y)) for x, y in points]
    if len(found) > 6:
        columns = list(zip(*points, strict=True))
        as_dates = [
            [date2num(v) if not isinstance(v, int | float) else v for v in c] for c in columns
        ]
        means = [np.nanmean(np.asarray(c, float)) for c in as_dates]
        spread = [np.nanstd(np.asarray(c, float)) for c in as_dates]
        said = [",".join(map(_number, one)) for one in (means, spread)]
        ends = f"{','.join(found[0])} .. {','.join(found[-1])}"
        return f"{len(found)} points, {ends}, mean {said[0]}, spread {said[1]}"
    return " ".join(",".join(p) for p in found)


def _styles(artist, *names):
    out = []
    for name in names:
        value = getattr(artist, f"get_{name}")()
        if "color" in name and not isinstance(value, str):
            value = "/".join(dict.fromkeys(to_hex(c, True) for c in np.atleast_2d(value)))
        out.append(f"{value:g}" if isinstance(value, float) else str(value))
    return " ".join(out)


def drawn(figure):
    """Artists of a figure: points, text, ranges and styles."""
    width, height = (25.4 * v for v in figure.get_size_inches())
    out = [f"  {width:.0f} x {height:.0f} mm"]
    for ax in figure.axes:
        limits = [_number(v) for v in (*ax.get_xlim(), *ax.get_ylim())]
        place = ",".join(_number(v) for v in ax.get_position().bounds)
        out.append(f"  axes at {place}, {ax.get_xscale()} {ax.get_yscale()}, {' '.join(limits)}: "
                   f"{ax.get_xlabel()} | {ax.get_ylabel()} | {_title(ax)}")  # fmt: skip
        for axis in (ax.xaxis, ax.yaxis):
            ticks = [_number(v) for v in axis.get_ticklocs()]
            named = [t.get_text() for t in axis.get_ticklabels()]
            tick = axis.get_major_ticks(1)[0]
            size = (tick.tick1line.get_markersize(), tick.tick1line.get_markeredgewidth(),
                    tick.label1.get_fontsize(), axis.label.get_fontsize())  # fmt: skip
            style = f"{' '.join(f'{v:g}' for v in size)} {to_hex(tick.tick1line.get_color())}"
            style += " grid" * tick.gridline.get_visible()
            said = f"{'; '.join(named)} {axis.get_visible()}, {style}"
            out.append(f"    ticks {' '.join(ticks)}: {said}")
        edges = [side for side, spine in ax.spines.items() if spine.get_visible()]
        left = ax.spines["left"]
        said = f"{left.get_linewidth():g} {to_hex(left.get_edgecolor())}, title "
        said += f"{ax._left_title.get_fontsize():g} {ax._left_title.get_fontweight()} "
        said += f"{72 * ax.titleOffsetTrans.get_matrix()[1, 2] / ax.figure.dpi:.3g}"
        out.append(f"    edges {' '.join(edges)} {said}")
        for line in ax.lines:
            points = list(
                zip(np.atleast_1d(line.get_xdata()), np.atleast_1d(line.get_ydata()), strict=True)
            )
            style = _styles(line, "color", "linestyle", "linewidth", "marker", "markersize",
                            "markerfacecolor", "markeredgecolor", "markeredgewidth", "drawstyle",
                            "fillstyle", "alpha", "zorder", "label")  # fmt: skip
            style = f"{style} {line._unscaled_dash_pattern}"  # what "--" stands for
            style = re.sub(r"_child\d+", "", style)
            out.append(f"    line {style}: {_points(points)}")
        for found in ax.collections:
            corners = [p for path in found.get_paths() for p in path.vertices.tolist()]
            style = _styles(found, "edgecolor", "facecolor", "zorder", "alpha")
            style += " " + " ".join(_number(v) for v in np.atleast_1d(found.get_linewidth())[:2])
            style += f" {found.get_linestyle()[:1]} {found.get_hatch()}"
            out.append(f"    {type(found).__name__} {style}: {_points(corners)}; "
                       f"{_points(np.asarray(found.get_offsets(), float).tolist())}")  # fmt: skip
        for patch in ax.patches:
            box = patch.get_path().transformed(patch.get_patch_transform()).get_extents()
            style = _styles(
                patch, "edgecolor", "facecolor", "linewidth", "hatch", "zorder", "alpha"
            )
            out.append(f"    patch {style}: {' '.join(_number(v) for v in box.extents)}")
        for text in ax.texts:
            out.append(f"    text {_where(text)}: {text.get_text()}")
        for image in ax.images:
            found = np.asarray(image.get_array(), float)
            said = [_number(v) for v in (found.mean(), found.std(), *found[::7, ::9].ravel()[:40])]
            out.append(f"    image {found.shape} {image.get_extent()} {' '.join(said)}")
        if ax.get_legend() is not None:
            out.append(_legend(ax.get_legend()))
    for text in figure.texts:
        out.append(f"  text {_where(text)}: {text.get_text()}")
    for legend in figure.legends:
        out.append(_legend(legend))
    return out


def _legend(legend):
    names = "; ".join(f"{t.get_text()} {t.get_fontsize():g}" for t in legend.get_texts())
    marks = " ".join(type(h).__name__ for h in legend.legend_handles)
    frame = "framed" * legend.get_frame_on()
    return (
        f"  legend {legend._loc} {legend._ncols} {legend.handlelength:g} {frame}: {names}; {marks}"
    )


def _title(ax):
    return " ".join(t for t in (ax.get_title("left"), ax.get_title(), ax.get_title("right")) if t)


def _where(text):
    x, y = getattr(text, "xy", None) or text.get_position()
    shift = ",".join(_number(v) for v in text.get_position())
    style = _styles(text, "color", "fontsize", "ha", "va", "rotation", "fontweight", "zorder")
    for part in (getattr(text, "arrow_patch", None), text.get_bbox_patch()):
        if part is not None:
            style += f" [{_styles(part, 'edgecolor', 'facecolor', 'linewidth', 'alpha')}"
            style += f" {part.get_mutation_scale():g}]"
    return f"{_number(x)},{_number(y)} {shift} {style}"
