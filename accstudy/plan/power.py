"""How many scans, sessions and operators a comparison needs, by simulating its mixed model."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from accstudy.accuracy.comparisons import failure_rate
from accstudy.errors import AccstudyError, InputError
from accstudy.models import fit_mixed
from accstudy.models.fit import refit
from accstudy.models.means import contrasts
from accstudy.models.mixed import MixedFit
from accstudy.plan.size import Cost
from accstudy.tables import shape

__all__ = ["Comparison", "ComparisonSpread", "power_table"]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Size of a comparison of two techniques.

    Parameters
    ----------
    operators : int
        Operators; each uses both techniques.
    sessions : int
        Sessions of each operator.
    per_session : int
        Scans of each technique in a session.
    crossed : bool, optional
        True: both techniques in every session. False: every session has one, in
        turn, so that sessions are of each technique's own; needs two sessions or
        more.
    """

    operators: int
    sessions: int
    per_session: int
    crossed: bool = True

    def __post_init__(self) -> None:
        if min(self.operators, self.sessions, self.per_session) < 1:
            raise InputError("a comparison needs operators, sessions and scans")
        if not self.crossed and self.sessions < 2:
            raise InputError("each technique needs a session of its own")

    @property
    def n_scans(self) -> int:
        """Scans in all."""
        techniques = 2 if self.crossed else 1
        return self.operators * self.sessions * self.per_session * techniques

    def rows(self, pairs: int) -> pd.DataFrame:
        """One row a scan and pair: ``operator``, ``session``, ``technique``, ``scan``, ``pair``."""
        rows = [
            (f"o{o:02d}", f"s{s:02d}", t, f"{o}.{s}.{t}.{r}", f"p{k:02d}")
            for o, s, t, r, k in itertools.product(
                range(self.operators), range(self.sessions), "AB", range(self.per_session),
                range(pairs),
            )
            if self.crossed or (s % 2 == 0) == (t == "A")
        ]  # fmt: skip
        return pd.DataFrame(rows, columns=["operator", "session", "technique", "scan", "pair"])


@dataclass(frozen=True, slots=True)
class ComparisonSpread:
    """Standard deviations that a comparison is simulated with, one unit.

    Parameters
    ----------
    scan : float
        Between scans of one operator, session and technique.
    residual : float
        Between pairs of a scan.
    session, operator : float, optional
        Between sessions of an operator, and between operators.
    operator_technique : float, optional
        Of the difference of the techniques from operator to operator, each technique's
        part; it limits what more scans can buy.
    pairs : int, optional
        Pairs of a scan that enter the model.
    unit : str, optional
        Unit.
    """

    scan: float
    residual: float
    session: float = 0.0
    operator: float = 0.0
    operator_technique: float = 0.0
    pairs: int = 4
    unit: str = "um"


def power_table(
    designs: Sequence[Comparison],
    spread: ComparisonSpread,
    *,
    difference: float,
    margin: float | None = None,
    alpha: float = 0.05,
    simulations: int = 200,
    cost: Cost | None = None,
    seed: int = 1,
) -> pd.DataFrame:
    """Power of comparisons, by fitting the mixed model to simulated studies.

    Parameters
    ----------
    designs : sequence of Comparison
        Sizes to try.
    spread : ComparisonSpread
        Assumptions, taken as the truth.
    difference : float
        True difference of the two techniques that is to be found.
    margin : float, optional
        Equivalence margin that is to be kept when there is no difference.
    alpha : float, optional
        Level of the two-sided test, and of each one-sided test of equivalence.
    simulations : int, optional
        Simulated studies a design; the same draws serve difference and equivalence.
    cost : Cost, optional
        Time at the bench.
    seed : int, optional
        Of the draws.

    Returns
    -------
    DataFrame
        Table ``plan_power``; intervals of the power are the simulation's own.

    Notes
    -----
    The model is that of the analysis: technique fixed; operator, session within
    operator and scan random; operator by technique too where its spread is assumed
    above zero. Tests by Kenward-Roger.
    """
    rows = []
    for design in designs:
        found, tested = _simulate(design, spread, difference, margin, alpha, simulations, seed)
        row: dict[str, object] = {
            "operators": design.operators,
            "sessions": design.sessions,
            "per_session": design.per_session,
            "n_scans": design.n_scans,
            "difference": difference,
            "margin": margin,
            "simulations": simulations,
            "unit": spread.unit,
            "note": "both techniques in every session"
            if design.crossed
            else "one technique a session",
        }
        rate = failure_rate(found, simulations)
        row |= {"power": rate.rate, "power_low": rate.low, "power_high": rate.high}
        if margin is not None:
            rate = failure_rate(tested, simulations)
            row |= {
                "power_equivalence": rate.rate,
                "power_equivalence_low": rate.low,
                "power_equivalence_high": rate.high,
            }
        if cost is not None:
            row["chair_minutes"] = cost.minutes(design.n_scans, design.operators * design.sessions)
        rows.append(row)
    return shape("plan_power", pd.DataFrame(rows))


def _simulate(
    design: Comparison,
    spread: ComparisonSpread,
    difference: float,
    margin: float | None,
    alpha: float,
    simulations: int,
    seed: int,
) -> tuple[int, int]:
    rows = design.rows(spread.pairs)
    rng = np.random.default_rng([seed, design.n_scans, design.operators, design.sessions])
    session = rows["operator"] + rows["session"]
    by_technique = rows["operator"] + rows["technique"]
    parts = [
        (pd.factorize(rows["operator"])[0], spread.operator),
        (pd.factorize(session)[0], spread.session),
        (pd.factorize(by_technique)[0], spread.operator_technique),
        (pd.factorize(rows["scan"])[0], spread.scan),
        (np.arange(len(rows)), spread.residual),
    ]
    treated = (rows["technique"] == "B").to_numpy(dtype=float)
    random = ["operator/session", "scan"]
    if spread.operator_technique > 0:
        random.append("operator:technique")
    template: MixedFit | None = None
    found = tested = 0
    for _ in range(simulations):
        noise = sum(rng.normal(0, sd, codes.max() + 1)[codes] for codes, sd in parts)
        y = np.asarray(noise, dtype=float)
        if template is None:
            template = fit_mixed("y ~ technique", random, rows.assign(y=y))
        found += _p(template, y + difference * treated, None) < alpha
        if margin is not None:
            tested += _p(template, y, margin) < alpha
    return found, tested


def _p(template: MixedFit, y: np.ndarray, margin: float | None) -> float:
    """P value of the difference, or of equivalence; 1 where the fit says nothing."""
    try:
        row = contrasts(refit(template, y), "technique", margin=margin).iloc[0]
    except AccstudyError:
        return 1.0
    value = float(row["p" if margin is None else "p_equivalence"])
    return value if np.isfinite(value) else 1.0
