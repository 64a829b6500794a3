"""What the drift analysis says in words."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from accstudy.drift.projection import Projection
from accstudy.drift.runlength import ewma_run_length
from accstudy.drift.signals import Found, unit_text
from accstudy.drift.stretch import Stretch
from accstudy.drift.trend import MixedTrend

__all__ = ["device_sentence", "run_length_sentence", "trend_sentence"]


def device_sentence(
    device: str, model: str, sessions: pd.DataFrame, found: Sequence[Found], stands: bool
) -> str:
    """Whether anything was found on a device, in one sentence.

    Parameters
    ----------
    device, model : str
        Whose.
    sessions : DataFrame
        ``at``, one row a session.
    found : sequence of Found
        Signals and change points.
    stands : bool
        Something still stands at the last session.
    """
    name = device if device.lower().startswith("device") else f"device {device}".strip()
    name = name[0].upper() + name[1:]
    at = sessions["at"]
    period = f"{len(sessions)} sessions, {at.min():%Y-%m-%d} to {at.max():%Y-%m-%d}, model {model}"
    if not found:
        return f"{name}: no sign of a change ({period})."
    worth = [one for one in found if one.stands] or list(found)
    measurands = dict.fromkeys(one.row["measurand"] for one in worth)
    began = [one.row["at"] for one in worth if one.row["kind"] == "change-point"]
    charted = [one.row["at"] for one in worth if one.row["kind"] == "signal"]
    when = [f"a change is estimated to begin about {min(began):%Y-%m-%d}"] if began else []
    when += [f"charts signalled first on {min(charted):%Y-%m-%d}"] if charted else []
    state = "it stands at the last session" if stands else "the last session is as at first"
    return (
        f"{name} has changed ({period}): signs in {', '.join(measurands)}, "
        f"{', '.join(when)}; {state}."
    )


def run_length_sentence(stretch: Stretch, false_alarm_every: float) -> str:
    """How often the charts alarm for nothing and how soon they find the wanted shift."""
    baseline, limits = stretch.baseline, stretch.limits
    if baseline is None or limits is None:
        return ""
    shift = round(stretch.shift / baseline.sd_of_means, 4)
    used = ewma_run_length(limits.lambda_, limits.L, shift, state="steady")
    known = ewma_run_length(limits.lambda_, limits.L_known, shift, state="steady")
    text = (
        f"The charts of a device together give a false alarm every {false_alarm_every:.0f} "
        f"sessions or so; a shift of {stretch.shift:.3g} {unit_text(stretch.unit)} in "
        f"{stretch.measurand} is found after {used:.1f} sessions on average (EWMA)."
    )
    if used > known + 0.5:
        text += (
            f" With a long baseline it would be {known:.1f}: the limits are "
            f"{limits.L / limits.L_known:.1f} times as wide because the baseline has "
            f"{baseline.m} sessions."
        )
    return text


def trend_sentence(
    stretch: Stretch,
    trend: MixedTrend,
    projection: Projection | None,
    limit: float | None,
    *,
    grows: bool,
) -> str:
    """Slope with its interval, and when the limit will be reached."""
    unit = unit_text(stretch.unit)
    start = stretch.measurand[0].upper() + stretch.measurand[1:]
    slope = f"{trend.slope:+.2g} {unit} a month ({trend.low:+.2g} to {trend.high:+.2g})"
    verb = "changes by" if grows else "shows no trend:"
    text = f"{start} {verb} {slope}"
    if projection is None or limit is None:
        return text + "."
    if projection.reached:
        return (
            f"{text}; the tolerance bound of {projection.bound:.3g} {unit} lies beyond the "
            f"limit of {limit:g} {unit} already."
        )
    if not grows or projection.at is None:
        return (
            f"{text}; no date on which the limit of {limit:g} {unit} is reached is in sight, "
            f"looking ahead to {projection.horizon:%Y-%m-%d}."
        )
    late = (
        f"and {projection.high:%Y-%m-%d}"
        if projection.high is not None
        else f"and a day after {projection.horizon:%Y-%m-%d}, or never"
    )
    early = projection.low if projection.low is not None else projection.at
    return (
        f"{text}; if it goes on, the tolerance bound meets the limit of {limit:g} {unit} on "
        f"{projection.at:%Y-%m-%d} (the limit is reached between {early:%Y-%m-%d} {late})."
    )
