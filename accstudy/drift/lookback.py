"""What to reassess: the sessions that are not verified, and the time about them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from accstudy.accuracy.judge import ALL_PAIRS, VERIFIED
from accstudy.drift.signals import Found
from accstudy.drift.stretch import Stretch

__all__ = ["lookback_rows"]

Charted = Mapping[str, Sequence[tuple[Stretch, Sequence[Found]]]]


def lookback_rows(
    device: str, scans: pd.DataFrame, charted: Charted, limits: pd.DataFrame
) -> pd.DataFrame:
    """Check scans of the sessions that are not verified.

    Parameters
    ----------
    device : str
        The device.
    scans : DataFrame
        ``scan, model, device, session, at``, one row a scan, of all models.
    charted : mapping
        For each model the present stretch of every measurand, with what stands.
    limits : DataFrame
        Table ``drift_limits``; empty where no limit is set.

    Returns
    -------
    DataFrame
        Rows of table ``drift_lookback``. With a limit: the sessions in which not every
        pair was verified, whether or not anything changed. Without one: the sessions
        since the last that no standing signal may reach back to.

    Notes
    -----
    A change alone does not make former results wrong: a device that changed and still
    keeps the limit needs no reassessment. The study's own scans are listed; what else
    the device measured between the sessions verified before and after is to be
    reassessed as well.
    """
    mine = scans[scans["device"] == device]
    parts = []
    for model, rows in mine.groupby("model", sort=True):
        sessions = rows.groupby("session", sort=False)["at"].min().reset_index()
        sessions = sessions.sort_values(["at", "session"], kind="stable", ignore_index=True)
        standing = [(s, one) for s, found in charted.get(str(model), ()) for one in found]
        held = limits
        if len(limits):
            held = limits[(limits["device"] == device) & (limits["model"] == model)]
        if len(held):
            doubts = _against_the_limit(sessions, held[held["scope"] == ALL_PAIRS])
        else:
            doubts = _since_a_signal(sessions, standing)
        doubtful = doubts[doubts["doubt"] != ""]
        if not len(doubtful):
            continue
        out = rows[["device", "model", "scan", "session", "at"]].merge(
            doubtful.drop(columns="at"), on="session", how="inner"
        )
        signals = [one.row["at"] for _, one in standing if one.row["kind"] == "signal"]
        out["signal_at"] = min(signals, default=pd.NaT)
        out["because"] = "; ".join(
            dict.fromkeys(
                f"{s.measurand}: {one.row['kind']} {one.row['chart']}" for s, one in standing
            )
        )
        parts.append(out.sort_values(["at", "scan"], kind="stable"))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _neighbours(sessions: pd.DataFrame) -> pd.DataFrame:
    """For every session the last before it and the first after it that is not in doubt."""
    good = sessions["doubt"] == ""
    out = sessions.copy()
    for column in ("session", "at"):
        kept = sessions[column].where(good)
        name = {"session": "proven_good", "at": "proven_good_at"}[column]
        out[name] = kept.ffill()
        out[name.replace("proven_good", "next_good")] = kept.bfill()
    for name in ("proven_good", "next_good"):
        out[name] = out[name].fillna("")
    return out


def _against_the_limit(sessions: pd.DataFrame, together: pd.DataFrame) -> pd.DataFrame:
    columns = ["session", "implant_a", "implant_b", "bound_um", "limit_um", "confidence", "verdict"]
    found = sessions.merge(together[columns], on="session", how="left")
    verified = found["verdict"] == VERIFIED
    found["doubt"] = [
        "" if good else _beyond(row) for good, row in zip(verified, found.itertuples(), strict=True)
    ]
    return _neighbours(found)


def _beyond(row: object) -> str:
    bound = getattr(row, "bound_um", float("nan"))
    if pd.isna(bound):
        return "not every pair has a bound"
    pair = f"{getattr(row, 'implant_a', '')}-{getattr(row, 'implant_b', '')}"
    return f"pair {pair} up to {bound:.1f} µm, limit {getattr(row, 'limit_um', 0.0):g} µm"


def _since_a_signal(
    sessions: pd.DataFrame, standing: Sequence[tuple[Stretch, Found]]
) -> pd.DataFrame:
    found = sessions.assign(doubt="")
    if standing:
        stretch, first = min(standing, key=lambda one: _good_at(*one))
        since = _good_at(stretch, first)
        text = (
            f"{stretch.measurand} may have changed since {pd.Timestamp(first.row['low']):%Y-%m-%d}"
        )
        found.loc[found["at"] > since, "doubt"] = text
    return _neighbours(found)


def _good_at(stretch: Stretch, one: Found) -> pd.Timestamp:
    """Day of the last session that a finding leaves unaffected; the beginning of time for none."""
    if one.last_good < 0:
        return pd.Timestamp.min
    return pd.Timestamp(stretch.rows["at"].iloc[one.last_good])
