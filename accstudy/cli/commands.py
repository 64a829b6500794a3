"""One thin function a command."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from accstudy.cli.options import (
    DONE,
    FAILED,
    INPUT_AT_FAULT,
    LEFT_OUT,
    STANDS,
    Progress,
    Shared,
    abridged,
    quoted,
    report_options,
    shared_options,
)
from accstudy.cli.preparing import add, learn, list_scans, new, plan, show
from accstudy.errors import Severity

if TYPE_CHECKING:
    from accstudy.errors import Finding
    from accstudy.pipeline import Outcome

_STUDY = click.argument(
    "study", type=click.Path(exists=True, file_okay=False, path_type=Path), metavar="STUDY"
)


def _stage(path: Path, *, since: str, until: str, shared: Shared, **printed: Any) -> Outcome:
    from accstudy.pipeline import run_study

    with Progress(quiet=shared.quiet) as progress:
        outcome = run_study(
            path,
            since=since,
            until=until,
            jobs=shared.jobs,
            scheduler=shared.scheduler,
            strict=shared.strict,
            allow_outside=shared.allow_outside,
            say=progress.say,
            show=progress.show,
            **printed,
        )
    _tell(outcome.findings, quiet=shared.quiet)
    if outcome.left_out:
        click.echo(f"left out: {', '.join(outcome.left_out)}", err=True)
    return outcome


def _code(done: Outcome) -> int:
    """Exit code of a run; prints a line a device that needs action, also when quiet."""
    from accstudy.stages.work import standing_lines

    lines = standing_lines(done.tables)
    for line in lines:
        click.echo(line)
    return STANDS if lines else LEFT_OUT if done.left_out else DONE


def _tell(findings: Sequence[Finding], *, quiet: bool) -> None:
    """Print findings that matter; notes are counted."""
    notes = sum(f.severity is Severity.NOTE for f in findings)
    wanted = {Severity.ERROR} if quiet else {Severity.ERROR, Severity.WARNING}
    for line in abridged([f for f in findings if f.severity in wanted]):
        click.echo(line, err=True)
    if notes and not quiet:
        click.echo(
            f"{notes} note{'s' * (notes != 1)}; see results/findings.csv or `accstudy check --csv`"
        )


@click.command()
@_STUDY
@shared_options
@click.option("--csv", "as_csv", is_flag=True, help="Print the findings as CSV.")
@click.pass_context
def check(ctx: click.Context, study: Path, shared: Shared, as_csv: bool) -> None:
    """List all errors in STUDY at once; nothing is changed.

    All files are read, including the meshes. What is still missing is listed in the order in which
    to supply it.

    Example: accstudy check sample_study/validation
    """
    from accstudy.stages.check import check_study, findings_csv, split_missing

    with Progress(quiet=shared.quiet or as_csv) as progress:
        findings = check_study(
            study,
            jobs=shared.jobs,
            scheduler=shared.scheduler,
            allow_outside=shared.allow_outside,
            show=progress.show,
        )
    if as_csv:
        click.echo(findings_csv(findings), nl=False)
    else:
        steps, others = split_missing(findings)
        faults = [f for f in others if f.severity is Severity.ERROR]
        for line in abridged(faults):
            click.echo(line, err=True)
        milder = [f for f in others if f.severity is not Severity.ERROR]
        for line in () if shared.quiet else abridged(milder):
            click.echo(line)
        if steps:
            click.echo("Still missing, in the order in which to supply it:")
        for k, (step, _) in enumerate(steps, start=1):
            click.echo(f"  {k}. {step}")
        counts = {s: sum(f.severity is s for f in findings) for s in Severity}
        if not shared.quiet:
            click.echo(", ".join(f"{n} {s.value}{'s' * (n != 1)}" for s, n in counts.items()))
    faulty = any(f.severity is Severity.ERROR for f in findings)
    if not (faulty or shared.quiet or as_csv):
        click.echo(f"nothing is missing; next: accstudy run {quoted(study)}")
    warned = shared.strict and any(f.severity is Severity.WARNING for f in findings)
    ctx.exit(INPUT_AT_FAULT if faulty or warned else DONE)


@click.command()
@_STUDY
@shared_options
@click.pass_context
def measure(ctx: click.Context, study: Path, shared: Shared) -> None:
    """Locate every implant in every scan of STUDY; write poses.csv.

    Example: accstudy measure sample_study/validation --jobs 2
    """
    done = _stage(study, since="measure", until="measure", shared=shared)
    ctx.exit(LEFT_OUT if done.left_out else DONE)


@click.command()
@_STUDY
@shared_options
@click.pass_context
def analyze(ctx: click.Context, study: Path, shared: Shared) -> None:
    """Compute all result tables of STUDY from its poses.

    Example: accstudy analyze sample_study/validation
    """
    done = _stage(study, since="analyze", until="analyze", shared=shared)
    ctx.exit(_code(done))


@click.command()
@_STUDY
@shared_options
@report_options
@click.pass_context
def report(ctx: click.Context, /, study: Path, shared: Shared, **printed: Any) -> None:
    """Make the PDF report of STUDY from its result tables.

    Example: accstudy report sample_study/validation --figures tiff --dpi 600
    """
    done = _stage(study, since="report", until="report", shared=shared, **printed)
    ctx.exit(_code(done))


@click.command()
@click.argument(
    "studies",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    metavar="STUDY...",
    nargs=-1,
    required=True,
)
@shared_options
@report_options
@click.pass_context
def run(ctx: click.Context, /, studies: tuple[Path, ...], shared: Shared, **printed: Any) -> None:
    """Check, measure, analyze and report one STUDY or several.

    Stages that are up to date are skipped. Results are replaced together at the end.

    Example: accstudy run sample_study/validation
    """
    code = DONE
    for study in studies:
        if len(studies) > 1 and not shared.quiet:
            click.echo(f"== {study}")
        done = _stage(study, since="measure", until="report", shared=shared, **printed)
        code = max(code, _code(done))
    ctx.exit(code)


@click.command()
@_STUDY
@shared_options
@click.option(
    "--all", "everything", is_flag=True, help="Measure all scans again instead of a sample."
)
@click.option(
    "--bundle",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Pack report, tables, record and history into this ZIP file, for an auditor.",
)
@click.pass_context
def audit(
    ctx: click.Context,
    study: Path,
    shared: Shared,
    everything: bool,
    bundle: Path | None,
) -> None:
    """Verify that STUDY and its results agree with its record.

    The run is repeated in memory, including the PDF, and compared; nothing is changed. Exit code 3
    if anything differs; recomputed numbers may differ by one unit in the last digit, as they do
    between processors. The owner of the folder can replace everything in it: keep or sign the
    digest of the record elsewhere.

    Example: accstudy audit sample_study/validation
    """
    from accstudy.audit import audit_study, write_bundle

    with Progress(quiet=shared.quiet) as progress:
        found = audit_study(
            study,
            everything=everything,
            jobs=shared.jobs,
            scheduler=shared.scheduler,
            allow_outside=shared.allow_outside,
            show=progress.show,
        )
    for finding in found.findings:
        click.echo(str(finding), err=True)
    said = [f"{found.sessions} sessions compared with their first record"]
    if found.added:
        said.append(f"added since the last run: {'; '.join(found.added)}; run the study again")
    if found.rounding:
        said.append(f"{found.rounding} numbers differ by one unit in the last digit")
    if found.made_on:
        said.append(f"recorded by another program or on another machine: {found.made_on}")
    if found.unproven:
        names = ", ".join(found.unproven)
        said.append(f"as recorded, but reproduced as a different file on this machine: {names}")
    if found.record:
        said.append(f"SHA-256 of the record, to be stored elsewhere: {found.record}")
    said.append("something differs" if found.findings else "everything is as recorded")
    if not shared.quiet:
        click.echo(
            f"{found.files} files compared with the record, {found.runs} runs in the history, "
            f"{len(found.remeasured)} scans measured again, {found.recomputed} tables recomputed"
        )
        for line in said:
            click.echo(line)
    if bundle is not None:
        click.echo(f"written: {write_bundle(study, bundle, [*map(str, found.findings), *said])}")
    ctx.exit(INPUT_AT_FAULT if found.findings else DONE)


@click.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option(
    "--kind",
    type=click.Choice(["validation", "comparison", "drift"]),
    default="validation",
    show_default=True,
    help="Kind of study to simulate.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Seed of the random numbers.")
@click.option(
    "--samples",
    is_flag=True,
    help="Write the three sample studies into FOLDER; existing ones are replaced.",
)
@click.option("--quiet", is_flag=True, help="Print problems only.")
def simulate(folder: Path, kind: str, seed: int, samples: bool, quiet: bool) -> None:
    """Write a simulated study with known truth into FOLDER.

    Example: accstudy simulate my_invented_study --kind validation --seed 7
    """
    from accstudy.simulate.studies import simulate_study, write_samples

    written = write_samples(folder) if samples else [simulate_study(kind, folder, seed=seed)]
    if not quiet:
        for path in written:
            click.echo(f"written: {path}")


@click.command()
@click.argument(
    "folder", type=click.Path(file_okay=False, path_type=Path), default=Path(), metavar="[FOLDER]"
)
@click.option("--quiet", is_flag=True, help="Print problems only.")
@click.pass_context
def selftest(ctx: click.Context, folder: Path, quiet: bool) -> None:
    """Check this installation against known results; write a record.

    Published examples, results of other programs, closed-form solutions and a simulated scan, each
    number beside its source. Writes selftest.json and selftest.pdf, by default to the current
    folder. Exit code 1 if anything differs.

    Example: accstudy selftest software_validation
    """
    from accstudy.selftest.run import counted, record_files, run_selftest
    from accstudy.study.files import write_files

    found = run_selftest(say=lambda line: None if quiet else click.echo(line))
    written = write_files(folder, record_files(found, on=dt.date.today().isoformat()))
    for row in found.differing.itertuples():
        click.echo(
            f"differs: {row.topic}, {row.case}, {row.quantity}: known {row.published}, "
            f"here {row.here}, tolerance {row.tolerance}",
            err=True,
        )
    if not quiet:
        for path in written:
            click.echo(f"written: {path}")
    if not found.passed:
        click.echo(f"{len(found.differing)} of {len(found.table)} numbers differ", err=True)
    elif not quiet:
        kinds = ", ".join(f"{n} {kind}" for kind, n in counted(found.table).items())
        click.echo(f"all {len(found.table)} numbers agree ({kinds}), {found.seconds:.0f} s")
    ctx.exit(DONE if found.passed else FAILED)


@click.command()
@click.argument(
    "folder", type=click.Path(file_okay=False, path_type=Path), default=None, required=False
)
@click.option(
    "--port", type=click.IntRange(0, 65535), default=0, help="Port; a free one by default."
)
@click.option("--no-browser", is_flag=True, help="Print the link and do not open it.")
@click.option(
    "--room",
    is_flag=True,
    help="Let other devices in this network tick off planned scans, with a pass phrase.",
)
@click.option(
    "--shortcut",
    type=click.Path(file_okay=False, path_type=Path),
    is_flag=False,
    flag_value=Path(),
    help="Write files that start the desk by a double click, and exit.",
)
def desk(
    folder: Path | None, port: int, no_browser: bool, room: bool, shortcut: Path | None
) -> None:
    """Open the program in the browser, instead of the terminal.

    Studies in FOLDER are shown, and new ones are created there; "accstudy studies" in the home
    folder by default. Nothing leaves this machine. Needs accstudy[desk].

    Example: accstudy desk our_studies
    """
    from accstudy.errors import MissingLibraryError

    home = folder or Path.home() / "accstudy studies"
    try:
        from accstudy.desk.server import serve, shortcuts
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] == "accstudy":
            raise
        raise MissingLibraryError(
            f"the desk needs {error.name}", hint='install it: pip install "accstudy[desk]"'
        ) from None
    if shortcut is not None:
        for path in shortcuts(shortcut, home):
            click.echo(f"written: {path}")
        return
    serve(home, port=port, room=room, browser=not no_browser, say=click.echo)


ALL = (
    new, show, learn, plan, list_scans, add, check, measure, analyze, report, run, audit,
    simulate, selftest, desk,
)  # fmt: skip
"""Commands in the order in which one uses them."""
