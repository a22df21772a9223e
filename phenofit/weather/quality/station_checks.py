"""The single checks on one station's own series; each returns the days it finds."""

from __future__ import annotations

import numpy as np

SPIKE_SDS = 5.5
MIN_SPIKE = 8.0  # [degC]
SAME_WAY = 0.4  # share of a spike that the other element must share for it to be weather
LARGE = 25.0  # [degC]; a tenfold value is looked for only above this
RARE_RUN = 0.01  # expected number of chance runs per record
SHORTEST_RUN = 5  # [d]
UNIT_SURE = 10.0  # a month must be this far off its course [degC]
UNIT_FIT = 4.0  # and this near to it in the other unit [degC]


def spikes(tmin: np.ndarray, tmax: np.ndarray, days: np.ndarray) -> dict[str, np.ndarray]:
    """Find days off both their neighbours in the same direction while the other element does not."""
    jumps = {"tmin": _jump(tmin), "tmax": _jump(tmax)}
    month = days.astype("datetime64[M]").astype(np.int64) % 12
    result = {}
    for element, series, other in (("tmin", tmin, "tmax"), ("tmax", tmax, "tmin")):
        size = np.nan_to_num(jumps[element])
        follows = np.sign(jumps[other]) * np.sign(size) * np.nan_to_num(np.abs(jumps[other]))
        limit = np.maximum(MIN_SPIKE, SPIKE_SDS * _change_scale(series, month))
        result[element] = (np.abs(size) > limit) & ~(np.nan_to_num(follows) > SAME_WAY * np.abs(size))
    return result


def _jump(series: np.ndarray) -> np.ndarray:
    """Return the smaller of the differences to both neighbours, signed, 0 where they differ in direction."""
    before = np.full(series.shape, np.nan)
    after = np.full(series.shape, np.nan)
    before[:, 1:] = series[:, 1:] - series[:, :-1]
    after[:, :-1] = series[:, :-1] - series[:, 1:]
    same = np.sign(before) == np.sign(after)
    size = np.minimum(np.abs(before), np.abs(after))
    return np.asarray(np.where(same, np.sign(before) * size, 0.0 * before))


def _change_scale(series: np.ndarray, month: np.ndarray) -> np.ndarray:
    """Robust standard deviation of day-to-day changes, for each station and calendar month with its neighbours."""
    change = np.abs(np.diff(series, axis=1, prepend=np.nan))
    scale = np.full(series.shape, np.nan)
    for m in range(12):
        window = np.isin(month, [(m - 1) % 12, m, (m + 1) % 12])
        part = change[:, window]
        known = (~np.isnan(part)).sum(axis=1) >= 5
        median = np.full(len(series), np.nan)
        median[known] = np.nanmedian(part[known], axis=1)
        scale[:, month == m] = 1.4826 * median[:, None]
    return np.where(np.isnan(scale), 0.0, scale)


def scale_changes(series: np.ndarray, yearly: np.ndarray) -> np.ndarray:
    """Find three days or more in a row that fit the series only when divided by ten."""
    bad = np.zeros(series.shape, dtype=bool)
    with np.errstate(invalid="ignore"):
        # First filter: a value near the yearly course is never tenfold.
        candidate = (np.abs(series) > LARGE) & ~(np.abs(series - yearly) <= 12.0)
    for i, values in enumerate(series):
        for day in np.flatnonzero(candidate[i]):
            before = values[max(0, day - 60) : day]
            good = before[~np.isnan(before) & ~bad[i, max(0, day - 60) : day]]
            expected = np.median(good[-15:]) if len(good) >= 3 else yearly[i, day]
            if np.isnan(expected):
                continue
            as_is, tenth = abs(values[day] - expected), abs(values[day] / 10 - expected)
            bad[i, day] = as_is > 20.0 and tenth < 0.25 * as_is
    return _at_least(bad, np.isnan(series), 3)


def runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """Return start and end (excluded) of each unbroken run of true values."""
    edges = np.flatnonzero(np.diff(mask.astype(np.int8), prepend=0, append=0))
    return [(int(start), int(end)) for start, end in zip(edges[::2], edges[1::2], strict=True)]


def _at_least(bad: np.ndarray, absent: np.ndarray, length: int) -> np.ndarray:
    """Keep only runs of at least `length` found days; missing days do not break a run."""
    kept = np.zeros(bad.shape, dtype=bool)
    for i in range(len(bad)):
        known = np.flatnonzero(~absent[i])
        for start, end in runs(bad[i, known]):
            if end - start >= length:
                kept[i, known[start:end]] = True
    return kept


def repeated(series: np.ndarray, days: np.ndarray) -> np.ndarray:
    """Find runs of equal values that are too long for chance."""
    month = days.astype("datetime64[M]").astype(np.int64) % 12
    bad = np.zeros(series.shape, dtype=bool)
    for i, values in enumerate(series):
        equal = np.zeros(len(values), dtype=bool)
        equal[1:] = values[1:] == values[:-1]
        known = np.flatnonzero(~np.isnan(values))
        if len(known) < SHORTEST_RUN:
            continue
        spans = [(start - 1, end) for start, end in runs(equal)]  # from the first equal day, end excluded
        # Without very long runs: they would raise the chance that they are compared with.
        plain = equal.copy()
        for start, end in spans:
            if end - start >= 15:
                plain[start:end] = False
        pairs = np.bincount(month[known], minlength=12)
        hits = np.bincount(month[plain], minlength=12)
        p = float(np.max((hits + 1) / (pairs + 12), initial=0.0, where=pairs >= 20)) or 1 / 12
        need = max(SHORTEST_RUN, 1 + int(np.ceil(np.log(RARE_RUN / len(known)) / np.log(p))))
        for start, end in spans:
            if end - start >= need:
                bad[i, start:end] = True
    return bad


def months_in_other_unit(series: np.ndarray, yearly: np.ndarray, days: np.ndarray) -> np.ndarray:
    """Find calendar months that fit the yearly course only when read in the other of °C and °F."""
    block = days.astype("datetime64[M]").astype(np.int64)
    starts = np.flatnonzero(np.diff(block, prepend=block[0] - 1))
    bounds = [*starts, len(days)]
    off = series - yearly
    known = ~np.isnan(off)
    count = np.add.reduceat(known.astype(np.int64), starts, axis=1)
    total = np.add.reduceat(np.where(known, off, 0.0), starts, axis=1)
    # First filter by the mean; the medians decide.
    candidate = (count >= 10) & (np.abs(total) > 0.5 * UNIT_SURE * np.maximum(count, 1))
    bad = np.zeros(series.shape, dtype=bool)
    for i, m in zip(*np.nonzero(candidate), strict=True):
        month = slice(bounds[m], bounds[m + 1])
        inside = known[i, month]
        now = float(np.median(series[i, month][inside]))
        normal = float(np.median(yearly[i, month][inside]))
        others = (1.8 * normal + 32.0, (normal - 32.0) / 1.8)
        if abs(now - normal) >= UNIT_SURE and any(abs(now - other) < UNIT_FIT for other in others):
            bad[i, month] |= inside
    return bad
