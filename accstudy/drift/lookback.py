"""What to reassess when a signal stands: every scan since the device was last proven good."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtrit

from accstudy.drift.signals import Found, unit_text
from accstudy.drift.stretch import Stretch

__all__ = ["largest_means", "lookback_rows", "session_doubts"]

Floats = NDArray[np.float64]

_CONFIDENCE = 0.95


def largest_means(stretch: Stretch) -> Floats:
    """How far off each session may have been: its absolute mean with its uncertainty.

    Parameters
    ----------
    stretch : Stretch
        Sessions with a baseline.

    Returns
    -------
    (s,) ndarray
        One-sided 95 % bound in the unit of the measurand, by Student's t with the
        baseline's standard deviation of a session mean.
    """
    assert stretch.baseline is not None
    t = float(stdtrit(stretch.baseline.m - 1, _CONFIDENCE))
    return np.asarray(np.abs(stretch.means) + t * stretch.sd_of_means)


def session_doubts(
    charted: Sequence[tuple[Stretch, Sequence[Found]]], limits: Mapping[str, float]
) -> pd.DataFrame:
    """Say of every session of one device and model why it is not proven good.

    Parameters
    ----------
    charted : sequence of (Stretch, sequence of Found)
        The present stretch of every measurand, with what stands there.
    limits : mapping
        Limit of each measurand that has one.

    Returns
    -------
    DataFrame
        ``session, at, doubt`` in order of time; ``doubt`` is empty for a session
        proven good.

    Notes
    -----
    A session is proven good if, for every measurand, it lies before everything
    that the standing signals and the date intervals of the change points cover,
    and, where there is a limit, its mean with its uncertainty (`largest_means`)
    lies within it.
    """
    times: dict[str, pd.Timestamp] = {}
    changed: dict[str, list[tuple[pd.Timestamp, str]]] = {}
    beyond: dict[str, list[tuple[float, str]]] = {}
    for stretch, found in charted:
        sessions = [str(one) for one in stretch.rows["session"]]
        times.update(zip(sessions, stretch.rows["at"], strict=True))
        if found:
            first = min(found, key=lambda one: one.last_good)
            since = pd.Timestamp(first.row["low"])
            for session in sessions[first.last_good + 1 :]:
                changed.setdefault(session, []).append((since, stretch.measurand))
        limit = limits.get(stretch.measurand)
        if limit is None or stretch.baseline is None:
            continue
        for session, bound in zip(sessions, largest_means(stretch), strict=True):
            if bound > limit:
                unit = unit_text(stretch.unit)
                text = (
                    f"{stretch.measurand} up to {bound:.1f} {unit}, {bound - limit:.1f} {unit} "
                    "beyond the limit"
                )
                beyond.setdefault(session, []).append((bound - limit, text))
    rows = [
        (session, at, "; ".join(_doubts(changed.get(session, []), beyond.get(session, []))))
        for session, at in sorted(times.items(), key=lambda item: (item[1], item[0]))
    ]
    return pd.DataFrame(rows, columns=["session", "at", "doubt"])


def _doubts(
    changed: Sequence[tuple[pd.Timestamp, str]], beyond: Sequence[tuple[float, str]]
) -> list[str]:
    """The change that reaches back furthest and the measurand furthest beyond its limit."""
    said = []
    if changed:
        since, measurand = min(changed, key=lambda one: one[0])
        said.append(f"{measurand} may have changed since {since:%Y-%m-%d}{_more(changed)}")
    if beyond:
        said.append(max(beyond, key=lambda one: one[0])[1] + _more(beyond))
    return said


def _more(listed: Sequence[object]) -> str:
    others = len(listed) - 1
    return f" (and {others} more measurand{'s' if others > 1 else ''})" if others else ""


def lookback_rows(
    device: str,
    scans: pd.DataFrame,
    charted: Mapping[str, Sequence[tuple[Stretch, Sequence[Found]]]],
    limits: Mapping[str, float],
) -> pd.DataFrame:
    """Scans of a device since the last session proven good.

    Parameters
    ----------
    device : str
        The device.
    scans : DataFrame
        ``scan, model, device, session, at``, one row a scan, of all models.
    charted : mapping
        For each model the present stretch of every measurand, with what stands.
    limits : mapping
        Limit of each measurand that has one.

    Returns
    -------
    DataFrame
        Rows of table ``drift_lookback``; none where nothing stands. Where several
        models show the device changed, the earliest of their last good sessions
        counts. The study's own scans are listed; what else the device measured in
        that time is to be reassessed as well.
    """
    standing = {m: ones for m, ones in charted.items() if any(found for _, found in ones)}
    if not standing:
        return pd.DataFrame()
    doubts = {model: session_doubts(ones, limits) for model, ones in charted.items()}
    name, since = min((_last_good(doubts[model]) for model in standing), key=lambda good: good[1])
    mine = scans[scans["device"] == device]
    if name:
        mine = mine[(mine["at"] > since) & (mine["session"] != name)]
    signs = [(s, one) for ones in standing.values() for s, found in ones for one in found]
    because = dict.fromkeys(
        f"{s.measurand}: {one.row['kind']} {one.row['chart']}" for s, one in signs
    )
    out = mine.sort_values(["at", "scan"], kind="stable")[
        ["device", "model", "scan", "session", "at"]
    ].copy()
    whose = [
        frame.assign(model=model)[["model", "session", "doubt"]] for model, frame in doubts.items()
    ]
    out = out.merge(pd.concat(whose), on=["model", "session"], how="left", validate="many_to_one")
    out["doubt"] = out["doubt"].fillna("").replace("", "held after the last session proven good")
    out["proven_good"] = name
    out["proven_good_at"] = since if name else pd.NaT
    out["signal_at"] = min(one.row["at"] for _, one in signs)
    out["because"] = "; ".join(because)
    return out


def _last_good(doubts: pd.DataFrame) -> tuple[str, pd.Timestamp]:
    """Last session without a doubt; an empty name and the beginning of time for none."""
    good = doubts[doubts["doubt"] == ""]
    if not len(good):
        return "", pd.Timestamp.min
    return str(good["session"].iloc[-1]), pd.Timestamp(good["at"].iloc[-1])
