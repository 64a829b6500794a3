"""The sample studies, analysed: what `make demo` left is not computed once more."""

import shutil
from pathlib import Path

from accstudy.pipeline import run_study

SAMPLES = Path(__file__).parents[2] / "sample_study"


def analysed(kind, folder):
    """Copy a sample study, with its results if there are any, and bring these up to date."""
    study = folder / kind
    without = shutil.ignore_patterns("reports", "lock")
    shutil.copytree(SAMPLES / kind, study, ignore=without)
    run_study(study, until="analyze")
    return study
