"""The split of a bed's gap errors into common offset, tilt and warp."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import MeshGrid

__all__ = ["MM_PER_M", "Split", "grid_xy_mm", "relative_part", "split_plane", "twist_of"]

#: Warp expected of a plate on top of its plane. It keeps one pad with a small sigma from pulling
#: the plane through itself, which is what weighting by the measuring noise alone would do.
WARP_SIGMA_MM = 0.05
MM_PER_M = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """Offset, tilt and warp of N gap errors.

    Attributes
    ----------
    coefficients : ndarray of float, shape (3,)
        Common part at the centre (mm), slope along x and along y (mm per m).
    covariance : ndarray of float, shape (3, 3)
        Their covariance, in the same units.
    weights : ndarray of float, shape (3, N)
        The linear map from gap errors to coefficients.
    plane_mm, warp_mm : ndarray of float, shape (N,)
        Plane at each point, offset included, and what is left over.
    """

    coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64]
    weights: NDArray[np.float64]
    plane_mm: NDArray[np.float64]
    warp_mm: NDArray[np.float64]

    @property
    def common_mm(self) -> float:
        """Common part of the gap error."""
        return float(self.coefficients[0])

    @property
    def common_sigma_mm(self) -> float:
        """Standard deviation of the common part."""
        return float(np.sqrt(self.covariance[0, 0]))

    @property
    def tilt_mm_per_m(self) -> tuple[float, float]:
        """Slope along x and y, positive where the gap grows with x (y)."""
        return float(self.coefficients[1]), float(self.coefficients[2])

    @property
    def tilt_sigma_mm_per_m(self) -> tuple[float, float]:
        """Standard deviations of the two slopes."""
        return float(np.sqrt(self.covariance[1, 1])), float(np.sqrt(self.covariance[2, 2]))


def grid_xy_mm(grid: MeshGrid) -> NDArray[np.float64]:
    """Return the places of all nodes, shape (rows * columns, 2), in the order of `grid.nodes`."""
    x_mm, y_mm = np.meshgrid(grid.x_mm, grid.y_mm)
    return np.column_stack([x_mm.ravel(), y_mm.ravel()])


def split_plane(
    xy_mm: NDArray[np.float64],
    error_mm: NDArray[np.float64],
    covariance_mm2: NDArray[np.float64],
    *,
    centre_mm: tuple[float, float],
    warp_sigma_mm: float = WARP_SIGMA_MM,
) -> Split:
    """Fit a plane by generalised least squares.

    Parameters
    ----------
    xy_mm : ndarray of float, shape (N, 2)
        Places.
    error_mm : ndarray of float, shape (N,)
        Gap less target.
    covariance_mm2 : ndarray of float, shape (N, N)
        Covariance of `error_mm`, the shared part included.
    centre_mm : (x, y)
        Where the common part is taken: the middle of the mesh.
    warp_sigma_mm : float
        Expected warp, added to the weights only.

    Returns
    -------
    Split
        Its covariance is the measuring covariance carried through the linear map (JCGM 100:2008,
        equation 13 in matrix form): the warp is part of the bed, not an uncertainty of its plane.

    Notes
    -----
    Aitken's estimator, ``(B' V^-1 B)^-1 B' V^-1`` with ``V = C + warp_sigma^2 I``.

    Examples
    --------
    >>> xy = np.array([[0.0, 0.0], [100.0, 0.0], [0.0, 100.0], [100.0, 100.0]])
    >>> split = split_plane(xy, 0.01 + 0.0005 * xy[:, 0], 1e-6 * np.eye(4), centre_mm=(50, 50))
    >>> round(split.common_mm, 6), [round(float(t), 6) + 0.0 for t in split.tilt_mm_per_m]
    (0.035, [0.5, 0.0])
    """
    design = np.column_stack([np.ones(len(xy_mm)), (xy_mm - np.asarray(centre_mm)) / MM_PER_M])
    spread = covariance_mm2 + (warp_sigma_mm**2 + 1e-10) * np.eye(len(xy_mm))
    weighed = np.linalg.solve(spread, design)
    weights = np.linalg.solve(design.T @ weighed, weighed.T)
    coefficients = weights @ error_mm
    plane_mm = design @ coefficients
    return Split(
        coefficients=coefficients,
        covariance=weights @ covariance_mm2 @ weights.T,
        weights=weights,
        plane_mm=plane_mm,
        warp_mm=error_mm - plane_mm,
    )


def relative_part(
    split: Split, error_mm: NDArray[np.float64], covariance_mm2: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Take the common part out of gap errors.

    Returns
    -------
    (relative_mm, covariance_mm2)
        Shapes (N,) and (N, N). Whatever adds the same to all points leaves both as they are.
    """
    remove = np.eye(len(error_mm)) - np.outer(np.ones(len(error_mm)), split.weights[0])
    return remove @ error_mm, remove @ covariance_mm2 @ remove.T


def twist_of(xy_mm: NDArray[np.float64], warp_mm: NDArray[np.float64]) -> float:
    """Return the twist of a plate in mm, corner to corner, of points (N, 2) with warp (N,).

    The term ``u v`` (x and y in halves of the points' extent) is fitted to what offset and tilt
    leave; the twist is the mean of the front-left and back-right corners less that of the other
    two. A stiff plate on four screws is turned by three of them: this is what none can take out.
    """
    # Where u and v are 0 does not matter: a shift goes into offset and tilt.
    u, v = (2 * xy_mm / np.ptp(xy_mm, axis=0)).T
    design = np.column_stack([np.ones(len(u)), u, v, u * v])
    fitted = np.linalg.lstsq(design, warp_mm, rcond=None)[0]
    return float(2 * fitted[3])
