"""Which reference rows hold for which scans."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from accstudy.study.load import Study, reference_versions

__all__ = ["references_with_scans"]


def references_with_scans(study: Study) -> Iterator[tuple[pd.DataFrame, list[str]]]:
    """Reference rows, each with the scans made while they held.

    Parameters
    ----------
    study : Study
        The study; a model that was measured again has several references.

    Yields
    ------
    reference : DataFrame
        Rows of table ``implants`` of one model.
    scans : list of str
        Measurable scans of that model; those without a time belong to the
        oldest reference.
    """
    scans = study.measurable
    for model in dict.fromkeys(scans["model"]):
        mine = scans[scans["model"] == model]
        versions = reference_versions(study.implants, model)
        which = np.zeros(len(mine), int)
        if len(versions) > 1 and "measured_at" in mine:
            since = [at for at, _ in versions]
            at = pd.to_datetime(mine["measured_at"]).fillna(since[0])
            which = np.searchsorted(np.array(since), at.to_numpy(), side="right") - 1
        for number, (_, reference) in enumerate(versions):
            yield reference, mine.loc[which.clip(0) == number, "scan"].tolist()
