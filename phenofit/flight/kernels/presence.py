r"""The chance of a record of at which checks moths were caught, without their numbers.

With ``mu`` moths expected in a trap-year, caught independently, a check of chance ``p`` has none with chance
``exp(-mu p)``. Unlike in counts given their total, the abundance does not drop out; its logarithm is a latent normal
value of the trap-year, its mean and SD fitted. Overdispersion shows in the SD of the abundance only:
presence says nothing about them within a trap-year.
"""

from __future__ import annotations

import math

from phenofit.flight.kernels.arguments import CHANCE, INFORMATION, SLOPE, Floats
from phenofit.heat.compiled.compiler import compiled


@compiled
def presence(log_abundance: float, n: int, checks: Floats, latent: Floats, information: Floats) -> float:
    """Return the log chance of a record of presence; fills the slopes in the chances and in the log abundance."""
    mu = math.exp(min(log_abundance, 60.0))
    value = 0.0
    none = 1.0
    slope = 0.0
    bend = 0.0
    for k in range(n):
        p = checks[CHANCE, k]
        x = mu * p
        none -= p
        caught = -math.expm1(-x)
        value += math.log(caught)
        checks[SLOPE, k] = mu / caught
        absent = math.exp(-x)
        checks[INFORMATION, k] = mu * mu * absent / (caught * caught)
        # x / (e^x - 1) and minus x times its slope
        ratio = x * absent / caught
        slope += ratio
        bend += ratio * (ratio + x - 1.0) if x > 1e-4 else 0.5 * x
    none = max(none, 0.0)
    last = latent.shape[0] - 1
    latent[last] = slope - mu * none
    information[last, last] = max(bend + mu * none, 1e-12)
    return value - mu * none
