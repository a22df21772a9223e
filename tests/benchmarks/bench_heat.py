"""Speed of the heat kernels beside an addition of the same arrays and plain NumPy.

Every time is the best of a few. Outputs are allocated beforehand on both sides of each ratio.
"""

from __future__ import annotations

from functools import partial

import numpy as np

from phenofit.heat.arrays import heat_of_days
from phenofit.heat.compiled.daily_kernels import METHOD_CODES
from tests.benchmarks.measured import Row, best

SINE = METHOD_CODES["single sine"]


def days(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Invented days, a third of them across the base."""
    rng = np.random.default_rng(1)
    middle = rng.normal(12.0, 8.0, count).astype(np.float32)
    half = rng.uniform(0.0, 9.0, count).astype(np.float32)
    low = middle - half
    middle += half
    return low, middle


def plain_numpy(low: np.ndarray, high: np.ndarray, base: float) -> np.ndarray:
    """The single sine in plain array expressions of the closed form."""
    mean = 0.5 * (low + high)
    half = np.maximum(0.5 * (high - low), np.float32(1e-6))
    z = np.clip((base - mean) / half, -1.0, 1.0)
    angle = np.arccos(z)
    inside = (half * np.sqrt(1.0 - z * z) + (mean - base) * angle) / np.float32(np.pi)
    return np.where(base <= low, mean - base, np.where(base >= high, np.float32(0.0), inside))


def kernel(
    low: np.ndarray, high: np.ndarray, out: np.ndarray, *, upper: float | None, threads: int | None
) -> None:
    code = 0 if upper is None else 1
    top = np.inf if upper is None else upper
    heat_of_days(low, high, None, codes=(SINE, code), base=10.0, upper=top, threads=threads, out=out)


def rows(*, small: bool) -> list[Row]:
    """Compare the kernel with plain NumPy and with an addition; then the exact kernel at three sizes."""
    low, high = days(10**7 if small else 10**8)
    out = np.zeros_like(low)
    kernel(low[:10], high[:10], out[:10], upper=None, threads=1)
    numpy_time = best(lambda: plain_numpy(low, high, 10.0), 2)
    found = [Row("cell-days in float32", low.size, "days")]
    for name, upper, threads in (
        ("single sine, one thread", None, 1),
        ("single sine, all threads", None, None),
        ("single sine, horizontal cut-off, all threads", 30.0, None),
    ):
        taken = best(partial(kernel, low, high, out, upper=upper, threads=threads), 7)
        added = best(lambda: np.add(low, high, out=out), 7)
        found.append(Row(name, taken, "s", "np.add on one thread", added / taken))
        found.append(Row(f"{name}, beside arrays", taken, "s", "plain NumPy", numpy_time / taken))
    for size in (10**5, 10**6, 10**7):
        low, high = (part.astype(float) for part in days(size))
        taken = best(partial(kernel, low, high, np.empty_like(low), upper=None, threads=1))
        found.append(Row(f"exact single sine of {size:,} days in float64", 1e9 * taken / size, "ns/day"))
    return found
