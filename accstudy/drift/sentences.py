"""Sentences on the results of the drift analysis."""

from __future__ import annotations

from accstudy.drift.runlength import ewma_run_length
from accstudy.drift.signals import unit_text
from accstudy.drift.stretch import Stretch
from accstudy.drift.trend import Trend

__all__ = ["run_length_sentence", "trend_sentence"]


def run_length_sentence(stretch: Stretch, false_alarm_every: float) -> str:
    """How often the charts give false alarms and how soon they detect the shift."""
    baseline, limits = stretch.baseline, stretch.limits
    if baseline is None or limits is None:
        return ""
    shift = round(stretch.shift / baseline.sd_of_means, 4)
    used = ewma_run_length(limits.lambda_, limits.L, shift, state="steady")
    known = ewma_run_length(limits.lambda_, limits.L_known, shift, state="steady")
    text = (
        f"All charts of a device together give a false alarm about every {false_alarm_every:.0f} "
        f"sessions; a shift of {stretch.shift:.3g} {unit_text(stretch.unit)} in "
        f"{stretch.measurand} is detected after {used:.1f} sessions on average (EWMA)."
    )
    if used > known + 0.5:
        text += (
            f" With a long baseline it would be {known:.1f}: the limits are "
            f"{limits.L / limits.L_known:.1f} times as wide because the baseline has "
            f"{baseline.m} sessions."
        )
    return text


def trend_sentence(stretch: Stretch, trend: Trend, *, grows: bool) -> str:
    """Slope with its interval."""
    unit = unit_text(stretch.unit)
    start = stretch.measurand[0].upper() + stretch.measurand[1:]
    slope = f"{trend.estimate:+.2g} {unit} per month ({trend.low:+.2g} to {trend.high:+.2g})"
    return f"{start} {'changes by' if grows else 'shows no trend:'} {slope}."
