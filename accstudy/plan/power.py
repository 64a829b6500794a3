"""How many operators, sessions and scans a comparison needs, from the model of its analysis."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special, stats

from accstudy.errors import InputError, nearest
from accstudy.models.grouping import SITES
from accstudy.models.inference import cell_rows
from accstudy.models.results import planned_fit, spec_fit
from accstudy.models.specs import ModelSpec
from accstudy.plan.size import Cost
from accstudy.tables import shape

Floats = npt.NDArray[np.float64]

_POINTS = 200
_NOT_COMPARED = ("model", *SITES)


@dataclass(frozen=True, slots=True)
class Comparison:
    """Size of a comparison.

    Parameters
    ----------
    operators : int
        Operators; each uses every technique.
    sessions : int
        Sessions of each operator.
    per_session : int
        Scans of each model with each technique in a session.
    """

    operators: int
    sessions: int
    per_session: int

    def __post_init__(self) -> None:
        if min(self.operators, self.sessions, self.per_session) < 1:
            raise InputError("a comparison needs operators, sessions and scans")


@dataclass(frozen=True)
class Known:
    """What is known of a comparison before it is made.

    Parameters
    ----------
    spec : ModelSpec
        The model that will be fitted.
    factor : str
        Factor whose levels are compared.
    sites : DataFrame
        Pairs of one scan of every model, with their covariates.
    conditions : DataFrame
        Levels of the fixed factors, a row a condition; every session has all.
    sds : mapping of str to float
        Standard deviation of every random term and of the residual.
    covariance : DataFrame or None
        Covariance of the estimated variances, by component; None: the standard deviations
        are assumed, not estimated.
    unit : str
        Unit of the response.
    turns : int
        So many consecutive models take turns: an operator scans one of them a session.
    """

    spec: ModelSpec
    factor: str
    sites: pd.DataFrame
    conditions: pd.DataFrame
    sds: Mapping[str, float]
    covariance: pd.DataFrame | None
    unit: str
    turns: int = 1

    def turns_in(self, design: Comparison) -> int:
        """Turns that the sessions of a design allow: every model is scanned."""
        return min(self.turns, design.sessions)


def known_from(spec: ModelSpec, pairs: pd.DataFrame) -> Known:
    """Estimates from a pilot comparison (table ``pair_deviations``), with the model of its
    analysis.

    The first factor of the model with several levels is compared; `InputError` if there is none.
    """
    fit, _, _ = spec_fit(spec, pairs, pairs, alignment="")
    levels = {f: v for f, v in fit.design.levels.items() if len(v) > 1 and f not in _NOT_COMPARED}
    if not levels:
        raise InputError(
            "the pilot study has no factor to compare",
            hint="power needs a pilot study with the levels to compare",
        )
    inference = fit.inference
    names = fit.components
    return Known(
        spec=spec,
        factor=next(iter(levels)),
        sites=pairs.drop_duplicates(["model", "implant_a", "implant_b"]),
        conditions=pairs[list(levels)].drop_duplicates().reset_index(drop=True),
        sds={str(name): float(sd) for name, sd in fit.sds.items()},
        covariance=pd.DataFrame(
            inference.covariance_of_variances * fit.problem.scale**4, names, names
        ),
        unit=spec.response.rstrip(")").rsplit("_", 1)[-1],
        turns=_turns(pairs),
    )


def _turns(pairs: pd.DataFrame) -> int:
    """How many models share a place in the sessions of a pilot; 1 where all are in each."""
    if not {"operator", "session"} <= set(pairs.columns):
        return 1
    in_session = pairs.groupby(["operator", "session"])["model"].nunique().max()
    return round(pairs["model"].nunique() / in_session)


def planned_pairs(known: Known, design: Comparison) -> pd.DataFrame:
    """Rows of table ``pair_deviations`` that a study of a size will have; no deviations yet.

    Every operator scans every model under every condition in every session, or the models
    take turns, as they did in the pilot.
    """
    blocks = []
    conditions = known.conditions.astype(str)
    for o, s, c, r in itertools.product(
        range(design.operators), range(design.sessions), range(len(conditions)),
        range(design.per_session),
    ):  # fmt: skip
        level = conditions.iloc[c]
        blocks.append(
            {
                "operator": f"o{o:03d}", "session": f"s{s:03d}", "cell": f"o{o:03d} / s{s:03d}",
                "condition": " / ".join(level), "_scan": f"{o}.{s}.{c}.{r}", **level.to_dict(),
            }
        )  # fmt: skip
    scans = pd.DataFrame(blocks)
    own = [c for c in known.sites if c not in scans]
    rows = scans.merge(known.sites[own], how="cross")
    turns = known.turns_in(design)
    if turns > 1:
        place = pd.factorize(rows["model"])[0]
        who, when = (rows[c].str[1:].to_numpy(int) for c in ("operator", "session"))
        rows = rows[place % turns == (when + place // turns * who) % turns].reset_index(drop=True)
    rows["scan"] = rows["_scan"] + "." + rows["model"].astype(str)
    for column in ("distance_um", "angle_deg"):  # any numbers: no result depends on them
        rows[column] = np.random.default_rng(1).standard_normal(len(rows))
    return rows.drop(columns="_scan")


def power_table(
    designs: Sequence[Comparison],
    known: Known,
    *,
    difference: float,
    margin: float | None = None,
    confidence: float = 0.95,
    cost: Cost | None = None,
) -> pd.DataFrame:
    """Power of comparisons of several sizes.

    Parameters
    ----------
    designs : sequence of Comparison
        Sizes to try.
    known : Known
        From a pilot, or assumed.
    difference : float
        True difference of two levels that is to be found, in the unit of the response.
    margin : float, optional
        Equivalence margin that is to be kept when there is no difference.
    confidence : float, optional
        Of the analysis, and of the interval of the power.
    cost : Cost, optional
        Time at the bench.

    Returns
    -------
    DataFrame
        Table ``plan_power``.

    Notes
    -----
    The model of the analysis is set up for the rows that the study will have, with all its
    terms and the variances of the pilot; Kenward-Roger's standard error and degrees of
    freedom of the difference follow, and the power from the noncentral t distribution. Among
    several levels a difference must be found at the first step of Holm's procedure.

    What the pilot leaves open is the variance of the difference, which is a sum of its
    variances: its degrees of freedom by Satterthwaite give the interval of the power, its mean
    over what is open (`power_expected`), and the bias of the plain estimate, which is taken
    off once.

    References
    ----------
    Stroup, in: Proceedings of the Conference on Applied Statistics in Agriculture (1999)
    (power of mixed models by noncentral distributions from exemplary data); Kenward and
    Roger, Biometrics 53 (1997) 983-997; Efron and Tibshirani, An Introduction to the
    Bootstrap, 1993, chapter 10 (bias).
    """
    rows = []
    alpha = 1 - confidence
    levels = known.conditions[known.factor].nunique()
    comparisons = levels * (levels - 1) // 2
    for design in designs:
        variance, df, df_pilot = _difference(known, design)
        models = -(-known.sites["model"].nunique() // known.turns_in(design))
        n_scans = (
            design.operators * design.sessions * design.per_session
            * len(known.conditions) * models
        )  # fmt: skip
        row: dict[str, object] = {
            "operators": design.operators,
            "sessions": design.sessions,
            "per_session": design.per_session,
            "n_scans": n_scans,
            "difference": difference,
            "margin": margin,
            "se": float(np.sqrt(variance)),
            "df": df,
            "df_pilot": df_pilot if np.isfinite(df_pilot) else None,
            "unit": known.unit,
            "confidence": confidence,
        }

        def found(v: Floats, df: float = df) -> Floats:
            return _found(difference, v, df, alpha / comparisons)

        row |= _promise("power", found, variance, df_pilot, confidence)
        if margin is not None:
            limit = float(margin)

            def equal(v: Floats, df: float = df, limit: float = limit) -> Floats:
                return _equivalent(limit, v, df, alpha)

            row |= _promise("power_equivalence", equal, variance, df_pilot, confidence)
        if cost is not None:
            row["chair_minutes"] = cost.minutes(n_scans, design.operators * design.sessions)
        rows.append(row)
    return shape("plan_power", pd.DataFrame(rows))


def _difference(known: Known, design: Comparison) -> tuple[float, float, float]:
    """Squared standard error of the difference, its df, and those with which a pilot knows it."""
    spec = known.spec
    fit = planned_fit(spec, planned_pairs(known, design), known.sds)
    if known.covariance is None:
        whole = dict.fromkeys(c.partition("[")[0] for c in fit.components)
        names = list(dict.fromkeys([*fit.components, *whole]))
        for name in known.sds:
            if name not in names:
                raise InputError(
                    f'the model has no random term "{name}"', hint=nearest(name, names)
                )
    held = dict(fit.design.centres) | dict(spec.at)
    cells = cell_rows(fit.design, (known.factor,), held)
    rows = fit.rows((cells[0].row - cells[1].row)[None])
    inference = fit.inference
    variance = float(inference.se(rows, spec.method)[0]) ** 2
    df = float(inference.df(rows, spec.method)[0])
    if known.covariance is None:
        return variance, df, np.inf
    own = pd.Series(inference.gradient(rows)[0], fit.components)
    own = own.reindex(known.covariance.index).fillna(0.0)
    spread = float(own.to_numpy() @ known.covariance.to_numpy() @ own.to_numpy())
    return variance, df, 2 * variance**2 / spread if spread > 0 else np.inf


def _found(difference: float, variance: Floats, df: float, alpha: float) -> Floats:
    """Probability that a two-sided t test finds a difference."""
    critical = stats.t.isf(alpha / 2, df)
    away = np.abs(difference) / np.sqrt(variance)
    power = stats.nct.sf(critical, df, away) + stats.nct.cdf(-critical, df, away)
    return np.asarray(np.where(np.isfinite(power), power, 1.0))


def _equivalent(margin: float, variance: Floats, df: float, alpha: float) -> Floats:
    """Probability that two one-sided t tests show equivalence when there is no difference."""
    share = (np.arange(_POINTS) + 0.5) / _POINTS
    seen = np.sqrt(special.chdtri(df, 1 - share) / df)
    room = margin / np.sqrt(variance)[:, None] - special.stdtrit(df, 1 - alpha) * seen
    inside = 2 * special.ndtr(np.maximum(room, 0.0)) - 1
    return np.asarray(inside.mean(axis=1))


def _promise(
    name: str,
    power: Callable[[Floats], Floats],
    variance: float,
    df_pilot: float,
    confidence: float,
) -> dict[str, float]:
    """Power by the variance as estimated, what the pilot leaves open, and the mean over that."""
    share = (np.arange(_POINTS) + 0.5) / _POINTS

    def averaged(factor: npt.ArrayLike) -> Floats:
        return power(variance * np.asarray(factor, dtype=np.float64))

    at = float(averaged([1.0])[0])
    if not np.isfinite(df_pilot):
        return {name: at, f"{name}_low": at, f"{name}_high": at, f"{name}_expected": at}
    again = float(averaged(special.chdtri(df_pilot, share) / df_pilot).mean())
    ends = special.chdtri(df_pilot, 0.5 + np.array([-0.5, 0.5]) * confidence) / df_pilot
    low, high = sorted(averaged(1 / ends))
    value = float(np.clip(2 * at - again, 0.0, 1.0))
    return {
        name: value,
        f"{name}_low": min(value, float(low)),
        f"{name}_high": max(value, float(high)),
        f"{name}_expected": float(averaged(df_pilot / special.chdtri(df_pilot, share)).mean()),
    }
