"""Uncertainty of a number that is made of others."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike


def combined(gradient: ArrayLike, covariance: ArrayLike) -> float:
    """Return the standard uncertainty of f(x) from that of x.

    Parameters
    ----------
    gradient : array, shape (n,)
        ∂f/∂x at the estimate.
    covariance : array, shape (n, n), or (n,)
        Of x; one dimension stands for independent standard uncertainties.

    Returns
    -------
    float
        NaN if the covariance gives a negative variance.

    Raises
    ------
    ValueError
        If the shapes do not fit.

    References
    ----------
    JCGM 100:2008 (GUM), eq. 10 (independent) and eq. 13 (correlated); numbers of equations from memory.

    Examples
    --------
    >>> combined([1.0, -1.0], [3.0, 4.0])
    5.0
    """
    g, c = np.asarray(gradient, dtype=np.float64), np.asarray(covariance, dtype=np.float64)
    if c.ndim == 1:
        c = np.diag(c**2)
    if g.ndim != 1 or c.shape != (g.size, g.size):
        raise ValueError("a gradient of n values needs a covariance of n by n")
    variance = float(g @ c @ g)
    return math.sqrt(variance) if variance >= 0 else math.nan
