"""A least-squares fit for light: amounts cannot be negative, and what is left over only adds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leakcheck.light import median

QUANTILE_ROUNDS = 8  # find the lower side first, where no added light is
ROBUST_ROUNDS = 8
LOWER_SHARE = 0.3  # the quantile sought first: most places have no added light, many have
UPPER_CUT = 2.5  # spreads above the fit at which a place stops counting: it glows
LOWER_BEND = 1.5  # spreads below the fit from which a place counts less


@dataclass(frozen=True, eq=False)
class Fit:
    """Amounts of the columns, and how much each row counted."""

    amounts: NDArray[np.float64]  # (columns,)
    counted: NDArray[np.float64]  # (rows,) 0 to 1
    spread: float  # robust spread of the residuals, in units of their stated sigma


def fit_lower(
    columns: NDArray[np.float64],
    values: NDArray[np.float64],
    sigma: NDArray[np.float64],
    *,
    free: int = 0,
    prior: NDArray[np.float64] | None = None,
) -> Fit:
    """Fit ``columns @ amounts`` to the side of the values where nothing was added.

    Leaks and spill only add light, so residuals above the fit are cut off (Tukey's biweight),
    those below only bent (Huber). A quantile fit gives the start.

    Args:
        columns: (rows, columns).
        values: (rows,).
        sigma: (rows,), one standard deviation of each value, above 0.
        free: how many of the first columns may have a negative amount.
        prior: (conditions, columns), each condition's ``prior @ amounts`` is near 0 within 1;
            all rows together weigh as much as a hundred independent values.
    Source: iteratively reweighted least squares, Holland and Welsch 1977,
        doi:10.1080/03610927708827533.
    """
    weight = 1.0 / sigma
    scale = np.linalg.norm(columns * weight[:, None], axis=0) / np.sqrt(len(values))
    scale[scale == 0] = 1.0
    scaled = np.ascontiguousarray((columns / scale).T)  # long rows are weighted faster
    pull = np.zeros((0, columns.shape[1])) if prior is None else prior / scale
    pull = pull * np.sqrt(len(values) / 100.0)
    counted = np.ones(len(values))
    spread = 1.0
    for round_ in range(QUANTILE_ROUNDS + ROBUST_ROUNDS):
        amounts = _bounded(scaled, values, weight * np.sqrt(counted), pull, free)
        residual = (values - amounts @ scaled) * weight
        if round_ < QUANTILE_ROUNDS:
            side = np.where(residual > 0, LOWER_SHARE, 1.0 - LOWER_SHARE)
            counted = side / np.maximum(np.abs(residual), 0.3)
            continue
        below = -residual[residual < 0]
        spread = max(0.5, 1.4826 * median(below)) if len(below) else 1.0
        ratio = residual / spread
        biweight = np.maximum(1.0 - (ratio / UPPER_CUT) ** 2, 0.0) ** 2
        huber = LOWER_BEND / np.maximum(-ratio, LOWER_BEND)
        counted = np.maximum(np.where(ratio > 0, biweight, huber), 1e-6)
    return Fit(amounts / scale, counted, spread)


def _bounded(
    columns: NDArray[np.float64],
    values: NDArray[np.float64],
    weight: NDArray[np.float64],
    pull: NDArray[np.float64],
    free: int,
) -> NDArray[np.float64]:
    """Weighted least squares with lower bounds, by way of its small normal equations.

    Args:
        columns: (columns, rows).
    """
    weighted = columns * weight
    normal = weighted @ weighted.T + pull.T @ pull
    normal[np.diag_indices(len(normal))] += 1e-9 * np.trace(normal) / len(normal) + 1e-30
    return nonnegative(normal, weighted @ (values * weight), free=free)


def nonnegative(
    normal: NDArray[np.float64], right: NDArray[np.float64], *, free: int = 0
) -> NDArray[np.float64]:
    """Least squares by its normal equations, all amounts but the first `free` at least 0.

    Args:
        normal: (columns, columns), positive definite.
        right: (columns,).
    Source: Lawson and Hanson 1974, Solving Least Squares Problems, chapter 23; on the normal
        equations as Bro and de Jong 1997, doi:10.1002/(SICI)1099-128X(199709/10)11:5<393.
    """
    bounded = np.arange(len(right)) >= free
    amounts = np.linalg.solve(normal, right)
    if not (amounts[bounded] < 0).any():
        return np.asarray(amounts)
    used = ~bounded
    amounts = _solved(normal, right, used)
    for _ in range(3 * len(right)):  # enough by far; rounding could make it go in circles
        pull = np.where(used, -np.inf, right - normal @ amounts)
        if pull.max() <= 1e-12 * np.abs(right).max():
            break
        used[np.argmax(pull)] = True
        while ((trial := _solved(normal, right, used))[used & bounded] <= 0).any():
            low = np.flatnonzero(used & bounded & (trial <= 0))
            steps = amounts[low] / (amounts[low] - trial[low])
            amounts += steps.min() * (trial - amounts)
            used[low[steps <= steps.min()]] = False
            amounts[~used] = 0.0
        amounts = trial
    return amounts


def _solved(
    normal: NDArray[np.float64], right: NDArray[np.float64], used: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """The unbounded solution in the columns that are used; 0 in the others."""
    amounts = np.zeros(len(right))
    if used.any():
        amounts[used] = np.linalg.solve(normal[np.ix_(used, used)], right[used])
    return amounts
