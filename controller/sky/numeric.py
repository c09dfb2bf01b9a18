"""Smooth functions of time, several at once: their roots and minima, and polynomials through them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import Chebyshev
from numpy.polynomial.chebyshev import chebval
from numpy.typing import NDArray

Array = NDArray[np.float64]


def roots(function: Callable[[Array], Array], low: Array, high: Array, tolerance: float) -> Array:
    """Return one root in each bracket, all brackets advanced together.

    Chandrupatla's method (Advances in Engineering Software 28, 145-149, 1997): inverse quadratic
    interpolation where it is safe, bisection where it is not, so a bracket is never left.

    Args:
        function: maps an array with one abscissa per bracket to the values there.
        low: one end of each bracket.
        high: the other end of each bracket.
        tolerance: width to which each bracket is narrowed.

    Raises:
        ValueError: if a bracket does not change sign, or after 100 steps.
    """
    a, b = np.array(high, dtype=float), np.array(low, dtype=float)
    fa, fb = function(a), function(b)
    if np.any(np.sign(fa) * np.sign(fb) > 0):
        message = "a bracket does not change sign"
        raise ValueError(message)
    t = np.full_like(a, 0.5)
    for _ in range(100):
        x = a + t * (b - a)
        fx = function(x)
        same = np.sign(fx) == np.sign(fa)
        c, fc = np.where(same, a, b), np.where(same, fa, fb)
        b, fb = np.where(same, b, a), np.where(same, fb, fa)
        a, fa = x, fx
        width = np.abs(b - a)
        done = (width <= tolerance) | (fa == 0) | (fb == 0)
        if done.all():
            return np.where(np.abs(fa) < np.abs(fb), a, b)
        with np.errstate(divide="ignore", invalid="ignore"):
            xi, phi = (a - b) / (c - b), (fa - fb) / (fc - fb)
            quadratic = (phi**2 < xi) & ((1 - phi) ** 2 < 1 - xi)
            step = fa / (fb - fa) * fc / (fb - fc) + (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb)
            edge = np.minimum(0.5, 0.5 * tolerance / width)
        t = np.where(done, 0.0, np.clip(np.where(quadratic, step, 0.5), edge, 1 - edge))
    message = "no convergence"
    raise ValueError(message)


def lowest(x: Array, y: Array, degree: int) -> float:
    """Return where a polynomial fitted through the samples is lowest between the first and last `x`."""
    fit = Chebyshev.fit(x, y, degree, domain=[x[0], x[-1]])
    stationary = fit.deriv().roots()
    real = np.real(stationary[np.abs(np.imag(stationary)) < 1e-9 * (x[-1] - x[0])])
    candidates = np.concatenate([real[(real >= x[0]) & (real <= x[-1])], x[[0, -1]]])
    return float(candidates[np.argmin(fit(candidates))])


def nodes(centre: float, half_width: float, count: int) -> Array:
    """Return `count` ascending Chebyshev points (ends included) around `centre`."""
    return centre - half_width * np.cos(np.pi * np.arange(count) / (count - 1))


@dataclass(frozen=True)
class Curves:
    """Polynomials of one domain and degree, evaluated together: they are asked for one instant again and again."""

    _coefficients: Array
    """Of the Chebyshev polynomials; a row for each degree, a column for each curve."""
    _low: float
    _high: float

    @classmethod
    def fit(cls, x: Array, rows: Sequence[Array], degree: int, domain: tuple[float, float]) -> Curves:
        """Return the curves that fit rows of values at `x` best, by least squares over `domain`."""
        fits = [Chebyshev.fit(x, row, degree, domain=list(domain)).coef for row in rows]
        return cls(np.stack(fits, axis=1), *domain)

    def at(self, x: Array) -> Array:
        """Return the values: a row for each curve, a column for each `x`."""
        low, high = self._low, self._high
        return np.asarray(
            chebval((2 * x - (low + high)) / (high - low), self._coefficients), dtype=np.float64
        )
