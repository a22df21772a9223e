"""The search behind a joint region: along the ridge of one parameter, and across it in slices."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import PchipInterpolator

from phenofit.errors import ModelError
from phenofit.flight.estimate.flat_spread import maximise_off_bounds
from phenofit.flight.estimate.maximise import Box, Maximum, maximise
from phenofit.flight.estimate.setup import public_name, search_box
from phenofit.flight.fitted_likelihood import likelihood_at
from phenofit.flight.intervals.profile import conditional, square_root, where_passed
from phenofit.flight.likelihood.flight_data import FlightData
from phenofit.flight.likelihood.log_likelihood import Likelihood
from phenofit.flight.likelihood.parameters import split_name
from phenofit.flight.likelihood.quadrature import affordable
from phenofit.flight.result import FlightFit

Floats = npt.NDArray[np.float64]

_NODES = (9, 7, 5)
_OUTLINE = 61  # points on either side
_NEAR = 0.02  # relative distance from the cut at which an end is found


def ends_of(ridge: Ridge, cut: float) -> tuple[float | None, float | None]:
    """Return where the ridge passes the cut, on the scale of the search; ``None`` where it does not."""
    return where_passed(ridge.values, ridge.deviance, ridge.estimate, math.sqrt(cut))


@dataclass(frozen=True)
class Ridge:
    """The profile of the first parameter, on the scale of the search."""

    values: Floats
    deviance: Floats
    path: Floats
    estimate: float


@dataclass(frozen=True)
class Search:
    """The likelihood of the fit set up again, its maximum, and the scale of its entries."""

    fit: FlightFit
    names: tuple[str, str]
    likelihood: Likelihood
    box: Box
    maximum: Maximum
    covariance: Floats
    pair: tuple[int, int]
    logarithmic: tuple[bool, bool]

    @classmethod
    def of(cls, fit: FlightFit, data: FlightData, names: tuple[str, str]) -> Search:
        """Set up the likelihood of a fit again, and find its maximum on the nodes used here."""
        likelihood, theta = likelihood_at(data, fit)
        likelihood.nodes = affordable(_NODES, likelihood.dims)
        box, _ = search_box(likelihood, fit.settings)
        free = np.flatnonzero(box.free)
        public = [public_name(likelihood, fit.settings, int(k)) for k in free]
        plain = [name.removeprefix("log ") for name in public]
        for name in names:
            if name not in plain or public[plain.index(name)] not in fit.covariance.columns:
                raise ModelError(
                    f"'{name}' was held, is at a bound or is not in this fit; a region needs two of "
                    f"{', '.join(c.removeprefix('log ') for c in fit.covariance.columns)}."
                )
        if names[0] == names[1]:
            raise ModelError("a joint region needs two different parameters.")
        # An entry at a bound has no curvature in the fit; it gets a separate wide scale.
        covariance = np.diag(np.where([split_name(n)[0] == "requirement" for n in public], 25.0**2, 1.0))
        seen = [k for k, name in enumerate(public) if name in fit.covariance.columns]
        order = [public[k] for k in seen]
        covariance[np.ix_(seen, seen)] = fit.covariance.loc[order, order].to_numpy()
        maximum = maximise(likelihood, theta, box, square_root(covariance))
        pair = (int(free[plain.index(names[0])]), int(free[plain.index(names[1])]))
        logarithmic = tuple(public[plain.index(n)].startswith("log ") for n in names)
        return cls(fit, names, likelihood, box, maximum, covariance, pair, (logarithmic[0], logarithmic[1]))

    def ridge(self, cut: float) -> Ridge:
        """Profile the first parameter on both sides, the others refitted."""
        index = self.pair[0]
        points = {float(self.maximum.theta[index]): (0.0, self.maximum.theta)}
        for side in (-1.0, 1.0):
            self._walk(side, math.sqrt(cut), points)
        values = np.array(sorted(points))
        return Ridge(
            values,
            np.array([points[float(v)][0] for v in values]),
            np.array([points[float(v)][1] for v in values]),
            float(self.maximum.theta[index]),
        )

    def _walk(self, side: float, reach: float, points: dict[float, tuple[float, Floats]]) -> None:
        free = np.flatnonzero(self.box.free)
        at = int(np.flatnonzero(free == self.pair[0])[0])
        others = np.delete(np.arange(len(free)), at)
        column, factor = conditional(self.covariance, at)
        inner = self.box.hold(self.pair[0])
        bound = float((self.box.high if side > 0 else self.box.low)[self.pair[0]])
        here, near, root = float(self.maximum.theta[self.pair[0]]), self.maximum.theta, 0.0
        direction = np.zeros_like(near)
        direction[free[others]] = column
        step = 0.7 * math.sqrt(self.covariance[at, at])
        for _ in range(60):
            target = here + side * step
            if (bound - target) * side <= 0.05 * step:
                target = bound
            theta = near + direction * (target - here)
            theta[self.pair[0]] = target
            found = self._refit(theta, inner, factor)
            reached = math.sqrt(max(2.0 * (self.maximum.value - found.value), 0.0))
            if reached - root > 2.0 and step > 1e-3:
                # Too far for one step: the search may not have converged.
                step *= 0.4
                continue
            points[target] = (reached**2, found.theta)
            direction = (found.theta - near) / (target - here)
            slope = (reached - root) / abs(target - here)
            here, near, root = target, found.theta, reached
            if target == bound or root >= reach:
                return
            wanted = min(0.8, 1.05 * reach - root + 0.05) / max(slope, 1e-9)
            step = min(max(wanted, 0.25 * step), 2.0 * step)

    def _refit(self, theta: Floats, box: Box, factor: Floats) -> Maximum:
        return maximise_off_bounds(self.likelihood, box.inside(theta), box, factor, tolerance=0.01, limit=60)

    def slice(self, ridge: Ridge, point: float, cut: float) -> tuple[float | None, float | None]:
        """Return how far below and above the ridge the cut is reached; ``None`` for an end beyond the search."""
        vector = np.array(
            [np.interp(point, ridge.values, ridge.path[:, k]) for k in range(ridge.path.shape[1])]
        )
        vector[self.pair[1]] = _ridge_at(ridge, self.pair[1])(point)
        left = cut - float(_deviance_at(ridge)(np.array(point)))
        if left <= 1e-6:
            return 0.0, 0.0
        below, above = (self._end(vector, point, side, left, cut) for side in (-1.0, 1.0))
        return below, above

    def _end(self, vector: Floats, point: float, side: float, left: float, cut: float) -> float | None:
        free = np.flatnonzero(self.box.free)
        at = np.array([int(np.flatnonzero(free == p)[0]) for p in self.pair])
        others = np.delete(np.arange(len(free)), at)
        slopes = self.covariance[np.ix_(others, at)] @ np.linalg.inv(self.covariance[np.ix_(at, at)])
        known = np.asarray(slopes @ self.covariance[np.ix_(at, others)])
        factor = square_root(self.covariance[np.ix_(others, others)] - known)
        inner = self.box.hold(self.pair[0]).hold(self.pair[1])
        (cxx, cxy), (_, cyy) = self.covariance[np.ix_(at, at)]
        bound = self.box.high[self.pair[1]] if side > 0 else self.box.low[self.pair[1]]
        most = abs(float(bound) - float(vector[self.pair[1]]))
        wanted = math.sqrt(left)
        step = min(math.sqrt(max(cyy - cxy**2 / cxx, 1e-12)) * wanted, most)
        tried: dict[float, float] = {0.0: 0.0}
        for _ in range(8):
            theta = vector.copy()
            theta[self.pair[0]] = point
            theta[self.pair[1]] = vector[self.pair[1]] + side * step
            theta[free[others]] += slopes[:, 1] * side * step
            found = self._refit(theta, inner, factor)
            deviance = 2.0 * (self.maximum.value - found.value) - (cut - left)
            tried[step] = math.sqrt(max(deviance, 0.0))
            if abs(deviance - left) < _NEAR * cut:
                break
            if step >= most and tried[step] < wanted:
                return None
            # The root of the deviance is nearly linear in the step; between two tries it is interpolated.
            short = max((s for s, r in tried.items() if r < wanted), default=0.0)
            long = min((s for s, r in tried.items() if r >= wanted), default=math.inf)
            guess = step * wanted / max(tried[step], 0.2 * wanted)
            if math.isfinite(long):
                guess = short + (long - short) * (wanted - tried[short]) / (tried[long] - tried[short])
            step = min(guess, 3.0 * step, most)
        steps = np.array(sorted(tried))
        roots = np.maximum.accumulate([tried[float(s)] for s in steps]) + 1e-12 * np.arange(len(steps))
        if roots[-1] < wanted:  # just short of the cut
            return float(steps[-1] * wanted / roots[-1])
        return float(PchipInterpolator(roots, steps)(wanted))

    def region(
        self,
        ridge: Ridge,
        points: Floats,
        slices: list[tuple[float | None, float | None]],
        ends: tuple[float, float],
        open_ends: tuple[bool, bool],
        cut: float,
    ) -> tuple[Floats, tuple[str, str], tuple[str, ...]]:
        """Join the slices to an outline on the natural scale; return it with its units and its open sides."""
        angle = np.linspace(0.0, math.pi, _OUTLINE)
        x = 0.5 * sum(ends) - 0.5 * (ends[1] - ends[0]) * np.cos(angle)
        middle = _ridge_at(ridge, self.pair[1])(x)
        left = np.sqrt(np.maximum(cut - _deviance_at(ridge)(x), 0.0))
        at = np.sqrt(np.maximum(cut - _deviance_at(ridge)(points), 1e-9))
        units = dict(zip(self.fit.parameters, self.fit.estimates["unit"].astype(str), strict=True))
        sides = [self._open(0, k, units) for k in (0, 1) if open_ends[k]]
        lines = []
        for k, bound in enumerate((self.box.low, self.box.high)):
            widths = [pair[k] for pair in slices]
            limit = abs(float(bound[self.pair[1]]) - _ridge_at(ridge, self.pair[1])(points))
            if any(w is None for w in widths):
                sides.append(self._open(1, k, units))
            filled = np.array([limit[j] if w is None else w for j, w in enumerate(widths)], dtype=np.float64)
            width = PchipInterpolator(points, filled / at, extrapolate=False)
            share = np.asarray(width(np.clip(x, points[0], points[-1])))
            lines.append(middle + (-1.0 if k == 0 else 1.0) * share * left)
        outline = np.column_stack([np.concatenate([x, x[::-1]]), np.concatenate([lines[0], lines[1][::-1]])])
        for k in (0, 1):
            outline[:, k] = np.clip(outline[:, k], self.box.low[self.pair[k]], self.box.high[self.pair[k]])
            if self.logarithmic[k]:
                outline[:, k] = np.exp(outline[:, k])
        return outline, (units[self.names[0]], units[self.names[1]]), tuple(sides)

    def _open(self, which: int, side: int, units: dict[str, str]) -> str:
        bound = float((self.box.low, self.box.high)[side][self.pair[which]])
        bound = math.exp(bound) if self.logarithmic[which] else bound
        name = self.names[which]
        return f"{name.replace('_', ', flight ')} {('down', 'up')[side]} to the end of the search at {bound:.4g} {units[name]}"


def _ridge_at(ridge: Ridge, index: int) -> PchipInterpolator:
    return PchipInterpolator(ridge.values, ridge.path[:, index])


def _deviance_at(ridge: Ridge) -> Callable[[Floats], Floats]:
    """Return the deviance along the ridge, its signed root interpolated."""
    signed = np.sqrt(np.maximum(ridge.deviance, 0.0)) * np.sign(ridge.values - ridge.estimate)
    line = PchipInterpolator(ridge.values, signed)
    return lambda x: np.asarray(line(x)) ** 2
