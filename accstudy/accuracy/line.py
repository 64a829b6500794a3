"""A straight line through points with its covariance: does bias grow with the span?"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from accstudy.errors import ComputationError

__all__ = ["Line", "fit_line"]


@dataclass(frozen=True, slots=True)
class Line:
    """A least-squares line y = intercept + slope (x - x0).

    Parameters
    ----------
    intercept, slope : float
        Coefficients.
    u_intercept, u_slope, correlation : float
        Their standard uncertainties and correlation.
    s : float
        Residual standard deviation.
    df : int
        Degrees of freedom, n - 2.
    r_squared : float
        Share of the variance explained.
    x0 : float
        Origin of x.
    """

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    correlation: float
    s: float
    df: int
    r_squared: float
    x0: float

    @property
    def t_intercept(self) -> float:
        """Student's t of a zero intercept."""
        return self.intercept / self.u_intercept

    @property
    def t_slope(self) -> float:
        """Student's t of a zero slope."""
        return self.slope / self.u_slope

    @property
    def p_slope(self) -> float:
        """Two-sided probability of a larger slope when there is none."""
        return 2 * float(special.stdtr(self.df, -abs(self.t_slope)))

    def predict(self, x: float) -> tuple[float, float]:
        """Value at x and its standard uncertainty, the covariance included."""
        d = x - self.x0
        covariance = self.correlation * self.u_intercept * self.u_slope
        variance = self.u_intercept**2 + (d * self.u_slope) ** 2 + 2 * d * covariance
        return self.intercept + self.slope * d, math.sqrt(max(variance, 0.0))


def fit_line(x: npt.ArrayLike, y: npt.ArrayLike, *, x0: float = 0.0) -> Line:
    """Fit a straight line by least squares.

    Parameters
    ----------
    x, y : array_like, shape (N,)
        Points, such as span in mm and bias in um: the slope then is a scale error
        in um/mm, or 1e-3.
    x0 : float, optional
        Origin of x, at which the intercept is taken.

    Raises
    ------
    ComputationError
        If there are fewer than three points or all have one x.

    References
    ----------
    JCGM 100:2008, H.3 (line, covariance and prediction).

    Examples
    --------
    >>> fit_line([10, 20, 30], [1.0, 2.0, 3.5]).slope
    0.125
    """
    x_, y_ = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    n = len(x_)
    middle = x_.mean() if n else math.nan
    sxx = float(((x_ - middle) ** 2).sum())
    if n < 3 or sxx == 0:
        raise ComputationError("a line needs three points at different places")
    slope = float(((x_ - middle) * (y_ - y_.mean())).sum() / sxx)
    residuals = y_ - y_.mean() - slope * (x_ - middle)
    rss, total = float((residuals**2).sum()), float(((y_ - y_.mean()) ** 2).sum())
    s = math.sqrt(rss / (n - 2))
    lever = x0 - middle
    u_slope = s / math.sqrt(sxx)
    u_intercept = s * math.sqrt(1 / n + lever**2 / sxx)
    return Line(
        intercept=float(y_.mean() + slope * lever),
        slope=slope,
        u_intercept=u_intercept,
        u_slope=u_slope,
        correlation=lever / math.sqrt(sxx) / math.sqrt(1 / n + lever**2 / sxx),
        s=s,
        df=n - 2,
        r_squared=1 - rss / total if total > 0 else math.nan,
        x0=x0,
    )
