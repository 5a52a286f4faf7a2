"""The normal distribution, elementwise: tail probability and the moments of a truncated variable."""

import numpy as np

from service.domain.records import Floats

Z90 = 1.6448536269514722  # half the width of a central 90 % interval in standard deviations

_TAIL = (
    -1.26551223, 1.00002368, 0.37409196, 0.09678418, -0.18628806, 0.27886807, -1.13520398, 1.48851587, -0.82215223,
    0.17087277,
)  # fmt: skip


def tail(z: Floats) -> Floats:
    """Probability of a standard normal variable above `z`, any shape; relative error below 1.2e-7.

    Source: Chebyshev fit of the complementary error function, Press and others 1992, Numerical Recipes, 6.2.
    """
    x = np.abs(z) * np.sqrt(0.5)
    t = 1.0 / (1.0 + 0.5 * x)
    series = np.full_like(t, _TAIL[-1])
    for coefficient in _TAIL[-2::-1]:
        series = series * t + coefficient
    upper: Floats = 0.5 * t * np.exp(series - x * x)
    return np.asarray(np.where(z >= 0.0, upper, 1.0 - upper), dtype=np.float64)


def density(z: Floats) -> Floats:
    """Density of a standard normal variable, any shape."""
    return np.asarray(np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi))


def truncated_below(mean: Floats, sd: Floats, bound: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of a normal variable known to lie above `bound`; arrays of one shape.

    With α = (bound − mean)/sd and λ = φ(α)/Q(α): mean + sd·λ and sd²(1 + αλ − λ²). Bounds further than 8 sd above the
    mean are taken as 8.
    """
    alpha = np.clip((bound - mean) / sd, -8.0, 8.0)
    hazard = density(alpha) / tail(alpha)
    new_mean = np.maximum(mean + sd * hazard, bound)
    return new_mean, sd * sd * np.maximum(1.0 + alpha * hazard - hazard * hazard, 0.01)
