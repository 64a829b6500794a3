"""The grid that numbers are written on, so that every machine writes the same ones."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

DECIMALS = 6
"""Decimals of a number, unless its column says otherwise."""

_DIGITS, _MOST_DIGITS = 6, 10
_GUARD = 4  # digits beyond the grid in which a tie still counts as a tie


def step_of(values: Floats, decimals: int | None = DECIMALS) -> Floats:
    """Step of the grid at some numbers.

    Parameters
    ----------
    values : ndarray
        Numbers; not finite ones have the step of zero.
    decimals : int or None
        Of their column: up to 6, the step is this decimal. More, or None (any
        number), is for numbers that may be very small, such as p values:
        these keep six significant digits, but no more decimals than that.

    Returns
    -------
    ndarray
        Powers of ten. No number has more than ten significant digits.

    Examples
    --------
    >>> step_of(np.array([0.5, 12.0, 2.5e9])).tolist()
    [1e-06, 1e-06, 1.0]
    >>> step_of(np.array([0.5, 0.00123]), None).tolist()
    [1e-06, 1e-08]
    """
    return np.asarray(10.0 ** _exponent(np.asarray(values, float), decimals), float)


def on_grid(values: Floats, decimals: int | None = DECIMALS) -> Floats:
    """Round numbers to their grid.

    Parameters
    ----------
    values, decimals
        As of `step_of`.

    Returns
    -------
    ndarray
        The nearest doubles to the rounded numbers. Ties go away from zero, and
        what is a tie but for the last bits of a double counts as one: these bits
        depend on the processor.

    Examples
    --------
    >>> on_grid(np.array([1.2345675000000001, 1.2345674999999999, 3.6e-12])).tolist()
    [1.234568, 1.234568, 0.0]
    """
    values = np.asarray(values, float)
    exponent = _exponent(values, decimals)
    with np.errstate(invalid="ignore", over="ignore"):
        finer = np.rint(_scaled(np.abs(values), _GUARD - exponent))
        steps = np.floor(finer / 10.0**_GUARD + 0.5)
        return np.copysign(_scaled(steps, exponent), values) + 0.0  # + 0.0 turns -0 into 0


def number_texts(values: Floats, decimals: int | None = DECIMALS) -> list[str]:
    """Write numbers on their grid; empty where they are not finite.

    Parameters
    ----------
    values, decimals
        As of `step_of`.

    Examples
    --------
    >>> number_texts(np.array([2.0, -0.25, 0.00006, 1e-9, np.nan]))
    ['2', '-0.25', '6e-05', '0', '']
    >>> number_texts(np.array([3.456789123e-53]), None)
    ['3.45679e-53']
    """
    rounded = on_grid(values, decimals)
    known = zip(rounded.tolist(), np.isfinite(rounded).tolist(), strict=True)
    return [repr(value).removesuffix(".0") if finite else "" for value, finite in known]


def _exponent(values: Floats, decimals: int | None) -> NDArray[np.int64]:
    """Exponent of the step, a power of ten."""
    size = np.abs(np.where(np.isfinite(values), values, 0.0))
    with np.errstate(divide="ignore"):
        leading = np.floor(np.log10(size))
    leading = np.where(size > 0, leading, -DECIMALS).astype(np.int64)
    if decimals is not None and decimals <= DECIMALS:
        step = np.full(values.shape, -decimals, np.int64)
    else:
        finest = -300 if decimals is None else -decimals
        step = np.clip(leading + 1 - _DIGITS, finest, -DECIMALS)
    return np.asarray(np.maximum(step, leading + 1 - _MOST_DIGITS), np.int64)


def _scaled(values: Floats, exponent: NDArray[np.int64]) -> Floats:
    """Values times a power of ten, rounded once: powers up to 1e22 are exact doubles."""
    near = np.clip(exponent, -22, 22)
    power = 10.0 ** np.abs(near)
    scaled = np.where(near >= 0, values * power, values / power)
    for far in np.argwhere(near != exponent):
        at = tuple(far)
        scaled[at] = float(Decimal(float(values[at])).scaleb(int(exponent[at])))
    return scaled
