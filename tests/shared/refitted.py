"""A model fitted to another response of the same rows, without reading its formula again."""

from dataclasses import replace

import numpy as np

from accstudy.models.optimum import maximise


def refit(fit, y):
    """Fit the same model to another response, (n,)."""
    problem, fitted = fit.table.problem(y)
    return replace(
        fit,
        design=replace(fit.design, y=y),
        problem=problem,
        offset=np.linalg.solve(fit.upper, fitted),
        optimum=maximise(problem),
    )
