"""How high some pads of a sheet are lifted, told apart from the bed, which is smooth.

Every other pad of a self-check is lifted by the same known height, as on a checkerboard, which is
the least smooth pattern there is. What is smooth is the bed or, once a mesh was fitted to it, the
gaps themselves: a plane and bulges. Generalised least squares gives the lift.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["FittedLift", "enough_pads", "fit_lift"]

Floats = NDArray[np.float64]

# What the plate's own grain adds at each pad (common practice, no source).
_GRAIN_MM = 0.002
# Heights of bulges, by how far they reach as a part of the pads' span; what is higher or narrower
# counts as scatter. In simulations of beds of 0.06 and 0.2 mm with waves from 150 mm on, 99 of 100
# pass with 5 x 5 points, whether or not a mesh was fitted to them, and so do 3 x 3 with their
# mesh; a pad that is off by 0.05 mm shows in 3 of 4 on 5 x 5 once the mesh is fitted.
_BULGES_MM = {0.33: (0.0, 0.003, 0.01, 0.02, 0.035, 0.06), 0.75: (0.02, 0.05, 0.1, 0.2)}
# What a mesh that was fitted to the bed leaves at its points (roundings, and what it was read
# with), and the highest bulges between them.
_FITTED_SIGMA_MM, _FITTED_BULGE_MM = 0.005, 0.01
_PLANE_TERMS = 3
_FEWEST_DOF, _FEWEST_EACH = 3, 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FittedLift:
    """A lift, and how well gaps, known lifts and a smooth surface go together.

    Attributes
    ----------
    lift_mm, sigma_mm : float
        The lift that all gaps together tell, and its standard deviation.
    plane_sigma_mm : float
        What that would be on a plane: of the reading alone.
    apart_mm, apart_sigma_mm : ndarray of float, shape (N,)
        Each gap less its known lift, less what all other pads let expect there; its sigma.
    chi2, dof, probability : float, int, float
        Weighted sum of squares of these, its degrees of freedom, and how likely a sum as large is.
    """

    lift_mm: float
    sigma_mm: float
    plane_sigma_mm: float
    apart_mm: Floats
    apart_sigma_mm: Floats
    chi2: float
    dof: int
    probability: float


def enough_pads(xy_mm: Floats, lifts_mm: Floats) -> bool:
    """Tell whether a lift can be told apart from a plane, and checked.

    Parameters
    ----------
    xy_mm : ndarray of float, shape (N, 2)
        Places of the pads that were read.
    lifts_mm : ndarray of float, shape (N,)
        By how much each is known to be lifted; 0 for the others.
    """
    raised = int((lifts_mm > 0).sum())
    of_each = min(raised, len(lifts_mm) - raised) >= _FEWEST_EACH
    if not of_each or len(lifts_mm) - _PLANE_TERMS <= _FEWEST_DOF:
        return False
    # Pads of one row or column alone leave the tilt across it open.
    return int(np.linalg.matrix_rank(_plane(xy_mm))) == _PLANE_TERMS


def fit_lift(
    xy_mm: Floats,
    gaps_mm: Floats,
    lifts_mm: Floats,
    covariance_mm2: Floats,
    mesh_mm: Floats | None,
) -> FittedLift:
    """Find the lift of the raised pads, whatever the smooth bed below them.

    Parameters
    ----------
    xy_mm : ndarray of float, shape (N, 2)
        Places of the pads.
    gaps_mm, lifts_mm : ndarray of float, shape (N,)
        What was read, and by how much each pad is known to be lifted; 0 for the others.
    covariance_mm2 : ndarray of float, shape (N, N)
        Stated covariance of the gaps.
    mesh_mm : ndarray of float, shape (N,), or None
        What the mesh added at each pad, if that is known.

    Notes
    -----
    Each surface that may be smooth counts by its restricted likelihood, with the lift left free so
    that a wrong ruler cannot pass for a rough bed (Patterson, Thompson, Biometrika 58 (1971)
    545-554). The lift is the average over all of them (Hoeting et al., Statistical Science 14
    (1999) 382-417), the rest comes from the likeliest. Each pad's deviation from the prediction by
    all others comes from one inverse matrix (Dubrule, Mathematical Geology 15 (1983) 687-699).
    """
    from scipy.special import chdtrc  # takes long to import, and only this needs it

    plane = _plane(xy_mm)
    dof = len(gaps_mm) - _PLANE_TERMS
    noise = covariance_mm2 + _GRAIN_MM**2 * np.eye(len(gaps_mm))
    design = np.column_stack([plane, (lifts_mm > 0).astype(float)])
    surfaces = _surfaces(xy_mm, gaps_mm, mesh_mm, noise)
    likelihoods = np.array([_restricted_likelihood(*surface, design) for surface in surfaces])
    lift, sigma = _averaged_lift(surfaces, likelihoods, design)
    smooth, spread = surfaces[int(likelihoods.argmax())]
    _, _, free = _deviations(smooth, spread, design)
    apart, apart_sigma, statistic = _deviations(smooth - lifts_mm, spread, plane)
    return FittedLift(
        lift_mm=lift,
        # Pads that scatter more than stated tell the lift less well in proportion (Birge ratio).
        sigma_mm=sigma * max(1.0, float(np.sqrt(free / (dof - 1)))),
        plane_sigma_mm=_last_coefficient(gaps_mm, noise, design)[1],
        apart_mm=apart,
        apart_sigma_mm=apart_sigma,
        chi2=statistic,
        dof=dof,
        probability=float(chdtrc(dof, statistic)),
    )


def _plane(xy: Floats) -> Floats:
    """Return the terms of a plane, shape (N, 3)."""
    span = np.maximum(np.ptp(xy, axis=0), 1.0)
    return np.column_stack([np.ones(len(xy)), (xy - xy.mean(axis=0)) / span * 2])


def _surfaces(
    xy: Floats, gaps: Floats, mesh: Floats | None, noise: Floats
) -> list[tuple[Floats, Floats]]:
    """Return what may be smooth but for the lift, (N,), each with its covariance about a plane.

    The bed itself is smooth, and where the mesh was fitted to it the gaps are smoother still.
    """
    square = ((xy[:, None] - xy[None]) ** 2).sum(axis=2)
    span = float(np.ptp(xy, axis=0).mean())
    bulges = {
        (part, height): height**2 * np.exp(-square / (2 * (part * span) ** 2))
        for part, heights in _BULGES_MM.items()
        for height in heights
    }
    bed = gaps if mesh is None else gaps - mesh
    surfaces = [(bed, noise + bulge) for bulge in bulges.values()]
    if mesh is not None:
        fitted = noise + _FITTED_SIGMA_MM**2 * np.eye(len(gaps))
        surfaces += [
            (gaps, fitted + bulge)
            for (_, height), bulge in bulges.items()
            if height <= _FITTED_BULGE_MM
        ]
    return surfaces


def _averaged_lift(
    surfaces: list[tuple[Floats, Floats]], likelihoods: Floats, design: Floats
) -> tuple[float, float]:
    """Return the lift and its sigma over all surfaces, each as much as it is likely."""
    weights = np.exp(likelihoods - likelihoods.max())
    weights /= weights.sum()
    lifts, sigmas = np.array(
        [_last_coefficient(gaps, spread, design) for gaps, spread in surfaces]
    ).T
    mean = float(weights @ lifts)
    return mean, float(np.sqrt(weights @ (sigmas**2 + (lifts - mean) ** 2)))


def _restricted_likelihood(gaps: Floats, spread: Floats, design: Floats) -> float:
    """Return the logarithm of the restricted likelihood, up to a constant."""
    projected, inner = _projection(spread, design)
    logs = np.linalg.slogdet(spread)[1] + np.linalg.slogdet(inner)[1]
    return -0.5 * float(logs + gaps @ projected @ gaps)


def _projection(spread: Floats, terms: Floats) -> tuple[Floats, Floats]:
    """Return the inverse covariance of what `terms` (N, K) leave, (N, N), and theirs, (K, K)."""
    inverse = np.linalg.inv(spread)
    inner = terms.T @ inverse @ terms
    left = inverse - inverse @ terms @ np.linalg.solve(inner, terms.T @ inverse)
    return np.asarray(left), np.asarray(inner)


def _last_coefficient(gaps: Floats, spread: Floats, design: Floats) -> tuple[float, float]:
    """Return the last coefficient of a generalised least-squares fit, and its sigma."""
    weighted = np.linalg.solve(spread, design)
    covariance = np.linalg.inv(design.T @ weighted)
    solution = covariance @ (weighted.T @ gaps)
    return float(solution[-1]), float(np.sqrt(covariance[-1, -1]))


def _deviations(rest: Floats, spread: Floats, terms: Floats) -> tuple[Floats, Floats, float]:
    """Return each pad's deviation from the others' prediction, its sigma, and the chi-square."""
    projected, _ = _projection(spread, terms)
    own = np.diag(projected)
    return projected @ rest / own, 1 / np.sqrt(own), float(rest @ projected @ rest)
