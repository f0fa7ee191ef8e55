"""The axis of a row of marks in the undistorted picture, and grey values beside it.

In the undistorted picture (the plane z = 1 of the camera, scaled to pixels) a rule is
straight. Grey values are sampled from the stored picture, decoded to linear light, at the
distorted positions.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.camera import Camera, FloatArray
from calib.light import LEVELS, linear_levels
from calib.rule_search import Grey, Row, robust_poly

SAMPLES_PER_PITCH = 12  # of the profile along a row
BAND_PITCHES = 0.4  # half height of the band read along a row; marks are longer than a pitch
PROFILE_SAMPLES = 11  # across one mark, one pitch wide
_REMAP_WIDTH = 30_000  # OpenCV's remap takes at most 32767 columns

Samples = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Axis:
    """The row in the undistorted picture; the polynomials take the distance t from the origin."""

    camera: Camera
    origin: FloatArray
    along: FloatArray
    normal: FloatArray
    span: tuple[float, float]
    pitch_poly: FloatArray
    skew_poly: FloatArray
    bend_poly: FloatArray

    def pitch(self, t: FloatArray) -> FloatArray:
        """Expected pitch, px."""
        inside = np.clip(t, *self.span)
        return np.asarray(np.exp(np.polyval(self.pitch_poly, inside)))

    def points(self, t: FloatArray) -> FloatArray:
        """Points of the row's middle line, undistorted px."""
        inside = np.clip(t, *self.span)
        bend = np.polyval(self.bend_poly, inside)
        return np.asarray(self.origin + t[..., None] * self.along + bend[..., None] * self.normal)

    def mark_directions(self, t: FloatArray) -> FloatArray:
        """Unit vectors along the marks."""
        skew = np.polyval(self.skew_poly, np.clip(t, *self.span))[..., None]
        return np.asarray(np.cos(skew) * self.normal - np.sin(skew) * self.along)

    def stored(self, points: FloatArray) -> FloatArray:
        """Stored pixels of undistorted ones, shape (..., 2)."""
        focal, centre = _scaling(self.camera)
        return np.asarray(self.camera.distort((points - centre) / focal) * focal + centre)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lines:
    """Marks as straight lines in the undistorted picture: centre, direction, half length."""

    centre: FloatArray
    direction: FloatArray
    half: FloatArray
    pitch: FloatArray


def axis_of(camera: Camera, row: Row) -> Axis:
    """The axis of a row that was found in the stored picture."""
    s = np.linspace(*row.span_px, 13)
    normal = np.array([-row.along[1], row.along[0]])
    offset = np.polyval(row.offset_poly, s)
    stored = row.origin_px + s[:, None] * row.along + offset[:, None] * normal
    focal, centre = _scaling(camera)
    plane = camera.undistort(stored) * focal + centre
    middle = plane.mean(axis=0)
    along = np.linalg.svd(plane - middle)[2][0]
    along = along * np.sign(along @ row.along)
    normal = np.array([-along[1], along[0]])
    t = (plane - middle) @ along
    pitch = np.exp(np.polyval(row.pitch_poly, s)) * np.gradient(t, s)
    turned = np.arctan2(row.along[1], row.along[0]) - np.arctan2(along[1], along[0])
    skew = np.polyval(row.skew_poly, s) + turned
    return Axis(
        camera=camera,
        origin=middle,
        along=along,
        normal=normal,
        span=(float(t[0]), float(t[-1])),
        pitch_poly=np.polyfit(t, np.log(pitch), 1),
        skew_poly=np.polyfit(t, (skew + np.pi / 2) % np.pi - np.pi / 2, 1),
        bend_poly=np.polyfit(t, (plane - middle) @ normal, 2),
    )


def _scaling(camera: Camera) -> tuple[FloatArray, FloatArray]:
    """Focal lengths and principal point, each as (x, y)."""
    return np.array([camera.fx_px, camera.fy_px]), np.array([camera.cx_px, camera.cy_px])


def axis_through(axis: Axis, t: FloatArray, points: FloatArray, pitch: FloatArray) -> Axis:
    """The axis moved onto points (undistorted px) of marks at t, with their pitches."""
    middle = points.mean(axis=0)
    along = np.linalg.svd(points - middle)[2][0]
    along = along * np.sign(along @ axis.along)
    normal = np.array([-along[1], along[0]])
    new_t = (points - middle) @ along
    turned = float(np.arctan2(axis.along[1], axis.along[0]) - np.arctan2(along[1], along[0]))
    skew = np.polyval(axis.skew_poly, np.clip(t, *axis.span)) + turned
    return Axis(
        camera=axis.camera,
        origin=middle,
        along=along,
        normal=normal,
        span=(float(new_t.min()), float(new_t.max())),
        pitch_poly=robust_poly(new_t, np.asarray(np.log(pitch)), 2),
        skew_poly=robust_poly(new_t, np.asarray(skew), 1),
        bend_poly=robust_poly(new_t, (points - middle) @ normal, 2),
    )


def row_profile(light: Light, axis: Axis) -> tuple[FloatArray, FloatArray]:
    """Positions along the row, and linear light there less its mean over a pitch."""
    middle = float(np.exp(np.polyval(axis.pitch_poly, sum(axis.span) / 2.0)))
    half = light.half_size
    reach = 2.0 * float(np.hypot(*half))
    t = np.arange(-reach, reach, middle / SAMPLES_PER_PITCH)
    centre = axis.points(t)
    inside = np.all(np.abs(axis.stored(centre) - half) <= half - 1.0, axis=1)
    t, centre = t[inside], centre[inside]
    v = np.linspace(-BAND_PITCHES, BAND_PITCHES, 5)[:, None, None] * middle
    stored = axis.stored(centre + v * axis.mark_directions(t))
    values = light.at(stored[..., 0], stored[..., 1])
    profile = np.nanmean(values, axis=0)  # at the border only some of the lines are inside
    if len(profile) <= SAMPLES_PER_PITCH:
        return t, np.zeros_like(profile)
    return t, profile - _running_mean(profile, SAMPLES_PER_PITCH)


def _running_mean(values: FloatArray, width: int) -> FloatArray:
    """Mean over one pitch, centred; `width` is even, so the ends count half."""
    kernel = np.full(width + 1, 1.0 / width)
    kernel[[0, -1]] *= 0.5
    padded = np.pad(values, width // 2, mode="reflect")
    return np.convolve(padded, kernel, mode="valid")


def patches(light: Light, axis: Axis, lines: Lines, w: FloatArray) -> Samples:
    """Linear light about lines, less mean and slope across them: (n, rows, samples).

    The rows lie at w = -1..1 along the lines. The distortion is worked out at three rows
    and two columns and interpolated between, which is exact to 0.01 px over a mark.
    """
    nodes_w, nodes_m = np.array([-1.0, 0.0, 1.0]), np.array([-0.5, 0.5])
    nodes = (
        lines.centre[:, None, None]
        + (nodes_w * lines.half[:, None])[:, :, None, None] * lines.direction[:, None, None]
        + (nodes_m * lines.pitch[:, None])[:, None, :, None] * axis.along
    )
    along = np.stack([w * (w - 1.0) / 2.0, 1.0 - w * w, w * (w + 1.0) / 2.0], -1)
    across = np.stack([0.5 - _ACROSS, 0.5 + _ACROSS], -1)
    weights = np.einsum("ri,mj->rmij", along, across).reshape(len(w) * len(_ACROSS), 6)
    stored = axis.stored(nodes).reshape(len(lines.centre), 6, 2).transpose(2, 0, 1)
    points = stored.astype(np.float32) @ weights.T.astype(np.float32)
    values = light.at(points[0], points[1])
    return values.reshape(len(lines.centre), len(w), len(_ACROSS)) @ DETREND


class Light:
    """Linear light of a picture, decoded where it is asked for and kept.

    Parameters
    ----------
    grey : ndarray of uint8 or uint16, shape (height, width)
        Stored grey values.
    """

    def __init__(self, grey: Grey) -> None:
        self._grey = grey
        self._box = (0, 0, 0, 0)
        self._decoded = np.zeros((0, 0), np.uint16)

    @property
    def half_size(self) -> FloatArray:
        """Coordinates (x, y) of the middle of the picture: half of those of the last pixel."""
        return (np.array(self._grey.shape[::-1]) - 1.0) / 2.0

    def at(self, x: FloatArray | Samples, y: FloatArray | Samples) -> Samples:
        """Values at points, shape of x; NaN outside the picture."""
        bottom, right = self._grey.shape[0] - 1, self._grey.shape[1] - 1
        inside = (x >= 0) & (y >= 0) & (x <= right) & (y <= bottom)
        if not inside.any():
            return np.full(x.shape, np.nan, np.float32)
        self._decode(
            int(max(0.0, float(np.nanmin(x)))),
            int(max(0.0, float(np.nanmin(y)))),
            int(min(right, float(np.nanmax(x)))) + 2,
            int(min(bottom, float(np.nanmax(y)))) + 2,
        )
        parts = x.shape[1] // _REMAP_WIDTH + 1
        pieces = zip(
            np.array_split((x - self._box[0]).astype(np.float32), parts, axis=1),
            np.array_split((y - self._box[1]).astype(np.float32), parts, axis=1),
            strict=True,
        )
        values = [
            cv2.remap(self._decoded, px, py, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            for px, py in pieces
        ]
        joined = np.concatenate(values, axis=1).astype(np.float32)
        joined /= np.float32(LEVELS)
        joined[~inside] = np.nan
        return joined

    def _decode(self, left: int, top: int, right: int, bottom: int) -> None:
        """Have at least this box decoded."""
        box = self._box
        if self._decoded.size:
            if left >= box[0] and top >= box[1] and right <= box[2] and bottom <= box[3]:
                return
            left, top = min(left, box[0]), min(top, box[1])
            right, bottom = max(right, box[2]), max(bottom, box[3])
        self._box = (left, top, right, bottom)
        crop: Grey = self._grey[top:bottom, left:right]
        self._decoded = linear_levels(crop)


def _detrending(samples: int) -> FloatArray:
    """Matrix that takes mean and slope off rows of samples."""
    basis = np.vander(np.linspace(-1.0, 1.0, samples), 2)
    return np.asarray(np.eye(samples) - basis @ np.linalg.pinv(basis))


_ACROSS = np.linspace(-0.5, 0.5, PROFILE_SAMPLES)
# Takes mean and slope off rows of samples across a mark.
DETREND = _detrending(PROFILE_SAMPLES).astype(np.float32)
