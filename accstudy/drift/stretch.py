"""Sessions of one device, model and measurand between two new baselines, with their limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.drift.changes import find_changes, noticed
from accstudy.drift.charts import Cusum, cusum
from accstudy.drift.estimated import MeanLimits, best_mean_limits
from accstudy.drift.measurands import MIN_SESSIONS, Baseline, baseline_of
from accstudy.drift.precision import ScoreBaseline, SpreadLimits, score_baseline, spread_limits
from accstudy.drift.steps import sd_score
from accstudy.drift.trend import months

__all__ = ["Spread", "Stretch", "chart_stretch"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_NUMERIC_ZERO = 1e-9
_LEAST_CORRELATED = 12  # sessions that tell a correlation of neighbours
_MOST_CORRELATED = 0.8


@dataclass(frozen=True, slots=True)
class Spread:
    """Baseline and limits of the standard deviations within sessions.

    Parameters
    ----------
    n : int
        Scans of a usual session of the baseline.
    scores : ScoreBaseline
        Centre and scale of the scores of its sessions.
    limits : SpreadLimits
        Of charts of scores.
    ratio : float
        Growth of the standard deviation for which they are tuned.
    """

    n: int
    scores: ScoreBaseline
    limits: SpreadLimits
    ratio: float


@dataclass(frozen=True, slots=True)
class Stretch:
    """Sessions of one device, model and measurand between two new baselines, with limits.

    ``rows`` of the session table; ``in_baseline`` says which are the baseline ``number`` (from 1),
    which ``begins_with`` an event or, the first, with none. ``baseline`` and ``limits`` (of means)
    are None where the sessions are too few or identical, ``spread`` where too few of them have
    several scans. ``run_length`` is wanted of each chart, ``shift`` (unit of the measurand) to be
    found; ``note`` says what cannot be said.
    """

    device: str
    model: str
    measurand: str
    unit: str
    number: int
    begins_with: str
    rows: pd.DataFrame
    in_baseline: Flags
    baseline: Baseline | None
    limits: MeanLimits | None
    spread: Spread | None
    run_length: float
    shift: float
    note: str

    @property
    def rhythm_days(self) -> float:
        """Median time between sessions; NaN with a single one."""
        gaps = self.rows["at"].diff().dt.total_seconds().dropna() / 86_400
        return float(gaps.median()) if len(gaps) else np.nan

    @property
    def names(self) -> dict[str, Any]:
        """Columns that every row about this stretch carries."""
        return {
            "device": self.device,
            "model": self.model,
            "measurand": self.measurand,
            "unit": self.unit,
            "baseline_no": self.number,
        }

    @property
    def means(self) -> Floats:
        """Session means."""
        return self.rows["mean"].to_numpy(float)

    @property
    def n_scans(self) -> NDArray[np.int64]:
        """Scans of every session."""
        return self.rows["n_scans"].to_numpy(np.int64)

    @property
    def single(self) -> bool:
        """Every session has one scan."""
        return bool((self.n_scans == 1).all())

    @property
    def several(self) -> Flags:
        """Sessions that have more than one scan, and so a standard deviation."""
        return self.n_scans > 1

    @property
    def sd_of_means(self) -> Floats:
        """Standard deviation of each session mean, from the baseline."""
        assert self.baseline is not None
        return self.baseline.sd_of_mean(self.n_scans)

    @property
    def scores(self) -> Floats:
        """Standard deviations as scores about their centre, in their scale; NaN for one scan."""
        assert self.baseline is not None
        assert self.spread is not None
        sd = np.where(self.several, self.rows["sd"].to_numpy(float), np.nan)
        found = sd_score(sd, np.maximum(self.n_scans, 2), self.baseline.sd_within)
        return (found - self.spread.scores.centre) / self.spread.scores.scale

    def watched(self, *, of_sd: bool = False) -> Flags:
        """Sessions after the baseline, of several scans for the standard deviations."""
        return ~self.in_baseline & self.several if of_sd else ~self.in_baseline

    def cusum(self, *, of_sd: bool = False) -> Cusum:
        """CUSUM of the watched sessions: of their means, or of their scores."""
        use = self.watched(of_sd=of_sd)
        if of_sd:
            assert self.spread is not None
            limits = self.spread.limits
            return cusum(self.scores[use], target=0.0, sigma=1.0, k=limits.k, h=limits.h)
        assert self.baseline is not None
        assert self.limits is not None
        return cusum(
            self.means[use],
            target=self.baseline.centre,
            sigma=self.sd_of_means[use],
            k=self.limits.k,
            h=self.limits.h,
        )


def chart_stretch(
    names: dict[str, Any],
    rows: pd.DataFrame,
    in_baseline: Flags,
    *,
    begins_with: str,
    run_length: float,
    shift: float | None,
    sd_ratio: float = 2.0,
) -> Stretch:
    """Estimate the baseline of a stretch and design its charts.

    `names` holds ``device, model, measurand, unit, number``. How much EWMA and CUSUM remember
    follows from `shift` (unit of the measurand; by default one standard deviation of a session
    mean) and `sd_ratio`, the growth of the standard deviation within sessions to be found.
    """
    base = rows[in_baseline]
    note, baseline, limits, spread = "", None, None, None
    wanted = float("nan") if shift is None else shift
    if len(base) < MIN_SESSIONS:
        note = f"a baseline needs {MIN_SESSIONS} sessions; there are {len(base)}"
    else:
        baseline = baseline_of(base)
        if baseline.sd_of_means <= _NUMERIC_ZERO * max(1.0, abs(baseline.centre)):
            note, baseline = (
                "all sessions of the baseline are identical, so limits cannot be set",
                None,
            )
    if baseline is not None:
        if shift is None:
            wanted = baseline.sd_of_means
        in_sigma = round(float(np.clip(wanted / baseline.sd_of_means, 0.5, 3.0)), 1)
        limits = best_mean_limits(baseline.m, run_length, in_sigma, _correlation(rows, baseline))
        spread = _spread(base[base["n_scans"] > 1], baseline, run_length, sd_ratio)
    return Stretch(
        device=names["device"],
        model=names["model"],
        measurand=names["measurand"],
        unit=names["unit"],
        number=names["number"],
        begins_with=begins_with,
        rows=rows.reset_index(drop=True),
        in_baseline=in_baseline,
        baseline=baseline,
        limits=limits,
        spread=spread,
        run_length=run_length,
        shift=wanted,
        note=note,
    )


def _correlation(rows: pd.DataFrame, baseline: Baseline) -> float:
    """Correlation of neighbouring sessions that limits allow for, in steps of 0.1.

    Beyond what changed: a device that moved away and came back has none.
    """
    if len(rows) < _LEAST_CORRELATED:
        return 0.0
    weights = 1 / baseline.sd_of_mean(rows["n_scans"].to_numpy(np.int64)) ** 2
    found = find_changes(rows["mean"], months(rows["at"]), weights=weights)
    return min(round(noticed(found.rho, found.rho_p), 1), _MOST_CORRELATED)


def _spread(
    base: pd.DataFrame, baseline: Baseline, run_length: float, ratio: float
) -> Spread | None:
    """Charts of the standard deviations of the baseline's sessions of several scans."""
    if len(base) < MIN_SESSIONS or not baseline.sd_within > 0:
        return None
    n = base["n_scans"].to_numpy(np.int64)
    usual = int(np.median(n))
    scores = sd_score(base["sd"].to_numpy(float), n, baseline.sd_within)
    return Spread(
        n=usual,
        scores=score_baseline(scores),
        limits=spread_limits(len(base), usual, run_length, ratio),
        ratio=ratio,
    )
