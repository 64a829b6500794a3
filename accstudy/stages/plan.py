"""Before the first scan: sizes, power, the drawn order and the bench sheet of a study."""

from __future__ import annotations

import datetime as dt
import json
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

import pandas as pd

from accstudy.dictionary import read_results
from accstudy.errors import InputError, OutputError, nearest
from accstudy.plan.listing import Proposal, ScanFile, propose_scans
from accstudy.plan.power import Comparison, ComparisonSpread, power_table
from accstudy.plan.protocol import Protocol, load_protocol, protocol_schedule
from accstudy.plan.size import Cost, Spread, from_pilot, scans_for_bound, size_table
from accstudy.reports.sheets import bench_sheet
from accstudy.study.load import resolve
from accstudy.study.settings import Settings
from accstudy.study.sheet import read_sheet
from accstudy.study.toml import read_settings
from accstudy.tables import csv_bytes

__all__ = [
    "FOLDER",
    "Drawn",
    "Order",
    "Sizes",
    "draw_order",
    "expected_power",
    "expected_sizes",
    "list_scans",
    "pilot_comparison",
    "pilot_spread",
    "protocol_of",
    "rows_of_list",
    "write_list",
    "write_table",
]

FOLDER = "plan"
"""Where sizes, seed and bench sheet are kept, in the study folder."""

_OF_KIND = {
    "validation": "full_arch_validation",
    "comparison": "technique_comparison",
    "drift": "monthly_drift",
}
_MESHES = (".stl", ".ply", ".obj", ".stl.gz", ".ply.gz", ".obj.gz")


@dataclass(frozen=True)
class Sizes:
    """What studies of several sizes would show.

    Parameters
    ----------
    table : DataFrame
        Table ``plan_sizes``.
    words : tuple of str
        Assumptions, and the size that a limit needs.
    """

    table: pd.DataFrame
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Order:
    """What is to be scanned, where it differs from the protocol.

    Parameters
    ----------
    models, operators, sessions : tuple of str, optional
        Names; empty: those of the reference or the protocol.
    levels : mapping of str to tuple of str, optional
        Levels of the condition factors.
    repeats : int, optional
        Scans of each model and condition in a block.
    seed : int, optional
        Of the order; drawn by default.
    """

    models: tuple[str, ...] = ()
    operators: tuple[str, ...] = ()
    sessions: tuple[str, ...] = ()
    levels: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    repeats: int | None = None
    seed: int | None = None


@dataclass(frozen=True, slots=True)
class Drawn:
    """An order that was drawn and written.

    Parameters
    ----------
    n_scans : int
        Scans in it.
    seed : int
        Its seed.
    words : str
        How it came about.
    written : tuple of Path
        Files written.
    """

    n_scans: int
    seed: int
    words: str
    written: tuple[Path, ...]


def protocol_of(settings: Settings) -> Protocol:
    """The protocol that a study names, or else the usual one of its kind."""
    return load_protocol(settings.study.protocol or _OF_KIND[settings.study.kind])


def pilot_spread(pilot: Path, *, condition: str = "", measurand: str = "distance_um") -> Spread:
    """Assumptions from the results of a pilot study.

    Parameters
    ----------
    pilot : Path
        A study folder with results.
    condition : str, optional
        Condition to take; may be left out where there is one only.
    measurand : str, optional
        Column of the deviation tables.

    Returns
    -------
    Spread

    Raises
    ------
    InputError
        If there are no results, or several conditions and none is named.
    """
    accuracy = _pilot_table(pilot, "accuracy")
    conditions = list(dict.fromkeys(accuracy["condition"]))
    if not condition and len(conditions) == 1:
        condition = conditions[0]
    if condition not in conditions:
        raise InputError(
            f'the pilot has no condition "{condition}"'
            if condition
            else f"the pilot has {len(conditions)} conditions",
            hint=nearest(condition, conditions),
        )
    return from_pilot(accuracy, condition=condition, measurand=measurand)


def pilot_comparison(pilot: Path, *, response: str = "pair.distance_um") -> ComparisonSpread:
    """Assumptions for power from the mixed model of a pilot study.

    Parameters
    ----------
    pilot : Path
        A study folder with results and a model of `response`.
    response : str, optional
        Modelled column.

    Returns
    -------
    ComparisonSpread
        Variances between models and pairs are left out: every technique meets the
        same ones, so they cancel in the difference.

    Raises
    ------
    InputError
        If the pilot has no such model.
    """
    table = _pilot_table(pilot, "model_variances")
    own = table[table["response"] == response].drop_duplicates("component")
    if own.empty:
        raise InputError(
            f"the pilot has no model of {response}", hint="add one as [[model]] and run it again"
        )
    sd = dict(zip(own["component"], own["sd"], strict=True))
    return ComparisonSpread(
        scan=float(sd.get("scan", 0.0)),
        residual=float(sd.get("residual", 0.0)),
        session=float(sd.get("operator:session", 0.0)),
        operator=float(sd.get("operator", 0.0)),
        operator_technique=float(sd.get("operator:technique", 0.0)),
        unit=response.rsplit("_", 1)[-1],
    )


def _pilot_table(pilot: Path, name: str) -> pd.DataFrame:
    try:
        tables = read_results(pilot)
    except FileNotFoundError as error:
        raise InputError(
            f'"{pilot}" holds no results', hint="call `accstudy run` on the pilot study first"
        ) from error
    if name not in tables:
        raise InputError(
            f'the results of "{pilot}" hold no table {name}', hint="call `accstudy run` on it"
        )
    return tables[name]


def expected_sizes(
    settings: Settings,
    spread: Spread,
    *,
    measurand: str = "distance_um",
    cells: Sequence[int] = (1, 2, 3, 4, 6),
    per_cell: Sequence[int] = (3, 5, 10),
    limit: float | None = None,
    minutes_per_scan: float | None = None,
    minutes_per_session: float | None = None,
    simulations: int = 400,
) -> Sizes:
    """What studies of several sizes are to be expected to show.

    Parameters
    ----------
    settings : Settings
        Of the study: its limits, and its protocol's time at the bench.
    spread : Spread
        Assumptions.
    measurand : str, optional
        Whose limit counts.
    cells, per_cell : sequence of int, optional
        Sizes to try.
    limit : float, optional
        Limit; the study's by default.
    minutes_per_scan, minutes_per_session : float, optional
        Time at the bench; the protocol's by default.
    simulations : int, optional
        Simulated studies for the assurance.

    Returns
    -------
    Sizes
    """
    limits = settings.limits
    own = getattr(limits, measurand, None)
    limit = limit if limit is not None else (own.value if own else None)
    cost = _cost(settings, minutes_per_scan, minutes_per_session)
    table = size_table(
        spread,
        cells=cells,
        per_cell=per_cell,
        limit=limit,
        coverage=limits.coverage,
        confidence=limits.confidence,
        cost=cost,
        simulations=simulations,
    )
    u = spread.unit
    words = [
        f"{spread.source}: s_r {spread.s_r:.4g} {u}, s_cell {spread.s_cell:.4g} {u}, "
        f"bias {spread.bias:.4g} {u}"
    ]
    if limit is not None:
        each = max(per_cell)
        needed = scans_for_bound(
            spread,
            limit=limit,
            per_cell=each,
            coverage=limits.coverage,
            confidence=limits.confidence,
            simulations=simulations,
        )
        words.append(
            f"no study of up to 60 cells of {each} scans would prove {limit:g} {u} with 80 % "
            "assurance"
            if needed is None
            else f"{needed} cells of {each} scans prove {limit:g} {u} with 80 % assurance, if "
            "these figures are true"
        )
    return Sizes(table, tuple(words))


def _cost(settings: Settings, per_scan: float | None, per_session: float | None) -> Cost:
    design = protocol_of(settings).design
    return Cost(
        design.minutes_per_scan if per_scan is None else per_scan,
        design.minutes_per_session if per_session is None else per_session,
    )


def expected_power(
    settings: Settings,
    spread: ComparisonSpread,
    *,
    difference: float,
    margin: float | None = None,
    operators: Sequence[int] = (3, 6),
    sessions: int = 0,
    per_session: Sequence[int] = (3, 5),
    minutes_per_scan: float | None = None,
    minutes_per_session: float | None = None,
    simulations: int = 200,
) -> pd.DataFrame:
    """Power of comparisons of two techniques, both in every session.

    Parameters
    ----------
    settings : Settings
        Of the study: its protocol's sessions and time at the bench.
    spread : ComparisonSpread
        Assumptions.
    difference, margin : float
        To be found; to be kept when there is none.
    operators, per_session : sequence of int, optional
        Sizes to try, all combinations.
    sessions : int, optional
        Sessions of each operator; 0: the protocol's.
    minutes_per_scan, minutes_per_session : float, optional
        Time at the bench; the protocol's by default.
    simulations : int, optional
        Simulated studies a size.

    Returns
    -------
    DataFrame
        Table ``plan_power``.
    """
    each = sessions or len(protocol_of(settings).design.sessions)
    return power_table(
        [Comparison(o, each, k) for o in operators for k in per_session],
        spread,
        difference=difference,
        margin=margin,
        simulations=simulations,
        cost=_cost(settings, minutes_per_scan, minutes_per_session),
    )


def rows_of_list(path: Path, settings: Settings, *, allow_outside: bool = False) -> int:
    """Number of rows of the scan list; 0 where it is not there yet."""
    file = settings.scans.list
    full = resolve(path, file, allow_outside=allow_outside)
    return len(read_sheet(full, file=file).rows) if full.is_file() else 0


def draw_order(path: Path, settings: Settings, order: Order, *, today: dt.date) -> Drawn:
    """Draw the order of scans; write it as the scan list and as a bench sheet.

    Parameters
    ----------
    path : Path
        Study folder.
    settings : Settings
        Of the study.
    order : Order
        What differs from the protocol.
    today : date
        Date on the bench sheet.

    Returns
    -------
    Drawn
        The scan list has status ``planned``; ``plan/order.json`` holds the seed.

    Raises
    ------
    InputError
        If the scan list has rows already, or a factor is unknown.
    """
    if n := rows_of_list(path, settings):
        raise InputError(f"{settings.scans.list} has {n} rows already; it is left as it is",
                         hint="to draw anew, delete its rows, and keep its header")  # fmt: skip
    protocol = protocol_of(settings)
    conditions = dict(protocol.design.conditions)
    for name in order.levels:
        if name not in conditions:
            raise InputError(f'the protocol has no factor "{name}"',
                             hint=nearest(name, list(conditions)))  # fmt: skip
    changes: dict[str, object] = {"conditions": conditions | dict(order.levels)}
    models = order.models or _models(path, settings)
    for key, names in (("models", models), ("operators", order.operators),
                       ("sessions", order.sessions)):  # fmt: skip
        if names:
            changes[key] = tuple(names)
    if order.repeats is not None:
        changes["repeats"] = order.repeats
    seed = secrets.randbelow(1_000_000) if order.seed is None else order.seed
    drawn = protocol_schedule(protocol, seed=seed, **changes)
    scans = drawn.scans.assign(status="planned")
    sheet = bench_sheet(
        drawn.bench_sheet,
        title=settings.study.title,
        order=_order_on_paper(drawn.words),
        notes=tuple(f"{item['what']}: {item['why']}" for item in protocol.fixed),
        generated=today.isoformat(),
    )
    record = {
        "protocol": protocol.name,
        "version": protocol.version,
        "drawn_on": today.isoformat(),
        **{k: v for k, v in asdict(replace(order, seed=seed)).items() if v},
        "order": drawn.words,
    }
    listed = write_list(path, settings, scans)
    files = {
        "order.json": (json.dumps(record, indent=2, ensure_ascii=False) + "\n").encode(),
        "bench_sheet.pdf": sheet,
    }
    written = [_write(path / FOLDER / name, data) for name, data in files.items()]
    return Drawn(len(scans), seed, drawn.words, (listed, *written))


def _order_on_paper(words: str) -> str:
    """The words without the number of scans, which the sheet says itself."""
    order = words.split("; ", 1)[-1]
    return f"{order[:1].upper()}{order[1:]}."


def _models(path: Path, settings: Settings) -> tuple[str, ...]:
    """Models that the reference names, or none."""
    ours = settings.reference
    if ours.model:
        return (ours.model,)
    file = ours.touch_points or ours.implants
    full = path / file
    if not full.is_file():
        return ()
    sheet = read_sheet(full, file=file)
    column = ours.columns.get("model", "model")
    if column not in sheet.header:
        return ()
    at = sheet.header.index(column)
    return tuple(dict.fromkeys(row[at] for row in sheet.rows if row[at]))


def write_list(path: Path, settings: Settings, scans: pd.DataFrame) -> Path:
    """Write the scan list of a study that has no rows yet.

    Parameters
    ----------
    path : Path
        Study folder.
    settings : Settings
        Of the study.
    scans : DataFrame
        Table ``scans`` with its factor columns.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError
        If it has rows already, or is no CSV file.
    """
    full = resolve(path, settings.scans.list)
    if n := rows_of_list(path, settings):
        raise InputError(f"{settings.scans.list} has {n} rows already; it is left as it is",
                         hint="delete its rows first, and keep its header")  # fmt: skip
    if full.suffix.lower() != ".csv":
        raise InputError(f"{settings.scans.list} is no CSV file",
                         hint='name one in study.toml: scans.list = "scans.csv"')  # fmt: skip
    return _write(full, csv_bytes("scans", scans, factors=tuple(scans.columns)))


def write_table(path: Path, name: str, table: pd.DataFrame) -> Path:
    """Write a table into the study's folder ``plan``."""
    return _write(path / FOLDER / f"{name}.csv", csv_bytes(name, table))


def _write(file: Path, data: bytes) -> Path:
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(data)
    except OSError as error:
        raise OutputError(f"cannot be written: {error.strerror}", where=str(file)) from error
    return file


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
    study = folder if (folder / "study.toml").is_file() else folder.resolve().parent
    meshes = folder / "scans" if study == folder else folder
    wanted: tuple[str, ...] = ()
    if (study / "study.toml").is_file():
        settings = read_settings(study / "study.toml")
        wanted = (*(settings.analysis.condition or ()), *(settings.analysis.cell or ()))
        models = () if model else _models(study, settings)
        model = models[0] if len(models) == 1 else model
    found = sorted(p for p in meshes.rglob("*") if p.name.lower().endswith(_MESHES))
    files = [
        ScanFile(
            p.resolve().relative_to(study.resolve()).as_posix(),
            dt.datetime.fromtimestamp(p.stat().st_mtime),
        )
        for p in found
        if p.is_file()
    ]
    return propose_scans(files, model=model, same=same, wanted=wanted)
