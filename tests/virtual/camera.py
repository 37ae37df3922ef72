"""A pinhole camera with one radial term above the bed.

World: bed millimetres, z up from the plane of commanded Z = 0. Picture: column and row of the
*displayed* picture, the centre of the top left pixel is (0, 0).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["Camera", "aim"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """Where the camera stands and how it maps.

    Attributes
    ----------
    width, height : int
        Size of the displayed picture in pixels.
    focal_px : float
        Focal length.
    centre : (column, row)
        Principal point, also the centre of the distortion.
    k1 : float
        ``distorted = ideal (1 + k1 r^2)``, r in focal lengths.
    place : ndarray, shape (3,)
        Where the lens is, mm.
    turn : ndarray, shape (3, 3)
        Rows are the directions of rising column, rising row and looking forward.
    """

    width: int
    height: int
    focal_px: float
    centre: tuple[float, float]
    k1: float
    place: np.ndarray
    turn: np.ndarray

    @property
    def homography(self) -> np.ndarray:
        """Ideal map of the plane z = 0 to the displayed picture, without distortion, (3, 3)."""
        inner = np.array(
            [[self.focal_px, 0, self.centre[0]], [0, self.focal_px, self.centre[1]], [0, 0, 1]]
        )
        outer = np.column_stack([self.turn[:, 0], self.turn[:, 1], -self.turn @ self.place])
        h = inner @ outer
        return h / h[2, 2]

    def project(self, x_mm: object, y_mm: object, z_mm: object = 0.0) -> np.ndarray:
        """Return (column, row) of points of the world, distortion included, shape (..., 2)."""
        p = np.stack(np.broadcast_arrays(*(np.asarray(v, float) for v in (x_mm, y_mm, z_mm))), -1)
        q = (p - self.place) @ self.turn.T
        n = q[..., :2] / q[..., 2:]
        n = n * (1 + self.k1 * (n**2).sum(-1, keepdims=True))
        return n * self.focal_px + np.array(self.centre)

    def to_bed(self, column: object, row: object) -> np.ndarray:
        """Return the point of the plane z = 0 that is seen at a pixel, shape (..., 2)."""
        c, r = np.broadcast_arrays(np.asarray(column, float), np.asarray(row, float))
        a, b = (c - self.centre[0]) / self.focal_px, (r - self.centre[1]) / self.focal_px
        back = 1.0 / (1 + self.k1 * (a * a + b * b))
        for _ in range(3):  # Newton's iterations for s in s (1 + k1 s^2 r^2) = 1
            t = self.k1 * (a * a + b * b) * back * back
            back = back - (back * (1 + t) - 1) / (1 + 3 * t)
        a, b = a * back, b * back
        m = np.linalg.inv(np.column_stack([self.turn[:, :2], -self.turn @ self.place]))
        w = m[2, 0] * a + m[2, 1] * b + m[2, 2]
        return np.stack(
            [
                (m[0, 0] * a + m[0, 1] * b + m[0, 2]) / w,
                (m[1, 0] * a + m[1, 1] * b + m[1, 2]) / w,
            ],
            -1,
        )

    def parallax(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """Return how far along x and y a point seems to move on the bed per mm of its height."""
        at = np.stack([x_mm, y_mm], -1)
        return (at - self.place[:2]) / self.place[2]


def aim(
    *,
    width: int,
    height: int,
    outline: tuple[float, float, float, float],
    tilt_deg: float,
    azimuth_deg: float,
    roll_deg: float,
    focal: float,
    k1: float,
    margin: float,
    centre_shift: tuple[float, float] = (0.0, 0.0),
) -> Camera:
    """Return the camera that sees the whole plate, as large as the margin allows.

    `focal` is in units of the picture's longer side; `azimuth_deg` is the side it leans to, from
    the x axis; with `roll_deg` 0 the back of the bed is at the top of the picture.
    """
    t, a, roll = np.radians([tilt_deg, azimuth_deg, roll_deg])
    back = np.array([np.sin(t) * np.cos(a), np.sin(t) * np.sin(a), np.cos(t)])
    forward = -back
    down = np.array([0.0, -1.0, 0.0])
    down -= (down @ forward) * forward
    down /= np.linalg.norm(down)
    right = np.cross(down, forward)
    turn = np.array(
        [
            np.cos(roll) * right + np.sin(roll) * down,
            np.cos(roll) * down - np.sin(roll) * right,
            forward,
        ]
    )
    x0, y0, x1, y1 = outline
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    target = np.array([(x0 + x1) / 2, (y0 + y1) / 2, 0.0])
    distance, room = 1.5 * max(x1 - x0, y1 - y0), 1 - 2 * margin
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    camera = None
    for _ in range(12):
        camera = Camera(
            width=width,
            height=height,
            focal_px=focal * max(width, height),
            centre=(middle[0] + centre_shift[0] * width, middle[1] + centre_shift[1] * width),
            k1=k1,
            place=target + distance * back,
            turn=turn,
        )
        seen = camera.project(corners[:, 0], corners[:, 1])
        low, high = seen.min(0), seen.max(0)
        distance *= max((high - low) / (np.array([width, height]) * room))
        off = camera.to_bed(*(low + high) / 2) - camera.to_bed(*middle)
        target[:2] += off
    assert camera is not None
    return camera
