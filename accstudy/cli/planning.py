"""The command plan: how many scans a study needs, and their order."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import click

from accstudy.cli.options import read_levels

__all__ = ["plan"]

_POSITIVE = click.FloatRange(min=0, min_open=True)
_NOT_NEGATIVE = click.FloatRange(min=0)


def _counts(ctx: click.Context, param: click.Parameter, value: str) -> tuple[int, ...]:
    """Read whole numbers separated by commas."""
    try:
        found = tuple(int(part) for part in value.split(","))
    except ValueError:
        found = ()
    if not found or min(found) < 1:
        raise click.BadParameter("write whole numbers of at least 1, such as 2,3,6")
    return found


def _sds(ctx: click.Context, param: click.Parameter, values: tuple[str, ...]) -> dict[str, float]:
    out: dict[str, float] = {}
    for value in values:
        name, _, number = (part.strip() for part in value.partition("="))
        try:
            out[name] = float(number)
        except ValueError:
            raise click.BadParameter('write it as "scan=10"') from None
        if not name or not 0 <= out[name] < float("inf"):
            raise click.BadParameter('write it as "scan=10"')
    return out


@click.command()
@click.argument(
    "study", type=click.Path(exists=True, file_okay=False, path_type=Path), metavar="STUDY"
)
@click.option("--s-r", type=_POSITIVE, help="Assumed standard deviation of repeats, µm or degrees.")
@click.option(
    "--s-cell",
    type=_NOT_NEGATIVE,
    default=0.0,
    show_default=True,
    help="Assumed standard deviation between cells, in the same unit.",
)
@click.option(
    "--bias", type=float, default=0.0, show_default=True, help="Assumed bias, in the same unit."
)
@click.option(
    "--pilot",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Pilot study from whose results the assumptions are taken.",
)
@click.option(
    "--pilot-condition", default="", help="Condition of the pilot; required if it has several."
)
@click.option(
    "--measurand",
    type=click.Choice(["distance_um", "angle_deg"]),
    default="distance_um",
    show_default=True,
    help="Measurand for which the sample size is computed.",
)
@click.option("--limit", type=_POSITIVE, help="Limit to verify; that of the study by default.")
@click.option(
    "--pairs",
    type=click.IntRange(min=1),
    default=1,
    show_default=True,
    help="Number of mutually independent pairs per scan in the assumed deviations.",
)
@click.option(
    "--new-operators",
    is_flag=True,
    help=(
        "Plan for a verdict on other operators, if the operators of the pilot took part in several "
        "sessions."
    ),
)
@click.option(
    "--cells",
    default="2,3,4,6,9,12",
    show_default=True,
    callback=_counts,
    help="Numbers of cells (operators × sessions) to try.",
)
@click.option(
    "--per-cell",
    default="3,5",
    show_default=True,
    callback=_counts,
    help="Numbers of scans per cell to try.",
)
@click.option(
    "--minutes-per-scan",
    type=_NOT_NEGATIVE,
    help="Time for one scan; that of the protocol by default.",
)
@click.option(
    "--minutes-per-session",
    type=_NOT_NEGATIVE,
    help="Time to set up a session; that of the protocol by default.",
)
@click.option(
    "--difference",
    type=float,
    help="Difference between two techniques to detect; adds a table of power.",
)
@click.option("--margin", type=_POSITIVE, help="Equivalence margin, for the table of power.")
@click.option(
    "--sd",
    "sds",
    multiple=True,
    callback=_sds,
    help="For power without a pilot: a random term of the model and its standard deviation, "
    'such as "scan=10"; repeat for each. The residual must be included.',
)
@click.option(
    "--operators",
    default="3,6",
    show_default=True,
    callback=_counts,
    help="Numbers of operators to try for power.",
)
@click.option(
    "--simulations",
    type=click.IntRange(min=20),
    default=100,
    show_default=True,
    help="Pairs of simulated studies per sample size, for the assurance.",
)
@click.option("--model", "models", multiple=True, help="A model to scan; repeat for each.")
@click.option("--operator", "people", multiple=True, help="Code of an operator; repeat for each.")
@click.option("--session", "sessions", multiple=True, help="A session; repeat for each.")
@click.option(
    "--level",
    "levels",
    multiple=True,
    callback=read_levels,
    help='A level of a factor, such as "technique=splinted"; repeat for each.',
)
@click.option("--repeats", type=click.IntRange(min=1), help="Scans of each combination in a block.")
@click.option(
    "--seed", type=click.IntRange(min=0), help="Seed of the random order; drawn by default."
)
@click.option("--sizes-only", is_flag=True, help="Do not randomise an order.")
@click.option("--shift", type=_POSITIVE, help="Drift studies: shift to detect, µm.")
@click.option(
    "--sessions-a-year",
    type=_POSITIVE,
    default=12.0,
    show_default=True,
    help="Drift studies: sessions per year.",
)
def plan(
    study: Path,
    s_r: float | None,
    s_cell: float,
    bias: float,
    pilot: Path | None,
    pilot_condition: str,
    measurand: str,
    limit: float | None,
    pairs: int,
    new_operators: bool,
    cells: tuple[int, ...],
    per_cell: tuple[int, ...],
    minutes_per_scan: float | None,
    minutes_per_session: float | None,
    difference: float | None,
    margin: float | None,
    sds: dict[str, float],
    operators: tuple[int, ...],
    simulations: int,
    models: tuple[str, ...],
    people: tuple[str, ...],
    sessions: tuple[str, ...],
    levels: dict[str, tuple[str, ...]],
    repeats: int | None,
    seed: int | None,
    sizes_only: bool,
    shift: float | None,
    sessions_a_year: float,
) -> None:
    """Compute how many scans STUDY needs and randomise their order.

    Sample sizes need assumptions: --pilot, or --s-r (and --s-cell, --bias). For a drift study the
    size is a trade-off: false alarms per year against months to detect --shift. The randomised
    order fills an empty scan list and plan/bench_sheet.pdf, the data collection sheet; if the list
    has rows, only scans of the named --session are added.

    Example: accstudy plan my_study --s-r 20 --s-cell 10 --seed 7
    """
    from accstudy.stages import plan as planning
    from accstudy.stages import sizes
    from accstudy.study.toml import read_settings

    measured = pilot is None or read_settings(pilot / "study.toml").reference.kind != "none"
    if s_r is not None and pilot is not None:
        raise click.UsageError("give either --s-r or --pilot")
    settings = read_settings(study / "study.toml")
    minutes: Any = {
        "minutes_per_scan": minutes_per_scan, "minutes_per_session": minutes_per_session,
    }  # fmt: skip
    written: list[Path] = []
    if settings.study.kind == "drift" and s_r is not None:
        shift = shift or settings.drift.shift_um
        written.append(_trade(study, s_r, s_cell, shift, sessions_a_year, per_cell))
    elif pilot is not None and (difference is None or measured):
        assumed = sizes.pilot_of(
            pilot, settings, condition=pilot_condition, measurand=measurand, limit=limit,
            new_operators=new_operators,
        )  # fmt: skip
        written.append(_sizes(study, settings, assumed, cells, per_cell, simulations, minutes))
    elif s_r is not None:
        assumed = sizes.assumed_pilot(
            settings, s_r, s_cell, bias, pairs=pairs, measurand=measurand, limit=limit
        )
        written.append(_sizes(study, settings, assumed, cells, per_cell, simulations, minutes))
    elif difference is None:
        click.echo("no sample size: give --s-r (and --s-cell, --bias), or --pilot")
    if difference is not None:
        if pilot is not None:
            known = planning.pilot_comparison(pilot, settings)
        elif sds:
            known = planning.assumed_comparison(settings, sds, levels=levels)
        else:
            raise click.UsageError("power needs --pilot, or --sd for the terms of the model")
        power = planning.expected_power(
            settings, known, difference=difference, margin=margin, operators=operators,
            sessions=len(sessions), per_session=per_cell, **minutes,
        )  # fmt: skip
        click.echo(_shown(power, _POWER))
        written.append(sizes.write_table(study, "plan_power", power))
    rows = planning.rows_of_list(study, settings)
    if rows and not sizes_only and not sessions:
        click.echo(
            f"{settings.scans.list} already has {rows} rows and is left unchanged (name a "
            "--session to add its scans)"
        )
    elif not sizes_only:
        order = planning.Order(models, people, sessions, levels, repeats, seed)
        drawn = planning.draw_order(study, settings, order, today=dt.date.today())
        click.echo(drawn.words)
        written += drawn.written
    for path in written:
        click.echo(f"written: {path}")


def _trade(
    study: Path, s_r: float, s_cell: float, shift: float, a_year: float,
    per_session: tuple[int, ...],
) -> Path:  # fmt: skip
    """Show and write false alarms against months to detect a shift."""
    from accstudy.drift.designs import drift_trade
    from accstudy.stages.sizes import write_table

    trade = drift_trade(s_r, s_cell, shift=shift, sessions_per_year=a_year, per_session=per_session)
    click.echo(_shown(trade, tuple(str(c) for c in trade if c != "method")))
    click.echo(
        "choose a row: n_baseline sets drift.baseline_sessions, n_scans sets --repeats, and "
        "false_alarm_every sets drift.false_alarm_every in study.toml"
    )
    return write_table(study, "plan_drift", trade)


def _sizes(
    study: Path, settings: Any, assumed: Any, cells: tuple[int, ...], per_cell: tuple[int, ...],
    simulations: int, minutes: Any,
) -> Path:  # fmt: skip
    """Show and write what studies of several sizes would find."""
    from accstudy.stages import sizes
    from accstudy.tables import UNREFERENCED

    designs = sizes.designs(assumed.found, cells, per_cell)
    with click.progressbar(length=len(designs), label="sizes") as bar:
        found = sizes.expected_sizes(
            settings, assumed, cells=cells, per_cell=per_cell, simulations=simulations,
            step=bar.update, **minutes,
        )  # fmt: skip
    referenced = settings.reference.kind != "none"
    told = _SIZES if referenced else tuple(c for c in _SIZES if c != "half_width")
    click.echo(_shown(found.table, told))
    for line in found.words:
        click.echo(line if referenced else line.partition(", largest bias")[0])
    name = "plan_sizes" if referenced else UNREFERENCED["plan_sizes"]
    return sizes.write_table(study, name, found.table)


_SIZES = (
    "operators", "n_cells", "per_cell", "n_scans", "half_width", "s_I_low", "s_I_high",
    "assurance", "assurance_low", "assurance_high", "assurance_expected", "assurance_each",
    "chair_minutes",
)  # fmt: skip
_POWER = (
    "operators", "sessions", "per_session", "n_scans", "se", "df", "power", "power_low",
    "power_high", "power_expected", "power_equivalence", "power_equivalence_low",
    "power_equivalence_high", "chair_minutes",
)  # fmt: skip


def _shown(table: object, columns: tuple[str, ...]) -> str:
    """The main columns as aligned text, without empty ones, four digits of each number."""
    import pandas as pd

    assert isinstance(table, pd.DataFrame)
    filled = table[[c for c in columns if c in table]].dropna(axis="columns", how="all")
    return filled.to_string(index=False, float_format=lambda v: f"{v:.4g}", na_rep="-")
