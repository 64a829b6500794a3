"""The fitter against textbook formulas with n x n matrices on small unbalanced data.

Formulas: Harville, JASA 72 (1977) 320-338 (likelihood, score, information); Kenward and
Roger, Biometrics 53 (1997) 983-997 (P_i, Q_ij, adjusted covariance, F).
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

from accstudy.models import crossproducts, fit_mixed, likelihood
from accstudy.models.grouping import DIRECTION
from accstudy.models.likelihood import Evaluation


def small_study(seed=3, n=60):
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(
        {
            "a": rng.integers(0, 7, n).astype(str),
            "b": rng.integers(0, 5, n).astype(str),
            "t": rng.choice(["x", "y", "z"], n),
            "g": rng.choice(["lo", "hi"], n),
            "c": rng.uniform(0, 10, n),
        }
    )
    effects = {k: rng.normal(0, s, 10) for k, s in (("a", 2.0), ("b", 1.0))}
    noise = rng.normal(0, np.where(frame["g"] == "hi", 2.0, 1.0))
    frame["y"] = effects["a"][frame["a"].astype(int)] + effects["b"][frame["b"].astype(int)] + noise
    more = np.random.default_rng(seed + 1)
    ends = np.array([more.choice(4, 2, replace=False) for _ in range(n)])
    frame["implant_a"], frame["implant_b"] = ("I" + pd.Series(e.astype(str)) for e in ends.T)
    u = more.normal(size=(n, 3))
    frame[list(DIRECTION)] = u / np.linalg.norm(u, axis=1, keepdims=True)
    errors = more.normal(0, 1.0, (4, 3))
    frame["y"] += np.sum((errors[ends[:, 1]] - errors[ends[:, 0]]) * frame[list(DIRECTION)], axis=1)
    return frame


class Dense:
    """Everything from V itself."""

    def __init__(self, fit, frame):
        self.x, self.y = fit.design.x, fit.design.y
        self.parts = []
        for grouping in fit.groups:
            z = grouping.z.toarray()
            self.parts.append(z @ z.T)
        for g in range(len(fit.problem.n_group)):
            self.parts.append(np.diag((fit.residual_codes == g).astype(float)))

    def v(self, variances):
        return sum(s * p for s, p in zip(variances, self.parts, strict=True))

    def criterion(self, variances):
        v = self.v(variances)
        inverse = np.linalg.inv(v)
        xvx = self.x.T @ inverse @ self.x
        left = self.y - self.x @ np.linalg.solve(xvx, self.x.T @ inverse @ self.y)
        n, p = self.x.shape
        logs = np.linalg.slogdet(v)[1] + np.linalg.slogdet(xvx)[1]
        return logs + left @ inverse @ left + (n - p) * np.log(2 * np.pi)

    def p_matrix(self, variances):
        inverse = np.linalg.inv(self.v(variances))
        vx = inverse @ self.x
        return inverse - vx @ np.linalg.solve(self.x.T @ vx, vx.T)


CASES = {
    "one residual SD": {},
    "unequal residual SDs": {"residual_sd_by": "g"},
}


RANDOM = {
    "intercepts": ["a", "b"],
    "slopes": ["a", "c | a"],
    "implants": ["implants", "a", "b"],
    "implants by level": ["b", "a", "c | a", "implants:a"],
}


@pytest.fixture(params=[False, True], ids=["dense", "sparse"])
def storage(request, monkeypatch):
    if request.param:
        monkeypatch.setattr(crossproducts, "DENSE_UP_TO", 0)


@pytest.mark.usefixtures("storage")
@pytest.mark.parametrize("options", CASES.values(), ids=CASES)
@pytest.mark.parametrize("random", RANDOM.values(), ids=RANDOM)
def test_optimum_score_and_information_are_those_of_the_likelihood(options, random):
    frame = small_study()
    frame["y"] += np.linspace(-0.5, 0.5, 7)[frame["a"].astype(int)] * frame["c"]
    fit = fit_mixed("y ~ t * c", random, frame, **options)
    dense = Dense(fit, frame)
    variances = fit.sds.to_numpy() ** 2
    assert fit.criterion == pytest.approx(dense.criterion(variances), abs=1e-8)
    best = optimize.minimize(
        lambda logs: dense.criterion(np.exp(logs)),
        np.log(np.maximum(variances, 1e-4)),
        method="BFGS",
    )
    assert fit.criterion <= best.fun + 1e-7

    pieces = fit.optimum.pieces
    scale = fit.problem.scale**2
    p = dense.p_matrix(variances)
    py = p @ dense.y
    m = len(variances)
    expected, observed, score = np.zeros((m, m)), np.zeros((m, m)), np.zeros(m)
    for i, vi in enumerate(dense.parts):
        score[i] = -0.5 * (np.trace(p @ vi) - py @ vi @ py)
        for j, vj in enumerate(dense.parts):
            expected[i, j] = 0.5 * np.trace(p @ vi @ p @ vj)
            observed[i, j] = py @ vi @ p @ vj @ py - expected[i, j]
    np.testing.assert_allclose(pieces.expected / scale**2, expected, rtol=1e-7)
    np.testing.assert_allclose(pieces.observed / scale**2, observed, rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(score * variances, 0, atol=1e-6)


@pytest.mark.usefixtures("storage")
@pytest.mark.parametrize("options", CASES.values(), ids=CASES)
@pytest.mark.parametrize("zero", [False, True], ids=["inside", "on the boundary"])
@pytest.mark.parametrize("random", [["a", "b"], ["a", "implants:a"]], ids=["intercepts", "blocks"])
def test_the_score_is_the_slope_of_the_criterion(options, zero, random):
    fit = fit_mixed("y ~ t + c", random, small_study(), **options)
    v = 0.4 * np.array([0.49, 0.0 if zero else 0.09, 1.0, 2.2][: 2 + len(fit.problem.n_group)])

    def at(v):
        return Evaluation(fit.problem, np.sqrt(v[:2] / v[2]), v[2] / v[2:])

    numeric = []
    for i in range(len(v)):
        step = np.eye(len(v))[i] * 1e-5 * v[i]
        rise = at(v + step).criterion_at(v[2] + step[2])
        rise -= at(v - step).criterion_at(v[2] - step[2])
        numeric.append(-0.5 * rise / (2e-5 * v[i]) if v[i] else 0.0)
    np.testing.assert_allclose(at(v).slopes_at(v)[0], numeric, rtol=1e-5, atol=1e-5)


@pytest.mark.parametrize("options", CASES.values(), ids=CASES)
@pytest.mark.parametrize("zero", [False, True], ids=["inside", "on the boundary"])
def test_kenward_roger_is_that_of_the_paper(options, zero):
    frame = small_study(seed=3)
    if zero:
        frame["b"] = np.random.default_rng(14).permutation(frame["b"])
    fit = fit_mixed("y ~ t + c", ["a", "b"], frame, **options)
    assert bool(fit.zero) == zero
    dense = Dense(fit, frame)
    variances = fit.sds.to_numpy() ** 2
    inverse = np.linalg.inv(dense.v(variances))
    x = dense.x
    phi = np.linalg.inv(x.T @ inverse @ x)
    m = len(variances)
    first = [-x.T @ inverse @ v @ inverse @ x for v in dense.parts]
    p = dense.p_matrix(variances)
    information = np.array(
        [[0.5 * np.trace(p @ vi @ p @ vj) for vj in dense.parts] for vi in dense.parts]
    )
    w = np.linalg.inv(information)
    total = np.zeros_like(phi)
    for i in range(m):
        for j in range(m):
            q = x.T @ inverse @ dense.parts[i] @ inverse @ dense.parts[j] @ inverse @ x
            total += w[i, j] * (q - first[i] @ phi @ first[j])
    adjusted = phi + 2 * phi @ total @ phi
    found = fit.coefficients(method="kenward-roger")
    np.testing.assert_allclose(found["se"], np.sqrt(np.diag(adjusted)), rtol=1e-8)

    rows = np.eye(4)[1:3]  # the two coefficients of t
    theta = rows.T @ np.linalg.solve(rows @ phi @ rows.T, rows)
    middle = [theta @ phi @ f @ phi for f in first]
    a1 = sum(
        w[i, j] * np.trace(middle[i]) * np.trace(middle[j]) for i in range(m) for j in range(m)
    )
    a2 = sum(w[i, j] * np.trace(middle[i] @ middle[j]) for i in range(m) for j in range(m))
    ell = 2
    b = (a1 + 6 * a2) / (2 * ell)
    g = ((ell + 1) * a1 - (ell + 4) * a2) / ((ell + 2) * a2)
    c = 3 * ell + 2 * (1 - g)
    expectation = 1 / (1 - a2 / ell)
    variance = (
        (2 / ell) * (1 + g / c * b) / ((1 - (ell - g) / c * b) ** 2 * (1 - (ell + 2 - g) / c * b))
    )
    rho = variance / (2 * expectation**2)
    df = 4 + (ell + 2) / (ell * rho - 1)
    beta = rows @ fit.beta
    wald = beta @ np.linalg.solve(rows @ adjusted @ rows.T, beta) / ell
    test = fit.tests().set_index("term").loc["t"]
    assert test["den_df"] == pytest.approx(df, rel=1e-7)
    assert test["F"] == pytest.approx(wald * df / (expectation * (df - 2)), rel=1e-7)
    assert test["p"] == pytest.approx(stats.f.sf(test["F"], 2, df), rel=1e-9)


def test_satterthwaite_is_the_delta_method_on_the_observed_information():
    frame = small_study()
    fit = fit_mixed("y ~ t + c", ["a", "b"], frame)
    dense = Dense(fit, frame)
    variances = fit.sds.to_numpy() ** 2

    def covariance(s):
        return np.linalg.inv(dense.x.T @ np.linalg.inv(dense.v(s)) @ dense.x)

    step = 1e-4 * variances
    m = len(variances)
    hessian = np.zeros((m, m))
    gradient = np.zeros((m, 4))
    for i in range(m):
        ei = np.eye(m)[i] * step
        gradient[i] = np.diag(covariance(variances + ei) - covariance(variances - ei)) / (
            2 * step[i]
        )
        for j in range(m):
            ej = np.eye(m)[j] * step
            hessian[i, j] = (
                dense.criterion(variances + ei + ej)
                - dense.criterion(variances + ei - ej)
                - dense.criterion(variances - ei + ej)
                + dense.criterion(variances - ei - ej)
            ) / (4 * step[i] * step[j])
    a = 2 * np.linalg.inv(hessian)
    df = 2 * np.diag(covariance(variances)) ** 2 / np.einsum("ik,ij,jk->k", gradient, a, gradient)
    found = fit.coefficients(method="satterthwaite")
    np.testing.assert_allclose(found["df"], df, rtol=2e-3)  # the reference is numeric
    np.testing.assert_allclose(found["se"], np.sqrt(np.diag(covariance(variances))), rtol=1e-7)


def test_fronts_hold_the_whole_border_whatever_units_they_join():
    # every entry of the border is in one front, and the likelihood does not hang on the fronts
    rng = np.random.default_rng(11)
    frame = pd.DataFrame({"m": np.repeat(list("pqrs"), 60), "scan": np.repeat(np.arange(80), 3)})
    frame["scan"] = frame["scan"].astype(str)
    frame["pair"] = frame["m"] + rng.integers(0, 12, 240).astype(str)
    frame["o"], frame["c"] = rng.choice(list("uvw"), 240), rng.uniform(0, 10, 240)
    frame["y"] = rng.normal(size=240)
    fit = fit_mixed("y ~ c", ["scan", "c | scan", "pair", "o"], frame)
    pr = fit.problem
    q1 = len(pr.units)
    border, at = np.zeros((q1, pr.q + pr.p + 1 - q1)), pr.layout.members
    for front in pr.fronts:
        rows = at[front.units].ravel()
        border[np.ix_(rows[rows >= 0], front.columns)] = front.borders[0][rows >= 0]
    np.testing.assert_array_equal(border, pr.gram[0][:q1, q1:])
    theta = rng.uniform(0.2, 2.0, len(pr.sizes))
    found = {
        (at.criterion, *at.pulls.ravel())
        for families in (np.zeros(pr.layout.count, int), np.arange(pr.layout.count) % 3)
        for at in [Evaluation(replace(pr, families=families), theta, np.ones(1))]
    }
    np.testing.assert_allclose(*found, rtol=1e-9)
    assert all(fit.problem.only(np.array([0, 2])).families == pr.families)


def test_terms_at_zero_have_their_information():
    # Harville (1977): tr(P V_i P V_j) / 2 of components at zero, beside those that are not
    fit = fit_mixed("y ~ t * c", ["a", "b", "a:t"], small_study(), residual_sd_by="g")
    at = fit.optimum.at
    at = replace(at, theta=np.where(np.arange(3) == 1, at.theta + 0.3, 0.0))
    dense, pieces = Dense(fit, None), likelihood.pieces(at)
    scale = fit.problem.scale**2
    p = dense.p_matrix(pieces.variances * scale)
    expected = [[0.5 * np.trace(p @ i @ p @ j) for j in dense.parts] for i in dense.parts]
    np.testing.assert_allclose(pieces.expected / scale**2, expected, rtol=1e-9)
