"""Turns in space, and the pose of a plane from how a picture shows it."""

from __future__ import annotations

import math

import numpy as np

from calib.camera import FloatArray


def pose_start(ideal: FloatArray, board_mm: FloatArray) -> FloatArray:
    """Rotation vector and translation from the homography of board to picture (Zhang 2000)."""
    ones = np.ones((board_mm.shape[0], 1))
    points = np.hstack([board_mm, ones])
    zero = np.zeros_like(points)
    rows = np.vstack(
        [
            np.hstack([points, zero, -ideal[:, :1] * points]),
            np.hstack([zero, points, -ideal[:, 1:] * points]),
        ]
    )
    homography = np.linalg.svd(rows)[2][-1].reshape(3, 3)
    scale = 2.0 / (np.linalg.norm(homography[:, 0]) + np.linalg.norm(homography[:, 1]))
    if homography[2, 2] < 0.0:
        scale = -scale
    first, second, translation = (homography * scale).T
    u, _, vt = np.linalg.svd(np.stack([first, second, np.cross(first, second)], axis=1))
    turned = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt
    return np.concatenate([_rotation_vector(turned), translation])


def rotation(vector: FloatArray) -> FloatArray:
    """Rotation matrix of a rotation vector (Rodrigues)."""
    angle = float(np.linalg.norm(vector))
    if angle < 1e-12:
        return np.eye(3)
    x, y, z = vector / angle
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return np.asarray(np.eye(3) + math.sin(angle) * cross + (1.0 - math.cos(angle)) * cross @ cross)


def _rotation_vector(turned: FloatArray) -> FloatArray:
    """Rotation vector of a matrix, also near half a turn (from the symmetric part)."""
    cosine = float(np.clip((np.trace(turned) - 1.0) / 2.0, -1.0, 1.0))
    angle = math.acos(cosine)
    skew = np.array(
        [
            turned[2, 1] - turned[1, 2],
            turned[0, 2] - turned[2, 0],
            turned[1, 0] - turned[0, 1],
        ]
    )
    if angle < 1e-9:
        return np.zeros(3)
    if math.pi - angle > 1e-4:
        return np.asarray(skew * angle / (2.0 * math.sin(angle)))
    values, vectors = np.linalg.eigh(turned + turned.T)
    axis = vectors[:, int(np.argmax(values))]
    return np.asarray(axis * angle * (1.0 if axis @ skew >= 0.0 else -1.0))
