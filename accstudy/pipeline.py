"""The stages of a run in order, what each depends on, and what it writes.

check -> measure -> analyze -> report. A stage is skipped when everything it
depends on hashes as in the record of the last run; it says why when it is not.
Results are written aside and put in place at the end, so that an interrupted
run leaves the old results or the new ones, whole.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from accstudy.errors import Finding
from accstudy.stages.measure import Show
from accstudy.stages.work import CACHE, ReportOptions, Say, Work
from accstudy.study.files import recover, study_lock
from accstudy.study.load import Study, load_study
from accstudy.study.record import read_record

STAGES = ("check", "measure", "analyze", "report")
"""The stages of a run in their order; `accstudy.stages.steps` parts the third further."""


@dataclass(slots=True)
class Outcome:
    """What a run did.

    Parameters
    ----------
    study : Study
        The study as read.
    tables : dict
        Result tables as they stand in the files.
    findings : tuple of Finding
        Everything the user should know.
    left_out : tuple of str
        Scans that could not be used.
    written : list of Path
        Files written by this run.
    """

    study: Study
    tables: dict[str, pd.DataFrame]
    findings: tuple[Finding, ...]
    left_out: tuple[str, ...]
    written: list[Path] = field(default_factory=list)


def run_study(
    path: Path,
    *,
    until: str = "report",
    since: str = "measure",
    jobs: int = 1,
    scheduler: str = "",
    strict: bool = False,
    allow_outside: bool = False,
    figures: str = "",
    dpi: int = 300,
    page: bool = False,
    who: str = "",
    issued: str = "",
    say: Say = lambda line: None,
    show: Show | None = None,
) -> Outcome:
    """Run the stages of a study, skipping what is up to date.

    Parameters
    ----------
    path : Path
        Study folder.
    until : {"measure", "analyze", "report"}
        Last stage.
    since : {"measure", "analyze", "report"}
        First stage; the results of the stages before it are read.
    jobs : int
        Processes for measuring; results do not depend on it.
    scheduler : str
        Address of a Dask scheduler whose workers measure instead.
    strict : bool
        Whether a scan that must be left out is an error.
    allow_outside : bool
        Whether files may lie outside the study folder.
    figures : str
        Forms in which the report's figures are written as files, too, such as ``"svg,tiff"``.
    dpi : int
        Of figures as PNG and TIFF.
    page : bool
        Whether a page to explore is written, too.
    who : str
        Who runs it, for the report and the history of runs; may be empty.
    issued : str
        Date of issue of the report as YYYY-MM-DD, where it is not that of study.toml.
    say : callable
        Gets a line for every step.
    show : callable, optional
        Gets a scan, the number done and the number to do.

    Raises
    ------
    StudyError
        If the input is at fault, or `strict` and a scan was left out. Nothing
        is written then.
    """
    first, last = STAGES.index(since), STAGES.index(until)
    with study_lock(path):
        recover(path / "results")
        recover(path / "reports")
        study = load_study(path, allow_outside=allow_outside)
        scans, models = len(study.scans), study.scans["model"].nunique()
        say(f"check: {scans} scan{'s' * (scans != 1)} of {models} model{'s' * (models != 1)}")
        work = Work(study, read_record(path / "results"), say)
        work.start()
        if first <= STAGES.index("analyze"):
            from accstudy.stages.model_checks import refuse_models

            refuse_models(work.study)
        if first <= STAGES.index("measure") <= last:
            work.measure(jobs=jobs, scheduler=scheduler, strict=strict, show=show)
        else:
            work.recall_poses()
        if last >= STAGES.index("analyze"):
            if first <= STAGES.index("analyze"):
                work.analyze()
            else:
                work.recall_tables()
        work.finish()
        if last >= STAGES.index("report"):
            work.report(ReportOptions(figures, page, who, issued, dpi), kept=path / CACHE.parent)
        work.write(who)
    return Outcome(work.study, work.tables, work.all_findings(), work.left_out, work.written)
