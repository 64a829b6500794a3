"""Without a reference: the arrangement that the scans themselves show."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from accstudy.compare.arrangement import mean_arrangement
from accstudy.stages.compare import at_reference_temperature
from accstudy.study.load import Study
from accstudy.study.reference import with_angulation
from accstudy.tables import empty, shape

__all__ = ["arrangement_of", "with_arrangement"]


def arrangement_of(study: Study, poses: pd.DataFrame) -> pd.DataFrame:
    """Learn the arrangement of every model from its scans.

    Parameters
    ----------
    study : Study
        A study without a reference; `Study.implants` names the implants of every model and
        says where to begin.
    poses : DataFrame
        Table ``poses``.

    Returns
    -------
    DataFrame
        Table ``arrangement``: the mean of the usable scans of each model. In a drift study the
        mean of the sessions of the first baseline of every device, so that a new session
        does not move what the former ones are compared with.
    """
    kept = _behind_the_mean(study)
    mine = at_reference_temperature(study, poses)
    mine = mine[mine["scan"].isin(kept)]
    parts = [
        mean_arrangement(mine, start)
        for model, start in study.implants.groupby("model", sort=False)
        if (mine["model"] == model).any()
    ]
    if not parts:
        return empty("arrangement")
    out = pd.concat(parts, ignore_index=True)
    return shape(
        "arrangement", with_angulation(_as_implants(out), None).assign(n_scans=out["n_scans"])
    )


def with_arrangement(study: Study, arrangement: pd.DataFrame) -> Study:
    """Let scans be compared with the arrangement that was learned.

    Parameters
    ----------
    study : Study
        A study without a reference.
    arrangement : DataFrame
        Table ``arrangement`` as it stands in the file.
    """
    known = with_angulation(_as_implants(arrangement), None)
    known["angulation_by"] = _definitions(study, known)
    return replace(study, implants=known)


def _definitions(study: Study, known: pd.DataFrame) -> list[str]:
    """How every angulation is defined, as the provisional arrangement says."""
    by = study.implants.set_index(["model", "implant"])["angulation_by"]
    return [str(by.get((m, i), "")) for m, i in zip(known["model"], known["implant"], strict=True)]


def _as_implants(arrangement: pd.DataFrame) -> pd.DataFrame:
    rows = shape("implants", arrangement)
    return rows.assign(row=range(2, len(rows) + 2))


def _behind_the_mean(study: Study) -> set[str]:
    """Scans that are averaged."""
    usable = study.usable
    if study.settings.study.kind != "drift" or "measured_at" not in usable:
        return set(usable["scan"])
    drift = study.settings.drift
    at = pd.to_datetime(usable["measured_at"])
    if drift.baseline_until is not None:
        early = at.dt.date <= drift.baseline_until
        return set(usable.loc[early if early.any() else at.notna(), "scan"])
    session = usable["session"].astype(str) if "session" in usable else at.dt.strftime("%Y-%m-%d")
    device = usable["device"].astype(str) if "device" in usable else pd.Series("", usable.index)
    first = at.groupby([usable["model"], device, session]).transform("min")
    rank = first.groupby([usable["model"], device]).rank(method="dense")
    return set(usable.loc[rank <= drift.baseline_sessions, "scan"])
