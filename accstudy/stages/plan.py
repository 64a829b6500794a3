"""Before the first scan: a new folder, power, the drawn order of scans, bench sheets."""

from __future__ import annotations

import datetime as dt
import json
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from accstudy.compare.deviations import pair_deviations
from accstudy.errors import InputError, OutputError, nearest
from accstudy.models.specs import ModelSpec, default_specs
from accstudy.models.unreferenced import unreferenced
from accstudy.plan.power import Comparison, Known, known_from, power_table
from accstudy.plan.protocol import load_protocol, protocol_schedule
from accstudy.plan.template import (
    events_text,
    held_fixed,
    implants_text,
    readme_text,
    scan_columns,
    study_text,
)
from accstudy.reports.render import bench_sheet
from accstudy.stages.model_checks import model_specs
from accstudy.stages.scanlist import append_list, models_of, rows_of_list
from accstudy.stages.sizes import FOLDER, cost_of, pilot_pairs, protocol_of
from accstudy.study.disk import write_files
from accstudy.study.files import resolve
from accstudy.study.load import load_study
from accstudy.study.settings import Settings

__all__ = [
    "FOLDERS",
    "Drawn",
    "Order",
    "assumed_comparison",
    "draw_order",
    "expected_power",
    "new_study",
    "pilot_comparison",
]


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
class Drawn:
    """An order that was drawn: its scans and seed, how it came about, and the files written."""

    n_scans: int
    seed: int
    words: str
    written: tuple[Path, ...]


def draw_order(path: Path, settings: Settings, order: Order, *, today: dt.date) -> Drawn:
    """Draw the order of scans; add it to the scan list and write it as a bench sheet.

    The rows have status ``planned``; ``plan/order.json`` holds the seed, that of a further order
    ``order_2.json`` and so on. `InputError` if the list has scans of these names already, or a
    factor is unknown.
    """
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
    return Drawn(len(scans), seed, drawn.words, (listed, *written))


def _order_on_paper(words: str) -> str:
    """The words without the number of scans, which the sheet says itself."""
    order = words.split("; ", 1)[-1]
    return f"{order[:1].upper()}{order[1:]}."


FOLDERS = ("reference", "scan_bodies", "scans")
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
        for name in FOLDERS:
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
    named = {**dict(protocol_of(settings).design.conditions), **levels}
    several = {factor: names for factor, names in named.items() if len(names) > 1}
    if not several:
        raise InputError(
            "the protocol has no factor to compare",
            hint='name two levels, as --level "technique=one"',
        )
    if "residual" not in sds:
        raise InputError("the residual standard deviation is missing", hint="--sd residual=15")
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
    each = sessions or len(protocol_of(settings).design.sessions)
    return power_table(
        [Comparison(o, each, k) for o in operators for k in per_session],
        known,
        difference=difference,
        margin=margin,
        confidence=settings.limits.confidence,
        cost=cost_of(settings, minutes_per_scan, minutes_per_session),
    )
