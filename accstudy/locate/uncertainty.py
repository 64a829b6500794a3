"""The last step of every fit: noise of the scan estimated, poses refined, uncertainties."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from accstudy.geometry.rigid import Rigid
from accstudy.locate.one_body import OFFSET, TURN, Fit, moved
from accstudy.locate.prepared import PreparedBody
from accstudy.locate.surface import FILLET_MM, Rounding

Floats = NDArray[np.float64]

BLOCK_MM = 0.75
RANGES_MM = (0.6, 1.2, 2.4, 4.8)  # each twice the one before: see `_kernels`
_WORKING_SHARE, _DOUBT_SHARE, _CORRELATED_SHARE = 0.05, 0.03, 0.25
_LAG_STEP_MM = 0.05
_DAMPING = 1e-9
_OWN_FREEDOM, _TRUST = 30.0, 60.0  # degrees of freedom of a body, and given to the common value
_SIZES = (0.0, 1 / 3, 2 / 3)  # where the classes of small, middling and large blocks begin
_LAGS_MM = (0.0, 0.45, 0.8, 1.2, 1.7, 2.4, 3.4, 5.0)


@dataclass(frozen=True, slots=True)
class Blocks:
    """Residuals of one body averaged over blocks of its surface."""

    residual_mm: Floats  # (m,): mean residuals
    jacobian: Floats  # (m, p): mean changes with the free parameters
    # (m,): mean changes with the size of the drawing: distance of the tangent planes from the
    # origin, sign reversed
    growth_mm: Floats
    # (m,): mean changes with the rounding of the surface, see `accstudy.locate.surface.Rounding`
    rounding_mm: Floats
    # (m,): whether some of the block is strongly bent: a fillet, or beside an edge
    bent: NDArray[np.bool_]
    size: Floats  # (m,): effective number of vertices
    apart_mm: Floats  # (m, m): distances between the blocks
    # (m, m): correlation ``exp(-(d / range)**2)`` for each of `RANGES_MM`
    kernels: tuple[Floats, ...]

    def gain(self) -> Floats:
        """Least-squares solution as a matrix, (p, m)."""
        weighted = self.jacobian.T * self.size
        return np.asarray(np.linalg.solve(_regular(weighted @ self.jacobian), weighted), float)


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """Covariance of block means as a sum of simple parts."""

    # variance of a single vertex without neighbours' company; a block's share is this over its size
    white_mm2: float
    # variances of the parts with correlation ``exp(-(d / range)**2)`` for the ranges of `RANGES_MM`
    sills_mm2: tuple[float, ...]

    @property
    def correlation_mm(self) -> float:
        """Distance over which the noise is alike: where its correlation falls to 1/e, mm.

        0 where most of it is independent from vertex to vertex; at most the longest of
        `RANGES_MM`, which stands for all longer ones.
        """
        sills = np.array(self.sills_mm2)
        if sills.sum() <= _CORRELATED_SHARE * self.white_mm2:
            return 0.0
        apart = np.arange(0.0, RANGES_MM[-1], 0.05)
        alike = np.exp(-((apart[:, None] / np.array(RANGES_MM)) ** 2)) @ (sills / sills.sum())
        return float(apart[alike >= np.exp(-1.0)].max())

    def covariance(self, blocks: Blocks) -> Floats:
        """Covariance of the block means of a body, (m, m), mm2."""
        out = np.diag(self.white_mm2 / blocks.size)
        for sill, kernel in zip(self.sills_mm2, blocks.kernels, strict=True):
            if sill > 0:
                out += sill * kernel
        return out


@dataclass(frozen=True, slots=True)
class _Correction:
    """What generalised least squares adds to a fit."""

    change: Floats  # (p,): to be added to the free parameters, mm and rad
    covariance: Floats  # (p, p): of the free parameters after the change
    # share by which the drawing would have to grow to fit better still: by all surface, and by that
    # which is not strongly bent
    growth: _Extra
    witness: _Extra
    rounding: _Extra  # how strongly the surface is rounded
    rounding_gain: Floats  # (p,): how the free parameters change with the rounding


@dataclass(frozen=True, slots=True)
class _Extra:
    """An estimate besides the pose, of what no motion and no offset explains."""

    value: float  # estimate, and its standard uncertainty from the noise
    u: float
    # sum of its sensitivities to the blocks: how much of an error of the drawing goes into it
    lever: float


def _blocks_of(fit: Fit, rounding: Rounding, *, every: int = 1) -> Blocks:
    """Average the residuals of a fit over blocks, the rounding by each `every`-th point."""
    keep = fit.weight > 0.01
    points, weight = fit.points_mm[keep], fit.weight[keep]
    # which way the surface faces keeps both sides of an edge apart
    facing = np.argmax(np.abs(fit.jacobian[keep, :3]), axis=1)
    cell = np.column_stack([np.floor(points / BLOCK_MM).astype(np.int64), facing])
    cell -= cell.min(axis=0)
    span = cell.max(axis=0) + 1
    key = ((cell[:, 0] * span[1] + cell[:, 1]) * span[2] + cell[:, 2]) * span[3] + cell[:, 3]
    _, block = np.unique(key, return_inverse=True)
    block = block.reshape(-1)
    total = np.bincount(block, weight)
    jacobian = fit.jacobian[keep]
    # of the drawing's surface: the points' own would carry their noise into both sides
    growth = fit.residual_mm[keep] - np.sum(points * jacobian[:, :3], axis=1)
    values = [*points.T, fit.residual_mm[keep], growth, *jacobian[:, fit.free].T]
    mean = np.column_stack([np.bincount(block, weight * v) for v in values]) / total[:, None]
    shift, bent = _rounded(rounding, points, weight, block, len(total), every)
    size = total**2 / np.bincount(block, weight**2)
    big = size > 0.25 * np.median(size)
    mean, size, shift, bent = mean[big], size[big], shift[big], bent[big]
    at = mean[:, :3]
    length = np.sum(at**2, axis=1)
    square = np.maximum(length[:, None] + length[None] - 2 * at @ at.T, 0.0)
    kernels = _kernels(square)
    return Blocks(mean[:, 3], mean[:, 5:], mean[:, 4], shift, bent, size, np.sqrt(square), kernels)


def _kernels(square_mm2: Floats) -> tuple[Floats, ...]:
    """``exp(-(d / range)**2)`` for each range; for half the range that is the fourth power."""
    kernels = [np.exp(square_mm2 * (-1.0 / RANGES_MM[-1] ** 2))]
    for _ in RANGES_MM[1:]:
        half = kernels[-1] * kernels[-1]
        half *= half
        kernels.append(half)
    return tuple(kernels[::-1])


def _rounded(
    rounding: Rounding,
    points: Floats,
    weight: Floats,
    block: NDArray[np.int64],
    count: int,
    every: int,
) -> tuple[Floats, NDArray[np.bool_]]:
    """Mean shift of each block, by some of its points, and whether one is strongly bent."""
    order = np.argsort(block, kind="stable")
    members = np.bincount(block, minlength=count)
    rank = np.arange(len(block)) - np.repeat(np.cumsum(members) - members, members)
    some = order[rank % every == 0]
    weight, block = weight[some], block[some]
    shift = rounding.at(points[some])
    mean = np.bincount(block, weight * shift, count) / np.bincount(block, weight, count)
    bent = np.bincount(block, np.abs(shift) > FILLET_MM, count) > 0
    return np.asarray(mean), bent


def estimate_noise(bodies: Sequence[Blocks]) -> NoiseModel:
    """Estimate the noise of a scan from the residuals on all its bodies, at least one.

    With ``P = I - J (J' W J)^-1 J' W`` the residuals of a fit have covariance ``P C P'``, not
    ``C``: the fit takes out what looks like a displacement. For ``C`` a sum of known parts with
    unknown variances, the expected sums of products of residuals in classes of distance are linear
    in the variances; they are solved for by non-negative least squares. Squares of residuals stand
    in classes of their own by the size of the block: how much larger they are on small blocks tells
    the independent part from noise that is alike over less than a block, which neighbouring blocks
    cannot.
    """
    from scipy.optimize import nnls

    parts, count = 1 + len(RANGES_MM), len(_LAGS_MM) + len(_SIZES)
    sizes = np.quantile(np.concatenate([blocks.size for blocks in bodies]), _SIZES[1:])
    moments, pairs = np.zeros(count), np.zeros(count)
    expected = np.zeros((count, parts))
    for blocks in bodies:
        gain, jacobian = blocks.gain(), blocks.jacobian
        left = blocks.residual_mm - jacobian @ (gain @ blocks.residual_mm)
        lag = _lag_classes(blocks.apart_mm, np.searchsorted(sizes, blocks.size))
        share = blocks.size / blocks.size.mean()
        weight = np.outer(share, share)
        pairs += np.bincount(lag, weight.ravel(), count)
        moments += np.bincount(lag, (weight * np.outer(left, left)).ravel(), count)
        own = gain / blocks.size
        for k, (kernel, through) in enumerate(
            [(np.diag(1.0 / blocks.size), own), *((c, gain @ c) for c in blocks.kernels)]
        ):
            # P C P' summed over pairs both ways: C - 2 J (G C) + J (G C G') J'
            projected = jacobian @ (through @ gain.T @ jacobian.T - 2.0 * through)
            projected += kernel
            projected *= weight
            expected[:, k] += np.bincount(lag, projected.ravel(), count)
    scale = 1.0 / np.sqrt(np.maximum(pairs, 1.0))
    size = np.maximum(np.abs(expected * scale[:, None]).max(axis=0), 1e-300)
    whole = max(float(moments[: len(_SIZES)].sum()), 1e-300)
    solution, _ = nnls(expected * scale[:, None] / size, moments * scale / whole)
    sills = solution / size * whole
    return NoiseModel(float(sills[0]), tuple(float(s) for s in sills[1:]))


def _regular(normal: Floats) -> Floats:
    """Normal equations that can be solved also where nothing fixes a parameter.

    What is free moves by next to nothing and gets a variance beyond every limit.
    """
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    return np.asarray(normal + _DAMPING * np.diag(np.maximum(scale, 1e-6 * scale.max()) ** 2))


def _lag_classes(apart_mm: Floats, own: NDArray[np.int64]) -> NDArray[np.int64]:
    """Class of distance of every pair, row by row; `own` is that of a block with itself."""
    steps = np.arange(0.0, _LAGS_MM[-1] + _LAG_STEP_MM, _LAG_STEP_MM)
    table = np.searchsorted(np.array(_LAGS_MM) - 1e-9, steps)  # looked up, not searched for
    step = np.minimum(apart_mm * (1.0 / _LAG_STEP_MM), len(table) - 1).astype(np.int64)
    lag = table[step] + (len(_SIZES) - 1)
    np.fill_diagonal(lag, own)
    return lag.ravel()


def _own_share(blocks: Blocks, noise: NoiseModel) -> float:
    """How much noisier one body is than the scan's bodies together: a factor on the variance.

    It is drawn towards 1.
    """
    gain = blocks.gain()
    left = blocks.residual_mm - blocks.jacobian @ (gain @ blocks.residual_mm)
    covariance = noise.covariance(blocks)
    through = blocks.jacobian @ (gain @ covariance)
    variance = np.diag(covariance) - 2 * np.diag(through)
    variance = variance + np.einsum("ij,ij->i", through @ gain.T, blocks.jacobian)
    expected = float(np.sum(blocks.size * variance))
    if expected <= 0:
        return 1.0
    ratio = float(np.sum(blocks.size * left**2)) / expected
    return (_OWN_FREEDOM * ratio + _TRUST) / (_OWN_FREEDOM + _TRUST)


def correct(blocks: Blocks, noise: NoiseModel) -> _Correction:
    """Refine a pose with the noise known, and say how certain it is.

    The weights assume 5 % of the variance to be independent besides, so that they do not lean on
    the finest details of the noise model; the covariance is that of these weights under the noise
    as estimated and 3 % of independent noise for what the model does not hold. Both shares were set
    with simulated scans.
    """
    covariance = noise.covariance(blocks)
    variance = float(np.mean(np.diag(covariance)))
    # independent noise is the larger the fewer vertices a block has
    independent = variance / (blocks.size * np.mean(1.0 / blocks.size))
    every = np.ones(len(blocks.size), bool)
    gain, (growth, rounding), doubted = _solved(blocks, covariance, independent, every)
    plain = ~blocks.bent
    witness = growth
    if plain.sum() <= blocks.jacobian.shape[1]:
        witness = _Extra(0.0, 1.0, 0.0)  # anything may be
    elif not plain.all():
        _, (witness, _), _ = _solved(blocks, covariance, independent, plain)
    return _Correction(
        -gain @ blocks.residual_mm,
        gain @ doubted @ gain.T,
        replace(growth, value=-growth.value),  # a drawing too small shows a surface outside it
        replace(witness, value=-witness.value),
        rounding,
        gain @ blocks.rounding_mm,
    )


def _solved(
    blocks: Blocks, covariance: Floats, independent: Floats, used: NDArray[np.bool_]
) -> tuple[Floats, list[_Extra], Floats]:
    """Gain of generalised least squares, growth and rounding beside it, and the covariance."""
    from scipy.linalg import cho_factor, cho_solve

    covariance, independent = covariance[np.ix_(used, used)], independent[used]
    jacobian, residual = blocks.jacobian[used], blocks.residual_mm[used]
    further = blocks.growth_mm[used], blocks.rounding_mm[used]
    diagonal = np.diag_indices_from(covariance)
    working = covariance.copy()
    working[diagonal] += _WORKING_SHARE * independent
    wanted = np.column_stack([jacobian, *further])
    solved = cho_solve(cho_factor(working, check_finite=False), wanted)
    own = solved[:, :-2]
    gain = np.asarray(np.linalg.solve(_regular(jacobian.T @ own), own.T), float)
    covariance[diagonal] += _DOUBT_SHARE * independent
    extras = []
    for k, column in zip((-2, -1), further, strict=True):
        alone = solved[:, k] - own @ (gain @ column)
        tell = alone / max(float(alone @ column), 1e-300)
        u = float(np.sqrt(tell @ covariance @ tell))
        extras.append(_Extra(float(tell @ residual), u, float(np.abs(tell).sum())))
    return gain, extras, covariance


_SURE, _LEAST_ROUNDING, _ROUNDING_DOUBT = 4.0, 0.1, 0.25
_GLANCE, _WORTH_A_LOOK = 4, 0.4  # every fourth point's rounding, unless the scan is filtered
_FILTERED = 1.15  # what the model of the noise lacks after a filter; from simulated scans
_MOST_MM = 0.15  # of uncertainty, or of the last move: more means that some direction is free
_FREEDOM = 8.0  # degrees of freedom that a body adds to the noise estimate; from simulated scans


@dataclass(frozen=True, slots=True)
class Refined:
    """A scan body's final pose with standard uncertainties."""

    fit: Fit  # the robust fit that it refines
    scan_from_body: Rigid  # final pose
    offset_mm: float  # final surface offset
    # (7, 7): of position (mm), rotation (rad) and offset (mm) in the implant frame; rows of
    # parameters that were not free are NaN
    covariance: Floats
    growth: _Extra  # by which share the drawing would have to grow
    witness: _Extra

    @property
    def u_position_mm(self) -> Floats:
        """Standard uncertainties of the platform centre along the scan's axes, mm."""
        r = self.scan_from_body.rotation
        return np.sqrt(np.maximum(np.diag(r @ self.covariance[:3, :3] @ r.T), 0.0))

    @property
    def u_axis_deg(self) -> float:
        """Standard uncertainty of each of the two tilts, deg (their root mean square)."""
        return float(np.degrees(np.sqrt(0.5 * (self.covariance[3, 3] + self.covariance[4, 4]))))

    @property
    def u_turn_deg(self) -> float:
        """Standard uncertainty of the rotation about the axis, deg; NaN if it was not free."""
        return float(np.degrees(np.sqrt(self.covariance[TURN, TURN])))


def refine_fits(
    fits: Sequence[Fit | None], bodies: Sequence[PreparedBody]
) -> tuple[list[Refined | None], NoiseModel | None]:
    """Estimate the noise of a scan from all its bodies, None without any, and refine their poses.

    A scan that was low-pass filtered is rounded: convex surface sinks, the more the more it is
    bent. Where its bodies together show that beyond doubt, it is taken out, and what is not known
    of it goes into the uncertainties. Otherwise nothing is changed for it.
    """
    found = {i: fit for i, fit in enumerate(fits) if fit is not None}
    if not found:
        return [None] * len(fits), None
    known = {i: _blocks_of(fit, bodies[i].rounding, every=_GLANCE) for i, fit in found.items()}
    noise, corrections = _corrected(known)
    rounding, u_rounding = pooled([c.rounding for c in corrections.values()])
    rounded = False
    if rounding > _WORTH_A_LOOK * max(_SURE * u_rounding, _LEAST_ROUNDING):
        known = {i: _blocks_of(fit, bodies[i].rounding) for i, fit in found.items()}
        noise, corrections = _corrected(known)
        rounding, u_rounding = pooled([c.rounding for c in corrections.values()])
        rounded = rounding > max(_SURE * u_rounding, _LEAST_ROUNDING)
        # a drawing too large looks alike: that counts which explains more
        rounded &= _explained([c.rounding for c in corrections.values()]) > _explained(
            [c.growth for c in corrections.values()]
        )
    if rounded:
        known = {
            i: replace(own, residual_mm=own.residual_mm - rounding * own.rounding_mm)
            for i, own in known.items()
        }
        noise, corrections = _corrected(known)
    widen = student_factor(_FREEDOM * len(known)) * (_FILTERED if rounded else 1.0)
    doubt = float(np.hypot(u_rounding, _ROUNDING_DOUBT * rounding)) if rounded else 0.0
    out: list[Refined | None] = [None] * len(fits)
    for i, correction in corrections.items():
        wider = _own_share(known[i], noise) * widen**2
        out[i] = _refined(found[i], correction, wider, doubt)
    return out, noise


def _corrected(known: Mapping[int, Blocks]) -> tuple[NoiseModel, dict[int, _Correction]]:
    """The noise that all bodies show, and each corrected under it."""
    noise = estimate_noise(list(known.values()))
    return noise, {i: correct(own, noise) for i, own in known.items()}


def _explained(estimates: Sequence[_Extra]) -> float:
    """By how much one common value lowers the weighted sum of squares of the residuals."""
    weight = np.array([1.0 / e.u**2 for e in estimates])
    return float(weight @ [e.value for e in estimates]) ** 2 / float(weight.sum())


def pooled(estimates: Sequence[_Extra], *, drawing_mm: float = 0.0) -> tuple[float, float]:
    """Mean of the bodies' estimates by their weights, and its standard uncertainty.

    `drawing_mm` is an error of the drawing, common to all, that is allowed for, at worst everywhere
    the wrong way. The scatter between the bodies counts where it is larger than the noise explains.
    """
    weight = np.array([1.0 / e.u**2 for e in estimates])
    each = np.array([e.value for e in estimates])
    mean = float(weight @ each / weight.sum())
    lever = float(weight @ [e.lever for e in estimates] / weight.sum())
    scatter = float(weight @ (each - mean) ** 2) / max(len(each) - 1, 1)
    u = float(np.sqrt(max(scatter, 1.0) / weight.sum() + (drawing_mm * lever) ** 2))
    return mean, u


def determined(refined: Refined) -> bool:
    """Whether a scan shows enough of a body to determine its position."""
    moved_mm = np.linalg.norm(
        refined.scan_from_body.translation_mm - refined.fit.scan_from_body.translation_mm
    )
    return bool(refined.u_position_mm.max() < _MOST_MM and moved_mm < _MOST_MM)


def student_factor(freedom: float) -> float:
    """Student's 97.5 % quantile over the normal one, to first order in 1/freedom.

    The noise itself is estimated from few independent patches of surface; with this factor on the
    standard uncertainty, 1.96 of it hold 95 %.

    >>> round(student_factor(30), 3)
    1.04
    """
    z = 1.959964
    return 1.0 + (z * z + 1.0) / (4.0 * freedom)


def _refined(fit: Fit, correction: _Correction, wider: float, doubt: float) -> Refined:
    full = np.zeros(7)
    full[list(fit.free)] = correction.change
    covariance = np.full((7, 7), np.nan)
    systematic = doubt * correction.rounding_gain
    covariance[np.ix_(fit.free, fit.free)] = correction.covariance * wider + np.outer(
        systematic, systematic
    )
    growth, witness = (
        replace(one, u=one.u * float(np.sqrt(wider)))
        for one in (correction.growth, correction.witness)
    )
    pose = moved(fit.scan_from_body, full)
    return Refined(fit, pose, fit.offset_mm + full[OFFSET], covariance, growth, witness)
