"""What the commands `new`, `check` and `run` do, with their progress; and results as they stand."""

from __future__ import annotations

import base64
import csv
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

from accstudy.errors import InputError
from accstudy.stages.work import standing_lines
from accstudy.study.files import LARGEST, read_bytes, resolve
from accstudy.tables import TABLES, UNREFERENCED, read_csv

Put = Callable[[dict[str, Any]], None]


def _shown(put: Put) -> Callable[[str, int, int], None]:
    return lambda scan, done, total: put({"scan": scan, "done": done, "total": total})


def protocols(put: Put) -> list[dict[str, Any]]:
    """The protocols in their own words."""
    from accstudy.plan.protocol import load_protocol, protocol_names

    found = [load_protocol(name) for name in protocol_names()]
    order = ("validation", "comparison", "drift")
    return [
        {
            "name": p.name, "title": p.title, "question": p.question, "answer": p.answer,
            "scans": p.n_scans, "kind": p.kind,
        }
        for p in sorted(found, key=lambda p: order.index(p.kind))
    ]  # fmt: skip


def create(folder: Path, protocol: str, title: str, referenced: bool, put: Put) -> list[str]:
    """Make the study, as `new` does."""
    from accstudy.stages.plan import new_study

    done = new_study(folder, protocol=protocol, title=title, referenced=referenced)
    return [str(path) for path in done]


def check(study: Path, *, put: Put) -> dict[str, Any]:
    """Everything that is wrong with a study; what is missing, in the order to supply it."""
    from accstudy.stages.check import check_study, split_missing
    from accstudy.stages.workers import cores

    found = check_study(study, jobs=cores(), show=_shown(put))
    steps, others = split_missing(found)
    return {"steps": steps, "findings": [f.to_dict() for f in others]}


def run(study: Path, *, who: str = "", put: Put) -> dict[str, Any]:
    """Measure, analyze and report, page to explore included, as `run --page` does."""
    from accstudy.pipeline import run_study
    from accstudy.stages.workers import cores

    done = run_study(
        study, jobs=cores(), figures="svg", page=True, who=who,
        say=lambda line: put({"line": line}), show=_shown(put),
    )  # fmt: skip
    return {
        "left_out": list(done.left_out),
        "standing": standing_lines(done.tables),
        "findings": [f.to_dict() for f in done.findings],
    }


_MOST_ROWS = 2000


def results(study: Path) -> dict[str, Any]:
    """What the last run left.

    ``tables`` as (name, meaning of a row, number of rows); ``standing``, a line a device that needs
    action; ``figures``, ``reports`` and ``pages``, files.
    """
    folder = study / "results"
    found = sorted(folder.glob("*.csv")) if folder.is_dir() else []
    tables = []
    for path in found:
        spec = TABLES.get(path.stem)
        with path.open(encoding="utf-8", newline="") as stream:
            rows = sum(1 for _ in csv.reader(stream)) - 1
        tables.append([path.stem, f"one row per {spec.row}" if spec else "", rows])
    reports = study / "reports"
    return {
        "tables": tables,
        "standing": _standing(folder),
        "figures": sorted(p.relative_to(study).as_posix() for p in reports.glob("figures/*.svg")),
        "reports": sorted(p.relative_to(study).as_posix() for p in reports.glob("*.pdf")),
        "pages": sorted(p.relative_to(study).as_posix() for p in reports.glob("*.html")),
        "has": (folder / "record.json").is_file(),
    }


def _standing(folder: Path) -> list[str]:
    for name in ("drift_status", UNREFERENCED["drift_status"]):
        path = folder / f"{name}.csv"
        if path.is_file():
            data = read_bytes(path, file=path.name, max_bytes=LARGEST)
            return standing_lines({name: read_csv(name, io.BytesIO(data))})
    return []


def _rows(path: Path) -> tuple[list[str], list[list[str]]]:
    data = read_bytes(path, file=path.name, max_bytes=LARGEST).decode("utf-8")
    header, *rows = csv.reader(io.StringIO(data, newline=""))
    return header, rows


def _path(study: Path, name: str) -> Path:
    path = resolve(study / "results", f"{name}.csv")
    if not path.is_file():
        raise InputError(f'there is no table "{name}"')
    return path


def table(study: Path, name: str) -> dict[str, Any]:
    """One table as text, with what its columns mean."""
    header, rows = _rows(_path(study, name))
    spec = TABLES.get(name)
    known = {c.name: c for c in spec.columns} if spec else {}
    return {
        "name": name,
        "row": spec.row if spec else "",
        "header": header,
        "meaning": [known[c].meaning if c in known else "" for c in header],
        "unit": [known[c].unit if c in known else "" for c in header],
        "numeric": [c in known and known[c].kind in ("number", "integer") for c in header],
        "rows": rows[:_MOST_ROWS],
        "n": len(rows),
    }


def workbook(study: Path, name: str) -> str:
    """One table as a workbook, in base64; numbers are numbers, text is never a formula."""
    import openpyxl
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    header, rows = _rows(_path(study, name))
    spec = TABLES.get(name)
    kinds = {c.name: c.kind for c in spec.columns} if spec else {}
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet(name[:31])
    sheet.append(header)
    for row in rows:
        cells: list[Any] = []
        for column, text in zip(header, row, strict=True):
            if text and kinds.get(column) in ("number", "integer"):
                cells.append(float(text) if "." in text or "e" in text.lower() else int(text))
                continue
            cell = WriteOnlyCell(sheet, value=ILLEGAL_CHARACTERS_RE.sub("", text) or None)
            if text:
                cell.data_type = "s"
            cells.append(cell)
        sheet.append(cells)
    stream = io.BytesIO()
    book.save(stream)
    return base64.b64encode(stream.getvalue()).decode()
