"""Starting values: means and SDs of the catches on the heat scale, at several bases."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from phenofit.flight.estimate.maximise import Box
from phenofit.flight.likelihood.log_likelihood import Likelihood
from phenofit.flight.likelihood.parameters import SMALLEST_SD
from phenofit.flight.likelihood.rearing_term import RearingTerm


def _mixture(heat: np.ndarray, count: np.ndarray, flights: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Split pooled catches into flights by expectation and maximisation: means, SDs, shares."""
    order = np.argsort(heat)
    heat, count = heat[order], count[order]
    passed = (np.cumsum(count) - 0.5 * count) / count.sum()
    mean = np.interp((np.arange(flights) + 0.5) / flights, passed, heat)
    centre = np.average(heat, weights=count)
    overall = max(np.sqrt(np.average((heat - centre) ** 2, weights=count)), 5.0)
    spread = np.full(flights, overall / flights)
    share = np.full(flights, 1.0 / flights)
    for _ in range(100):
        z = (heat[:, None] - mean) / spread
        log_density = np.log(share) - np.log(spread) - 0.5 * z**2
        log_density -= log_density.max(axis=1, keepdims=True)
        belongs = np.exp(log_density)
        belongs *= (count / belongs.sum(axis=1))[:, None]
        weight = np.maximum(belongs.sum(axis=0), 1e-9)
        mean = (belongs * heat[:, None]).sum(axis=0) / weight
        spread = np.sqrt((belongs * (heat[:, None] - mean) ** 2).sum(axis=0) / weight)
        spread = np.maximum(spread, 0.1 * overall / flights)
        share = np.maximum(weight / weight.sum(), 0.02)
    order = np.argsort(mean)
    return mean[order], spread[order], share[order]


def starting_points(
    likelihood: Likelihood, box: Box, template: np.ndarray, near: Sequence[np.ndarray] = ()
) -> list[np.ndarray]:
    """Return two parameter vectors to begin from: the best two from the catches, or the best of them and of `near`."""
    at, data, flights = likelihood.layout.places, likelihood.data, likelihood.flights
    low, high = box.low[at.base], box.high[at.base]
    bases = (
        [template[at.base]] if not box.free[at.base] else [low + f * (high - low) for f in (0.3, 0.5, 0.65)]
    )
    reared = likelihood.rearing
    if reared is not None:
        bases.append(min(max(reared.base, low), high))
    found = []
    given = []
    for known in near:
        theta = np.where(box.free, box.inside(known), template)
        likelihood.forget()
        given.append((likelihood(theta, False)[0], theta))
    for base in bases:
        heat, _, _ = likelihood.heat_at(float(base))
        middle = 0.5 * (heat[data.catch_left] + heat[data.catch_right])
        count = data.catch_count.astype(np.float64)
        owner = np.repeat(np.arange(data.trap_years), np.diff(data.catch_of))
        mean, spread, share = _mixture(middle, count, flights)
        # Mean distance of the catches of a trap-year from their nearest flight.
        nearest = np.argmin(np.abs(middle[:, None] - mean) / spread, axis=1)
        off = np.bincount(owner, count * (middle - mean[nearest])) / np.bincount(owner, count)
        group = likelihood.groups if likelihood.has_group else np.zeros(data.trap_years, dtype=np.int64)
        _, inverse = np.unique(group, return_inverse=True)
        group_off = np.bincount(inverse, off) / np.bincount(inverse)
        own = off - group_off[inverse]
        within = np.sqrt(max(np.average((middle - mean[nearest] - off[owner]) ** 2, weights=count), 25.0))
        theta = template.copy()

        def put(index: int, value: float, theta: np.ndarray = theta) -> None:
            if box.free[index]:
                theta[index] = value

        put(at.base, float(base))
        for g in range(flights):
            put(at.requirement + g, float(mean[g]))
            put(at.spread + g, float(np.log(min(spread[g], within) if flights > 1 else within)))
            if g:
                put(at.size + g - 1, float(np.log(share[g] / share[0])))
                put(at.size_sd + g - 1, np.log(0.5))
        if reared is not None and reared.requirement is not None and base == reared.base:
            put(at.requirement, reared.requirement)
        put(at.concentration, np.log(10.0))
        put(at.group_sd, float(np.log(max(group_off.std(), 10 * SMALLEST_SD))))
        put(at.shift_sd, float(np.log(max(own.std(), 10 * SMALLEST_SD))))
        theta = box.inside(theta)
        likelihood.forget()
        found.append((likelihood(theta, False)[0], theta))
    found.sort(key=lambda pair: -pair[0])
    given.sort(key=lambda pair: -pair[0])
    return [theta for _, theta in (*given[:1], *found)][:2]


def first_scale(likelihood: Likelihood, theta: np.ndarray, box: Box) -> np.ndarray:
    """Return the lower triangular scale for a first search, before any curvature is known."""
    at, flights = likelihood.layout.places, likelihood.flights
    free = np.flatnonzero(box.free)
    coordinates = likelihood.coordinates.keeping(box.direct)
    scale = np.full(at.end, 0.3)
    scale[at.base] = 0.5
    matrix = np.diag(scale)
    jacobian = coordinates.jacobian(theta)
    for g in range(flights):
        place = at.requirement + g
        # A step of 0.15 spreads, in the coordinate of the requirement.
        matrix[place, place] = 0.15 * np.exp(theta[at.spread + g]) / max(jacobian[place, place], 1e-9)
    if likelihood.rearing is not None:
        _narrow(matrix, likelihood.rearing, theta, jacobian, flights)
    return matrix[np.ix_(free, free)]


def _narrow(
    matrix: np.ndarray, term: RearingTerm, theta: np.ndarray, jacobian: np.ndarray, flights: int
) -> None:
    """Shorten the steps in base and requirement, in place, to the range that the rearing data allow."""
    at = np.array([theta[0], theta[1]])
    curved = np.empty((2, 2))
    for k, step in enumerate((1e-3, 1e-1)):
        move = np.zeros(2)
        move[k] = step
        up, down = (np.array(term.value_and_slope(*(at + s * move))[1]) for s in (1.0, -1.0))
        curved[k] = (down - up) / (2.0 * step)
    curved = jacobian[:2, :2].T @ curved @ jacobian[:2, :2]
    values, vectors = np.linalg.eigh(0.5 * (curved + curved.T))
    curved = (vectors * np.maximum(values, 0.0)) @ vectors.T
    own = matrix[:2, :2]
    pair = np.linalg.cholesky(np.linalg.inv(np.linalg.inv(own @ own.T) + curved))
    matrix[2 : flights + 1, 0] *= pair[0, 0] / own[0, 0]
    matrix[:2, :2] = pair
