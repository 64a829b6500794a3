"""Power of a comparison before its first scan, by the model that its analysis will fit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from accstudy.compare.deviations import pair_deviations
from accstudy.errors import InputError
from accstudy.models.specs import ModelSpec, default_specs
from accstudy.models.unreferenced import unreferenced
from accstudy.plan.power import Comparison, Known, known_from, power_table
from accstudy.stages.model_checks import model_specs
from accstudy.stages.sizes import cost_of, pilot_pairs, protocol_of
from accstudy.study.load import load_study
from accstudy.study.settings import Settings

__all__ = ["assumed_comparison", "expected_power", "pilot_comparison"]

RESPONSE = "pair.distance_um"


def pilot_comparison(pilot: Path, settings: Settings) -> Known:
    """Assumptions for power from the results of a pilot comparison.

    Parameters
    ----------
    pilot : Path
        A study folder with results.
    settings : Settings
        Of the study that is planned: its models, where it names any.

    Returns
    -------
    Known
        Every random term of the model, as the pilot's fit estimates it.

    Raises
    ------
    InputError
        If neither study has such a model, or the pilot study has no factor to compare.
    """
    pairs = pilot_pairs(pilot)
    study = load_study(pilot)
    own = [ModelSpec(**dict(model)) for model in settings.model]
    spec = _of_distance(own or model_specs(study, pairs))
    return known_from(spec if study.referenced else unreferenced(spec), pairs)


def _of_distance(specs: Sequence[ModelSpec]) -> ModelSpec:
    for spec in specs:
        if spec.response == RESPONSE:
            return spec
    raise InputError(
        f"there is no model of {RESPONSE}",
        hint="add one as [[model]], or plan from a comparison study",
    )


def assumed_comparison(
    settings: Settings, sds: Mapping[str, float], *, levels: Mapping[str, Sequence[str]]
) -> Known:
    """Assumptions for power without a pilot: standard deviations of the model's terms.

    Parameters
    ----------
    settings : Settings
        Of the study: its models, or else the usual ones; its protocol's levels.
    sds : mapping of str to float
        Standard deviation of each random term and of the ``residual``; terms that are
        not named count as zero.
    levels : mapping of str to sequence of str
        Levels of the factor that is compared; the protocol's by default.

    Returns
    -------
    Known
        For a model of six implants on an arch.

    Raises
    ------
    InputError
        If nothing is compared, or the residual is not named.
    """
    named = {**dict(protocol_of(settings).design.conditions), **levels}
    several = {factor: names for factor, names in named.items() if len(names) > 1}
    if not several:
        raise InputError(
            "the protocol has no factor to compare",
            hint='name two levels, as --level "technique=one"',
        )
    if "residual" not in sds:
        raise InputError("the residual standard deviation is missing", hint="--sd residual=15")
    factor, names = next(iter(several.items()))
    sites = _six_implants()
    conditions = pd.DataFrame({factor: list(names)})
    own = [ModelSpec(**dict(model)) for model in settings.model]
    if not own:
        columns = [factor, "operator", "session"]
        frame = sites.merge(conditions, how="cross")
        own = default_specs("comparison", columns, condition=[factor], pairs=frame)
    return Known(
        spec=_of_distance(own),
        factor=factor,
        sites=sites,
        conditions=conditions,
        sds=dict(sds),
        covariance=None,
        unit="um",
    )


def _six_implants() -> pd.DataFrame:
    """Pairs of six implants on a half ellipse of 44 mm by 25 mm, tilted by up to 25 degrees."""
    angle = np.linspace(0, np.pi, 6)
    tilt = np.radians([25.0, 10.0, 0.0, 5.0, 15.0, 20.0])
    reference = pd.DataFrame({"model": "model 1", "implant": [f"I{k + 1}" for k in range(6)]})
    reference = reference.assign(
        x_mm=22 * np.cos(angle), y_mm=25 * np.sin(angle), z_mm=0.0,
        axis_x=np.sin(tilt), axis_y=0.0, axis_z=np.cos(tilt),
        flat_x=np.nan, flat_y=np.nan, flat_z=np.nan, angulation_deg=np.degrees(tilt),
    )  # fmt: skip
    return pair_deviations(reference.assign(scan="one", status="ok"), reference)


def expected_power(
    settings: Settings,
    known: Known,
    *,
    difference: float,
    margin: float | None = None,
    operators: Sequence[int] = (3, 6),
    sessions: int = 0,
    per_session: Sequence[int] = (3, 5),
    minutes_per_scan: float | None = None,
    minutes_per_session: float | None = None,
) -> pd.DataFrame:
    """Power of comparisons, every condition in every session.

    Parameters
    ----------
    settings : Settings
        Of the study: its protocol's sessions and time at the bench.
    known : Known
        From a pilot, or assumed.
    difference, margin : float
        To be found; to be kept when there is none.
    operators, per_session : sequence of int, optional
        Sizes to try, all combinations.
    sessions : int, optional
        Sessions of each operator; 0: the protocol's.
    minutes_per_scan, minutes_per_session : float, optional
        Time at the bench; the protocol's by default.

    Returns
    -------
    DataFrame
        Table ``plan_power``.
    """
    each = sessions or len(protocol_of(settings).design.sessions)
    return power_table(
        [Comparison(o, each, k) for o in operators for k in per_session],
        known,
        difference=difference,
        margin=margin,
        confidence=settings.limits.confidence,
        cost=cost_of(settings, minutes_per_scan, minutes_per_session),
    )
