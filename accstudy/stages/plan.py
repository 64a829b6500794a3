"""Before the first scan: a new folder, power, the scan list and its drawn order, bench sheets."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from accstudy.compare.deviations import pair_deviations
from accstudy.errors import InputError, OutputError, nearest
from accstudy.models.responses import unreferenced
from accstudy.models.specs import ModelSpec, default_specs
from accstudy.plan.protocol import load_protocol, protocol_schedule
from accstudy.plan.study_files import (
    Proposal,
    ScanFile,
    events_text,
    held_fixed,
    implants_text,
    propose_scans,
    readme_text,
    scan_columns,
    study_text,
)
from accstudy.stages.model_checks import model_specs
from accstudy.stages.sizes import FOLDER, cost_of, pilot_pairs, protocol_of
from accstudy.study.exported import Said, named_sheet
from accstudy.study.files import resolve, write_files
from accstudy.study.layout import Layout, read_sheet
from accstudy.study.load import load_study
from accstudy.study.settings import Settings
from accstudy.study.sheet import Sheet, csv_dialect
from accstudy.study.toml import read_settings
from accstudy.tables import csv_bytes

if TYPE_CHECKING:
    from accstudy.plan.power import Known

MESHES = (".stl", ".ply", ".obj", ".stl.gz", ".ply.gz", ".obj.gz")


def mesh_files(folder: Path) -> list[Path]:
    """Mesh files below a folder, by their names.

    Raises
    ------
    InputError
        If a name cannot be written into a list, which is UTF-8.
    """
    found = sorted(p for p in folder.rglob("*") if p.name.lower().endswith(MESHES))
    for path in found:
        try:
            str(path).encode()
        except UnicodeEncodeError:
            shown = ascii(path.name)
            raise InputError(
                f"the name of a file is not UTF-8: {shown}", hint="give the file another name"
            ) from None
    return found


def sheet_of_list(full: Path, settings: Settings) -> Sheet:
    """Rows of the scan list by their names here."""
    ours = settings.scans
    return named_sheet(full, "scans", ours, file=ours.list, said=Said("scans"))


def rows_of_list(path: Path, settings: Settings) -> int:
    """Number of rows of the scan list; 0 where it is not there yet."""
    file = settings.scans.list
    full = resolve(path, file, allow_outside=False)
    return len(sheet_of_list(full, settings).rows) if full.is_file() else 0


def models_of(path: Path, settings: Settings) -> tuple[str, ...]:
    """Models that the reference names, or none."""
    ours = settings.reference
    if ours.model:
        return (ours.model,)
    file = (ours.touch_points or ours.implants) if ours.kind != "none" else ours.sketch
    if ours.runs and ours.kind != "none":
        found = sorted(path.glob(ours.runs)) or [path / file]
        file = found[0].relative_to(path).as_posix()
    full = path / file
    if not file or not full.is_file():
        return ()
    table = "touch_points" if ours.touch_points else "implants"
    sheet = named_sheet(full, table, ours, file=file, said=Said("reference"))
    if "model" not in sheet.header:
        return ()
    at = sheet.header.index("model")
    return tuple(dict.fromkeys(row[at] for row in sheet.rows if row[at]))


def append_list(path: Path, settings: Settings, scans: pd.DataFrame) -> Path:
    """Add rows of table ``scans`` at the end of the scan list; what stood in it is the same bytes
    as before.

    `InputError` if it is no CSV file, lacks a column, or has a scan of that name already.
    """
    file = settings.scans.list
    full = resolve(path, file)
    table = csv_bytes("scans", scans, factors=tuple(scans.columns)).decode()
    rows = list(csv.DictReader(io.StringIO(table, newline="")))
    sheet = sheet_of_list(full, settings) if rows_of_list(path, settings) else None
    if sheet is not None and "scan" in sheet.header:
        at = sheet.header.index("scan")
        both = {row[at] for row in sheet.rows} & {row["scan"] for row in rows}
        if both:
            raise InputError(
                f'{file} already has a scan "{sorted(both)[0]}"', where=file,
                hint="give the new session a unique name",
            )  # fmt: skip
    return write_files(
        full.parent, {full.name: appended(full, rows, file=file, layout=settings.scans)}
    )[0]


def study_of(folder: Path) -> Path:
    """The study that a folder is, or lies in, at any depth; its parent if there is none."""
    full = folder.resolve()
    return next((p for p in (full, *full.parents) if (p / "study.toml").is_file()), full.parent)


def list_scans(folder: Path, *, model: str = "", same: Mapping[str, str] | None = None) -> Proposal:
    """Propose rows of the scan list for the mesh files of a folder.

    Parameters
    ----------
    folder : Path
        A study folder, whose ``scans`` is read, or any folder with mesh files.
    model : str, optional
        The model they show; by default the one of the study's reference, if it
        has one only.
    same : mapping of str to str, optional
        Factor columns that are the same for all.

    Returns
    -------
    Proposal
        Files relative to the study folder; for a folder outside any study,
        relative to the folder's parent.

    Raises
    ------
    InputError
        If there are no mesh files.
    """
    study = study_of(folder)
    full = folder.resolve()
    meshes = full / "scans" if study == full else full
    wanted: tuple[str, ...] = ()
    listed: set[str] = set()
    known: list[str] = []
    if (study / "study.toml").is_file():
        settings = read_settings(study / "study.toml")
        wanted = (*(settings.analysis.condition or ()), *(settings.analysis.cell or ()))
        models = () if model else models_of(study, settings)
        model = models[0] if len(models) == 1 else model
        if rows_of_list(study, settings):
            sheet = sheet_of_list(resolve(study, settings.scans.list), settings)
            rows = [dict(zip(sheet.header, row, strict=True)) for row in sheet.rows]
            listed = {row.get("file", "") for row in rows}
            known = [row.get("scan", "") for row in rows]
    found = mesh_files(meshes)
    files = [
        ScanFile(
            p.relative_to(study).as_posix(),  # a link by its own name, wherever it leads
            dt.datetime.fromtimestamp(p.stat().st_mtime),
        )
        for p in found
        if p.is_file()
    ]
    new = [f for f in files if f.path not in listed]
    if files and not new:
        raise InputError(
            f"all {len(files)} mesh files there are already listed",
            hint="put the files of this session there, or name another folder",
        )
    proposal = propose_scans(new, model=model, same=same, wanted=wanted, known=known)
    if len(new) < len(files):
        said = f"{len(files) - len(new)} files are already listed and were left out"
        proposal = replace(proposal, notes=(said, *proposal.notes))
    return proposal


def appended(path: Path, rows: Sequence[Mapping[str, str]], *, file: str, layout: Layout) -> bytes:
    """Content of a CSV file with rows more: its bytes, and the new rows in its encoding and ends.

    Columns that the file has and a row has not stay empty; `layout` tells where the table lies in
    the file. `InputError` if it is no CSV file, its rows are put together from several, or it has
    rows and lacks a column that a new one fills.
    """
    if path.suffix.lower() not in (".csv", ".tsv", ".txt"):
        raise InputError(
            f"{file} is not a CSV file; rows cannot be added to it",
            where=file,
            hint='save it as CSV UTF-8 and name that: scans.list = "scans.csv"',
        )
    if any("{" in name for name in layout.columns.values()):
        raise InputError(
            f"{file} does not have one row per scan; rows cannot be added to it",
            where=file,
            hint="add the rows by hand, like the others",
        )
    rows = [{layout.columns.get(own, own): text for own, text in row.items()} for row in rows]
    columns = list(dict.fromkeys(name for row in rows for name in row))
    if not path.is_file() or not path.read_bytes().strip():
        return _lines([columns, *([row.get(c, "") for c in columns] for row in rows)], ",", "\n")
    before = path.read_bytes()
    sheet = read_sheet(path, file=file, layout=layout)
    there = {*sheet.header, "model"} if layout.model else set(sheet.header)
    lacking = [c for c in columns if c not in there and any(row.get(c) for row in rows)]
    if lacking and (sheet.rows or sheet.head > 1):
        raise InputError(
            f"{file} has no column {', '.join(lacking)}", where=f"{file}:1",
            hint="add the column to the header, or omit the value",
        )  # fmt: skip
    encoding, delimiter, end = csv_dialect(before, file, head=sheet.head)
    bare = encoding.removesuffix("-sig")
    header = [*sheet.header, *lacking]
    new = _lines([[row.get(c, "") for c in header] for row in rows], delimiter, end)
    if lacking:  # no row is there yet: the header may grow
        return (_lines([header], delimiter, end) + new).decode().encode(bare)
    gap = "" if before.decode(encoding)[-1:] == "\n" else end
    return before + gap.encode(bare) + new.decode().encode(bare)


def _lines(rows: Sequence[Sequence[str]], delimiter: str, end: str) -> bytes:
    stream = io.StringIO(newline="")
    csv.writer(stream, delimiter=delimiter, lineterminator=end).writerows(rows)
    return stream.getvalue().encode()


@dataclass(frozen=True, slots=True)
class Order:
    """What is to be scanned, where it differs from the reference or the protocol.

    ``levels`` are those of the condition factors, ``repeats`` the scans of each model and condition
    in a block; the seed of the random order is drawn by default.
    """

    models: tuple[str, ...] = ()
    operators: tuple[str, ...] = ()
    sessions: tuple[str, ...] = ()
    levels: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    repeats: int | None = None
    seed: int | None = None


@dataclass(frozen=True, slots=True)
class _Drawn:
    """An order that was drawn: its scans and seed, how it came about, and the files written."""

    n_scans: int
    seed: int
    words: str
    written: tuple[Path, ...]


def draw_order(path: Path, settings: Settings, order: Order, *, today: dt.date) -> _Drawn:
    """Draw the order of scans; add it to the scan list and write it as a bench sheet.

    The rows have status ``planned``; ``plan/order.json`` holds the seed, that of a further order
    ``order_2.json`` and so on. `InputError` if the list has scans of these names already, or a
    factor is unknown.
    """
    from accstudy.reports.render import bench_sheet

    protocol = protocol_of(settings)
    conditions = dict(protocol.design.conditions)
    for name in order.levels:
        if name not in conditions:
            raise InputError(f'the protocol has no factor "{name}"',
                             hint=nearest(name, list(conditions)))  # fmt: skip
    changes: dict[str, object] = {"conditions": conditions | dict(order.levels)}
    models = order.models or models_of(path, settings)
    for key, names in (("models", models), ("operators", order.operators),
                       ("sessions", order.sessions)):  # fmt: skip
        if names:
            changes[key] = tuple(names)
    if order.repeats is not None:
        changes["repeats"] = order.repeats
    seed = secrets.randbelow(1_000_000) if order.seed is None else order.seed
    drawn = protocol_schedule(protocol, seed=seed, **changes)
    before = rows_of_list(path, settings)
    numbered = {
        name: f"s{before + k:03d}" if before else name
        for k, name in enumerate(drawn.scans["scan"], start=1)
    }
    scans = drawn.scans.assign(status="planned", scan=drawn.scans["scan"].map(numbered))
    held = held_fixed(protocol, referenced=settings.reference.kind != "none")
    listing = drawn.bench_sheet.assign(scan=drawn.bench_sheet["scan"].map(numbered))
    sheet = bench_sheet(
        listing,
        title=settings.study.title,
        order=_order_on_paper(drawn.words),
        notes=tuple(f"{item['what']}: {item['why']}" for item in held),
        generated=today.isoformat(),
    )
    record = {
        "protocol": protocol.name,
        "version": protocol.version,
        "drawn_on": today.isoformat(),
        **{k: v for k, v in asdict(replace(order, seed=seed)).items() if v},
        "order": drawn.words,
    }
    listed = append_list(path, settings, scans)
    further = (path / FOLDER / "order.json").is_file()
    name = f"order_{len(list((path / FOLDER).glob('order*.json'))) + 1}" if further else "order"
    files = {
        f"{name}.json": (json.dumps(record, indent=2, ensure_ascii=False) + "\n").encode(),
        "bench_sheet.pdf": sheet,
    }
    written = write_files(resolve(path, FOLDER), files)
    return _Drawn(len(scans), seed, drawn.words, (listed, *written))


def _order_on_paper(words: str) -> str:
    """The words without the number of scans, which the sheet says itself."""
    order = words.split("; ", 1)[-1]
    return f"{order[:1].upper()}{order[1:]}."


_FOLDERS = ("reference", "scan_bodies", "scans")
"""Folders that wait for the user's files."""


def new_study(
    folder: Path, *, protocol: str, title: str = "", referenced: bool = True
) -> list[Path]:
    """Write a study folder from a protocol that comes with the program; nothing is ever
    overwritten.

    The folder may be there already, with scans in it for instance. `title` is the protocol's by
    default; `referenced` tells whether the model is measured.

    Raises
    ------
    InputError
        If there is no such protocol, or a file to be written already exists.
    OutputError
        If the folder cannot be written.
    """
    chosen = load_protocol(protocol)
    files = {
        "README.md": readme_text(chosen, title=title, referenced=referenced),
        "study.toml": study_text(chosen, title=title, referenced=referenced),
        "scans.csv": ",".join(scan_columns(chosen)) + "\n",
    }
    if referenced:
        files["reference/implants.csv"] = implants_text()
    if chosen.kind == "drift":
        files["events.csv"] = events_text()
    if folder.exists() and not folder.is_dir():
        raise InputError(f'"{folder}" is a file', hint="name a folder")
    there = [name for name in files if (folder / name).exists()]
    if there:
        raise InputError(
            f'folder "{folder}" already has a {there[0]}; nothing was written',
            hint="name another folder, or move the file away",
        )
    try:
        for name in _FOLDERS:
            (folder / name).mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            with (folder / name).open("x", encoding="utf-8", newline="\n") as stream:
                stream.write(text)
    except OSError as error:
        raise OutputError(
            f"the study folder cannot be written: {error.strerror}",
            where=str(folder),
            hint="change its permissions, or name another folder",
        ) from error
    return [folder / name for name in files]


RESPONSE = "pair.distance_um"


def pilot_comparison(pilot: Path, settings: Settings) -> Known:
    """Assumptions for power from the results of a pilot: every random term as its fit estimates it.

    `settings` are those of the study that is planned. `InputError` if neither study has such a
    model, or the pilot study has no factor to compare.
    """
    from accstudy.plan.power import known_from

    pairs = pilot_pairs(pilot)
    study = load_study(pilot)
    own = [ModelSpec(**dict(model)) for model in settings.model]
    spec = _of_distance(own or model_specs(study, pairs))
    return known_from(spec if study.referenced else unreferenced(spec), pairs)


def _of_distance(specs: Sequence[ModelSpec]) -> ModelSpec:
    for spec in specs:
        if spec.response == RESPONSE:
            return spec
    raise InputError(
        f"there is no model of {RESPONSE}",
        hint="add one as [[model]], or plan from a comparison study",
    )


def assumed_comparison(
    settings: Settings, sds: Mapping[str, float], *, levels: Mapping[str, Sequence[str]]
) -> Known:
    """Assumptions for power without a pilot, for a model of six implants on an arch.

    `sds` are the standard deviations of the random terms (0 where not named) and of the
    ``residual``, `levels` those of the factor that is compared; the protocol's by default.
    `InputError` if nothing is compared, or the residual is not named.
    """
    from accstudy.plan.power import Known

    named = {**dict(protocol_of(settings).design.conditions), **levels}
    several = {factor: names for factor, names in named.items() if len(names) > 1}
    if not several:
        raise InputError(
            "the protocol has no factor to compare",
            hint='name two levels, as --level "technique=one"',
        )
    if "residual" not in sds:
        raise InputError(
            "the residual standard deviation is missing", hint="add it: --sd residual=15"
        )
    factor, names = next(iter(several.items()))
    sites = _six_implants()
    conditions = pd.DataFrame({factor: list(names)})
    own = [ModelSpec(**dict(model)) for model in settings.model]
    if not own:
        columns = [factor, "operator", "session"]
        frame = sites.merge(conditions, how="cross")
        own = default_specs("comparison", columns, condition=[factor], pairs=frame)
    return Known(
        spec=_of_distance(own),
        factor=factor,
        sites=sites,
        conditions=conditions,
        sds=dict(sds),
        covariance=None,
        unit="um",
    )


def _six_implants() -> pd.DataFrame:
    """Pairs of six implants on a half ellipse of 44 mm by 25 mm, tilted by up to 25 degrees."""
    angle = np.linspace(0, np.pi, 6)
    tilt = np.radians([25.0, 10.0, 0.0, 5.0, 15.0, 20.0])
    reference = pd.DataFrame({"model": "model 1", "implant": [f"I{k + 1}" for k in range(6)]})
    reference = reference.assign(
        x_mm=22 * np.cos(angle), y_mm=25 * np.sin(angle), z_mm=0.0,
        axis_x=np.sin(tilt), axis_y=0.0, axis_z=np.cos(tilt),
        flat_x=np.nan, flat_y=np.nan, flat_z=np.nan, angulation_deg=np.degrees(tilt),
    )  # fmt: skip
    return pair_deviations(reference.assign(scan="one", status="ok"), reference)


def expected_power(
    settings: Settings,
    known: Known,
    *,
    difference: float,
    margin: float | None = None,
    operators: Sequence[int] = (3, 6),
    sessions: int = 0,
    per_session: Sequence[int] = (3, 5),
    minutes_per_scan: float | None = None,
    minutes_per_session: float | None = None,
) -> pd.DataFrame:
    """Table ``plan_power``: power of comparisons, every condition in every session.

    `difference` is to be found, `margin` to be kept when there is none; `operators` and
    `per_session` are the sizes to try, all combinations. Sessions and time at the bench are the
    protocol's by default.
    """
    from accstudy.plan.power import Comparison, power_table

    each = sessions or len(protocol_of(settings).design.sessions)
    return power_table(
        [Comparison(o, each, k) for o in operators for k in per_session],
        known,
        difference=difference,
        margin=margin,
        confidence=settings.limits.confidence,
        cost=cost_of(settings, minutes_per_scan, minutes_per_session),
    )
