"""Run rules, named by what they look for, and what they cost in false alarms."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from accstudy.drift.runlength import shewhart_run_length

__all__ = ["RULES", "rule_run_lengths", "rule_signals"]

Floats = NDArray[np.float64]

RULES = {
    "one-side-run": 8,
    "trend-run": 6,
    "alternation": 14,
}
"""Rule and length: values in a row on one side of the centre; values in a row,
each higher than the one before (or each lower); values in a row going up and down
in turn. The lengths are those in common use."""

_LONG = 400_000


def rule_signals(values: ArrayLike, centre: float) -> dict[str, NDArray[np.bool_]]:
    """Where each rule signals.

    Parameters
    ----------
    values : (n,) array_like
        Session values in order of time.
    centre : float
        Centre line.

    Returns
    -------
    dict of (n,) ndarray of bool
        True at the value that completes a run and at those that prolong it.

    Examples
    --------
    >>> bool(rule_signals([1, 1, 1, 1, 1, 1, 1, 1], 0.0)["one-side-run"][-1])
    True
    """
    x = np.asarray(values, float)
    side = np.sign(x - centre)
    step = np.concatenate([[0.0], np.sign(np.diff(x))])
    same_side = _run(side, side)
    same_step = _run(step, step)
    alternating = np.zeros(len(x), np.int64)
    for i in range(2, len(x)):
        if step[i] * step[i - 1] < 0:
            alternating[i] = max(alternating[i - 1], 2) + 1
    return {
        "one-side-run": same_side >= RULES["one-side-run"],
        "trend-run": same_step >= RULES["trend-run"] - 1,
        "alternation": alternating >= RULES["alternation"],
    }


def _run(signs: Floats, of: Floats) -> NDArray[np.int64]:
    length = np.zeros(len(signs), np.int64)
    for i in range(len(signs)):
        if of[i] != 0:
            length[i] = length[i - 1] + 1 if i and signs[i] == signs[i - 1] else 1
    return length


@cache
def rule_run_lengths(L: float) -> dict[str, float]:
    """In-control run length of a chart with limits at `L` sigma and one rule added.

    Parameters
    ----------
    L : float
        Limits of the chart.

    Returns
    -------
    dict
        ``none`` and each rule.

    Notes
    -----
    The run on one side exactly, by the states of its length (Champ and
    Woodall, Technometrics 29 (1987) 393-399); the others as the mean time to
    the first signal in one long simulated series with a fixed seed, started
    anew after every signal (to about 3 %).
    """
    known = shewhart_run_length(L)
    out = {"none": known}
    stay = (1 - 1 / known) / 2  # inside the limits, on a given side
    need = RULES["one-side-run"]
    a = np.eye(need)
    for run in range(need):  # the state is the length of the run so far, 0 at the start
        nxt = run + 1
        if nxt < need:
            a[run, nxt] -= stay if run else 2 * stay
        if run:
            a[run, 1] -= stay
    out["one-side-run"] = float(np.linalg.solve(a, np.ones(need))[0])
    x = np.random.default_rng(1987).standard_normal(_LONG)
    outside = np.abs(x) > L
    for rule in ("trend-run", "alternation"):
        out[rule] = _LONG / _restarts(_step_runs(x, rule), RULES[rule], outside)
    return out


def _step_runs(x: Floats, rule: str) -> NDArray[np.bool_]:
    """Whether each value goes on as the rule wants: same step, or opposite step."""
    up = np.diff(x) > 0
    agree = up[1:] == up[:-1]
    return np.asarray(agree if rule == "trend-run" else ~agree)


def _restarts(go_on: NDArray[np.bool_], need: int, outside: NDArray[np.bool_]) -> int:
    """Signals of rule or limits when counting starts anew after each.

    `go_on[i]` compares the step to value i + 2 with the one before; a rule of
    `need` values wants `need - 2` of them in a row.
    """
    breaks = np.flatnonzero(~go_on) + 2  # values that break a run
    ends = np.append(breaks, len(outside))
    signals = np.flatnonzero(outside)
    count, start = 0, 0
    # a run that begins at value s completes at s + need - 1
    position = 0
    out_at = 0
    while True:
        while position < len(ends) and ends[position] < start + 2:
            position += 1
        done = _complete(start, ends, position, need)
        while out_at < len(signals) and signals[out_at] < start:
            out_at += 1
        first_out = signals[out_at] if out_at < len(signals) else len(outside)
        first = min(done, first_out)
        if first >= len(outside):
            return count
        count += 1
        start = first + 1


def _complete(start: int, ends: NDArray[np.int64], position: int, need: int) -> int:
    """First value that completes a run begun at or after `start`."""
    begin = start
    while position < len(ends):
        if ends[position] - begin >= need:
            return begin + need - 1
        begin = int(ends[position]) - 1
        position += 1
    return int(ends[-1])
