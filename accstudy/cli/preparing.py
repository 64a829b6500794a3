"""Commands before and between the scans: new, show, learn, list-scans, add, plan."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import click

from accstudy.cli.options import quoted, read_levels


def _protocols(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    """Names of protocols that begin with the typed text, for Tab completion."""
    from accstudy.plan.protocol import protocol_names

    return [name for name in protocol_names() if name.startswith(incomplete)]


@click.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option(
    "--protocol",
    default="full_arch_validation",
    show_default=True,
    shell_complete=_protocols,
    help="full_arch_validation, technique_comparison or monthly_drift.",
)
@click.option("--title", default="", help="Title of the study; the protocol's by default.")
@click.option(
    "--without-reference",
    is_flag=True,
    help="The model has not been measured: precision and differences only, no trueness.",
)
@click.option("--quiet", is_flag=True, help="Print problems only.")
def new(folder: Path, protocol: str, title: str, without_reference: bool, quiet: bool) -> None:
    """Create a study in FOLDER from a protocol, fully commented.

    Nothing is overwritten. Its README.md names the next steps.

    Example: accstudy new my_study --protocol full_arch_validation
    """
    from accstudy.stages.plan import new_study

    written = new_study(folder, protocol=protocol, title=title, referenced=not without_reference)
    if not quiet:
        for path in written:
            click.echo(f"written: {path}")
        click.echo(f"next: read {folder / 'README.md'}, then type")
        click.echo(f"  accstudy check {quoted(folder)}")


@click.command("list-scans")
@click.argument(
    "folder", type=click.Path(exists=True, file_okay=False, path_type=Path), metavar="FOLDER"
)
@click.option("--model", default="", help="Model shown in the scans.")
@click.option(
    "--same",
    multiple=True,
    callback=read_levels,
    help='A column with one value for all scans, such as "device=device A"; repeat for each.',
)
@click.option("--write", is_flag=True, help="Append the rows to the scan list of the study.")
def list_scans(folder: Path, model: str, same: dict[str, tuple[str, ...]], write: bool) -> None:
    """Propose rows for the scan list from mesh files in FOLDER.

    The rows are derived from file names and times. FOLDER is a study, or a folder of mesh files in
    one; files already listed are left out. The proposal is a guess: check every row before use.

    Example: accstudy list-scans my_study --same "device=device A" > rows.csv
    """
    from accstudy.stages import plan as planning
    from accstudy.study.toml import read_settings
    from accstudy.tables import csv_bytes

    constant = {name: levels[-1] for name, levels in same.items()}
    proposal = planning.list_scans(folder, model=model, same=constant)
    for note in proposal.notes:
        click.echo(note, err=True)
    if write:
        study = planning.study_of(folder)
        settings = read_settings(study / "study.toml")
        click.echo(f"written: {planning.append_list(study, settings, proposal.scans)}")
        click.echo("check every row before use", err=True)
    else:
        data = csv_bytes("scans", proposal.scans, factors=tuple(proposal.scans.columns))
        click.echo(data, nl=False)


def _values(ctx: click.Context, param: click.Parameter, values: tuple[str, ...]) -> dict[str, str]:
    return {name: levels[-1] for name, levels in read_levels(ctx, param, values).items()}


@click.command()
@click.argument(
    "study", type=click.Path(exists=True, file_okay=False, path_type=Path), metavar="STUDY"
)
@click.argument(
    "files", type=click.Path(exists=True, path_type=Path), metavar="SCANS...", nargs=-1,
    required=True,
)  # fmt: skip
@click.option(
    "--session", default="", help="Name of the session; the date of its first scan by default."
)
@click.option("--device", default="", help="Device; the only one in the scan list by default.")
@click.option("--model", default="", help="Model; the only one of the study by default.")
@click.option(
    "--set",
    "values",
    multiple=True,
    callback=_values,
    help='A further column, such as "operator=operator 1"; repeat for each.',
)
@click.option(
    "--expect",
    type=click.IntRange(min=0),
    help="Scans per session; as many as in the last session of the device by default.",
)
@click.option("--quiet", is_flag=True, help="Print problems only.")
def add(
    study: Path,
    files: tuple[Path, ...],
    session: str,
    device: str,
    model: str,
    values: dict[str, str],
    expect: int | None,
    quiet: bool,
) -> None:
    """Add the SCANS of a session to the scan list of STUDY.

    Rows are appended; existing rows are not changed. SCANS are mesh files, or folders that contain
    them; files outside STUDY are copied into it. Every file is read first. Scans not yet made get
    planned rows and a data collection sheet.

    Example: accstudy add our_device --session "week 14" export/week14
    """
    from accstudy.stages.add import add_session

    done = add_session(
        study,
        files,
        session=session,
        device=device,
        model=model,
        values=values,
        expected=expect,
        today=dt.date.today(),
    )
    if quiet:
        return
    click.echo(f"added: {', '.join(done.scans)}")
    if done.planned:
        click.echo(f"scans still to make: {', '.join(done.planned)}")
    for line in (*done.words, *(f"written: {path}" for path in done.written)):
        click.echo(line)


@click.command()
@click.argument("drawing", metavar="MESH|STUDY", type=click.Path(exists=True, path_type=Path))
@click.option(
    "--unit",
    type=click.Choice(["mm", "cm", "m", "inch", "um"]),
    default="mm",
    help="Length unit of MESH; for a study, study.toml states it.",
)
@click.option(
    "--pictures",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path(),
    help="Folder for the images; the current folder by default.",
)
def show(drawing: Path, unit: str, folder: Path) -> None:
    """Show axis, flat and top of the CAD geometry of a scan body.

    MESH is the CAD geometry. Prints the lines for study.toml and writes an image of it with its
    axis, its flat and the possible positions of the platform. For a STUDY, the geometry is
    compared with the settings in study.toml.

    Example: accstudy show sample_study/validation
    """
    from accstudy.stages.drawings import show_drawing, show_study

    if drawing.is_dir():
        shown = show_study(drawing, folder)
    else:
        shown = show_drawing(drawing, folder, length_unit=unit)
    for line in shown:
        click.echo(line)


@click.command()
@click.argument("study", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option(
    "--scan",
    default="",
    help=(
        "Mesh of the model with its scan bodies, inside STUDY and in the frame of the reference; "
        "reference.surface by default."
    ),
)
@click.option("--model", default="", help="Model shown in the scan; required if there are several.")
@click.option("--body", default="", help="Key of [scan_body.*]; required if there are several.")
def learn(study: Path, scan: str, model: str, body: str) -> None:
    """Derive a scan body from a scan, if there is no CAD geometry.

    The surface around every implant of the reference is extracted, and the copies are aligned to
    each other and averaged. Writes the mean and an image to scan_bodies/ and prints the lines for
    study.toml, with the resulting uncertainty.

    Example: accstudy learn sample_study/validation
    """
    from accstudy.stages.drawings import learn_drawing

    for line in learn_drawing(study, scan=scan, model=model, name=body).lines():
        click.echo(line)


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
