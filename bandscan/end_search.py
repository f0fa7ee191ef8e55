"""Where the outline of a shaft closes: a search over ends of all shapes.

Each hypothesis (position of the face, radial height and axial length of the chamfer)
is drawn and collects the edge evidence under its outline and under the circles within
it. What lies outside the outline collects nothing, so of two arcs that are both
plainly there the outer one wins if the outline's corners agree with it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from bandscan.end_shape import AxisPlane, Drawing, EndShape, Piece, draw, face_is_seen
from bandscan.model import Photo
from bandscan.sampling import between_knots, sample_planes
from calib.camera import Camera, FloatArray

# The search picture has this many pixels to a radius: an arc of some 200 pixels is
# ample to average over, and a chamfer of 1/20 of the radius is still told from none.
_PIXELS_PER_RADIUS = 100.0
_KNOTS = 33  # exact projections along a side of it; between them the lens bends by < 0.1 px
_MARGIN = 1.12  # of the silhouette's distance from the axis, shown in the search picture
_SMOOTHING_PX = 1.0  # of the search picture, ahead of its derivative
_SMOOTHING_ALONG_PX = 2.5  # the same along the edge: an arc leaves its tangent by < 1 px there
# A gradient counts as log(1 + (g / typical g)^2), up to this ratio: an edge that is
# there counts the same whether it is strong or very strong.
_FULL_RATIO = 4.0
_APART_PX = 3.0  # of the search picture; closer edges are one after the smoothing
_ALIKE = 0.05  # of the radius: heights nearer than this lead to the same fit
_AT_PX = 1.5  # of the search picture: a circle this near to the chamfer's outer edge may be it
_AT_ONCE = 1024  # shapes drawn together: their samples stay in the processor's cache
_CANDIDATES = 6  # the end, the chamfer's outer edge, a band, and shapes between

# Chamfers that are tried: 10 to 55 degrees from the axis (ISO 6194-1 asks for 15 to 30,
# plain 45 degree chamfers and edge radii occur), up to 8 mm long, up to 0.4 of the radius high
# (a lead-in chamfer takes 0.15 of the radius at 10 mm diameter, 0.05 at 240 mm; 5 x 45 degrees
# on 25 mm takes 0.4, and an end that is not tried is taken for one further in).
SLOPE_MIN, SLOPE_MAX = math.tan(math.radians(10.0)), math.tan(math.radians(55.0))
_HEIGHTS_OF_RADIUS = np.append(np.arange(0.01, 0.2, 0.02), np.arange(0.22, 0.41, 0.045))
LENGTH_MAX_MM = 8.0
_LENGTHS_MM = np.geomspace(0.3, LENGTH_MAX_MM, 10)

_SAMPLES = {Piece.RIM: 24, Piece.FLANK: 6, Piece.SHOULDER: 4, Piece.SIDE: 6}
_INNER_SAMPLES = 60
_INNER_SHARE = 0.9  # of the visible half angle; beyond it arcs run along the silhouette


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """Edges of the picture of the axis plane.

    Parameters
    ----------
    gradient_x, gradient_w : ndarray of float32, shape (rows, columns)
        Slope of the square root of the light (its noise is even), in units of the
        typical slope; NaN where the photo ends.
    x0_mm, w0_mm, step_mm : float
        Position of the first pixel, size of a pixel.
    expected : float
        Mean evidence at a place and direction chosen at random.
    """

    gradient_x: NDArray[np.float32]
    gradient_w: NDArray[np.float32]
    x0_mm: float
    w0_mm: float
    step_mm: float
    expected: float

    def along(self, drawing: Drawing) -> FloatArray:
        """Evidence beyond the expected one under each sample's curve, in pixels of full edge.

        Returns
        -------
        ndarray, shape (n, m)
            NaN outside the photo.
        """
        column = np.rint((drawing.x_mm - self.x0_mm) / self.step_mm).astype(np.intp)
        row = np.rint((drawing.w_mm - self.w0_mm) / self.step_mm).astype(np.intp)
        rows, columns = self.gradient_x.shape
        outside = (column < 0) | (column >= columns) | (row < 0) | (row >= rows)
        index = np.where(outside, 0, row * columns + column)
        slope = self.gradient_x.ravel()[index] * drawing.nx
        slope += self.gradient_w.ravel()[index] * drawing.nw
        found = (_evidence(slope) - self.expected) / (1.0 - self.expected)
        found[outside] = np.nan
        return np.asarray(found * drawing.length_mm / self.step_mm)


def _evidence(ratio: NDArray[np.floating]) -> NDArray[np.floating]:
    full = math.log1p(_FULL_RATIO**2)
    return np.minimum(np.log1p(ratio * ratio) / full, 1.0)


def gather_evidence(
    photo: Photo, camera: Camera, plane: AxisPlane, from_mm: float, to_mm: float
) -> Evidence:
    """Make the search picture between two positions of the axis plane."""
    pixel_mm = plane.distance_mm / max(camera.fx_px, camera.fy_px)
    step = max(plane.pose.radius_mm / _PIXELS_PER_RADIUS, pixel_mm)
    half = _MARGIN * float(_silhouette_mm(plane))
    finer = max(1, round(step / pixel_mm / 1.5))  # samples at most 1.5 photo pixels apart
    columns, rows = round((to_mm - from_mm) / step), 2 * round(half / step)
    fine = step / finer
    first = -0.5 * (finer - 1) * fine
    x = from_mm + first + np.linspace(0.0, (columns * finer - 1) * fine, _KNOTS)
    w = -half + first + np.linspace(0.0, (rows * finer - 1) * fine, _KNOTS)
    knots_px = plane.pixels(camera, *np.meshgrid(x, w))
    light = sample_planes(photo, *between_knots(knots_px, rows * finer, columns * finer))
    area = cv2.resize(light, (columns, rows), interpolation=cv2.INTER_AREA)
    even = np.sqrt(np.asarray(area, dtype=np.float32))
    slope_x = _slope(even)
    slope_w = np.ascontiguousarray(_slope(np.ascontiguousarray(even.T)).T)
    typical = float(np.nanmedian(np.hypot(slope_x, slope_w))) or 1.0
    slope_x /= typical
    slope_w /= typical
    random_direction = np.sqrt(0.5 * (slope_x**2 + slope_w**2))
    return Evidence(
        gradient_x=slope_x,
        gradient_w=slope_w,
        x0_mm=from_mm,
        w0_mm=-half,
        step_mm=step,
        expected=float(np.nanmean(_evidence(random_direction))),
    )


def _slope(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Slope along the rows, smoothed more across it: the edge is nearly square to it."""
    smooth = cv2.GaussianBlur(picture, (0, 0), sigmaX=_SMOOTHING_PX, sigmaY=_SMOOTHING_ALONG_PX)
    return np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=1), dtype=np.float32)


def _silhouette_mm(plane: AxisPlane) -> float:
    angle = np.arccos(plane.pose.radius_mm / plane.distance_mm)
    return float(plane.circle(0.0, plane.pose.radius_mm, angle)[1])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """One end that the picture supports.

    Parameters
    ----------
    apex_mm : float
        Position of the far point of its outline in the axis plane.
    score : float
        Length of edge explained beyond the expected, pixels of the search picture.
    outside_share : float
        Share of the rim that lies outside the photo.
    """

    shape: EndShape
    apex_mm: float
    score: float
    outside_share: float


def search_end(
    evidence: Evidence, plane: AxisPlane, face_mm: tuple[float, float], side_to_mm: float
) -> list[Candidate]:
    """The best ends, best first, apart from each other.

    Parameters
    ----------
    face_mm : (float, float)
        First and last position of the face.
    side_to_mm : float
        Position to which the silhouettes are followed.
    """
    scorer = _Scorer(evidence=evidence, plane=plane, side_to_mm=side_to_mm)
    shapes = _hypotheses(evidence, plane, face_mm)
    if not shapes.face_mm.size:  # a shaft so thick that no chamfer that is made fits it
        return []
    parts = [shapes[slice(k, k + _AT_ONCE)] for k in range(0, shapes.face_mm.size, _AT_ONCE)]
    apex, score = (np.concatenate(part) for part in zip(*map(scorer.score, parts), strict=True))
    found: list[Candidate] = []
    left = np.ones(score.shape, dtype=bool)
    while left.any() and len(found) < _CANDIDATES:
        best = int(np.argmax(np.where(left, score, -np.inf)))
        found.append(scorer.refined(shapes[np.array([best])]))
        near = np.abs(apex - apex[best]) < _APART_PX * evidence.step_mm
        alike = np.abs(shapes.height_mm - shapes.height_mm[best]) < _ALIKE * plane.pose.radius_mm
        left &= ~(near & alike)
    return sorted(found, key=lambda c: -c.score)


def _hypotheses(evidence: Evidence, plane: AxisPlane, face_mm: tuple[float, float]) -> EndShape:
    face = np.arange(*face_mm, evidence.step_mm)
    heights = _HEIGHTS_OF_RADIUS * plane.pose.radius_mm
    return _grid(face, heights, _LENGTHS_MM)


def _grid(face: FloatArray, height: FloatArray, length: FloatArray) -> EndShape:
    """All combinations whose chamfer has a usual angle."""
    grid = [a.ravel() for a in np.meshgrid(face, height, length, indexing="ij")]
    slope = grid[1] / grid[2]
    usual = (slope > SLOPE_MIN) & (slope < SLOPE_MAX)
    return EndShape(face_mm=grid[0][usual], height_mm=grid[1][usual], length_mm=grid[2][usual])


class _Scorer:
    """Edge explained by ends in one search picture."""

    def __init__(self, *, evidence: Evidence, plane: AxisPlane, side_to_mm: float) -> None:
        self._evidence = evidence
        self._plane = plane
        self._side_to_mm = side_to_mm
        self._circles_mm, circles = circles_within(evidence, plane)
        self._until = np.append(0.0, np.cumsum(circles))

    def score(self, shapes: EndShape) -> tuple[FloatArray, FloatArray]:
        """Position of the outline's far point, and edge explained, of each shape."""
        plane, step = self._plane, self._evidence.step_mm
        outline = draw(plane, shapes, _SAMPLES, side_to_mm=self._side_to_mm)
        # Where the outline has an edge it gains its length, where it has none it loses as much.
        gained = 2.0 * self._evidence.along(outline) - outline.length_mm / step
        explained = np.nansum(gained, axis=1)
        far_angle = np.where(face_is_seen(plane, shapes.face_mm), np.pi, 0.0)
        apex, _ = plane.circle(shapes.face_mm, plane.pose.radius_mm - shapes.height_mm, far_angle)
        outer, _ = plane.circle(shapes.face_mm + shapes.length_mm, plane.pose.radius_mm, 0.0)
        within = np.maximum(outer - _AT_PX * step, apex + 2.0 * _APART_PX * step)
        inside = self._until[-1] - self._until[np.searchsorted(self._circles_mm, within)]
        beyond = np.searchsorted(self._circles_mm, apex - _APART_PX * step)
        return apex, explained + inside - self._until[beyond]

    def refined(self, start: EndShape) -> Candidate:
        """Climb to the best shape near `start`, finer than the grid of hypotheses."""
        evidence, radius = self._evidence, self._plane.pose.radius_mm
        best, apex, score = start, np.zeros(1), np.full(1, -np.inf)
        for scale in (1.0, 0.4):
            shapes = _grid(
                best.face_mm[0] + scale * evidence.step_mm * np.linspace(-1.5, 1.5, 7),
                np.maximum(best.height_mm[0] + 0.02 * scale * radius * np.linspace(-1, 1, 7), 0.0),
                best.length_mm[0] * np.exp(0.25 * scale * np.linspace(-1.0, 1.0, 5)),
            )
            if not shapes.face_mm.size:
                break
            apex, score = self.score(shapes)
            best = shapes[np.array([int(np.argmax(score))])]
        rim = draw(self._plane, best, {Piece.RIM: _INNER_SAMPLES})
        outside = np.isnan(evidence.along(rim))
        return Candidate(
            shape=best,
            apex_mm=float(apex[np.argmax(score)]),
            score=float(score.max()),
            outside_share=float(
                rim.length_mm[outside].sum() / max(rim.length_mm.sum(), evidence.step_mm)
            ),
        )


def circles_within(evidence: Evidence, plane: AxisPlane) -> tuple[FloatArray, FloatArray]:
    """Circles of the land's radius that show as edges: chamfer edge, bands, grooves, streaks.

    Returns
    -------
    apex_mm, explained : ndarray, shape (n,)
        Position of a circle's nearest point in the plane, and the edge it explains where
        it does so better than its neighbours, else 0.
    """
    columns = evidence.gradient_x.shape[1]
    axial = evidence.x0_mm + evidence.step_mm * np.arange(columns, dtype=float)
    land = plane.pose.radius_mm
    drawing = circle_drawing(plane, axial, _INNER_SAMPLES)
    explained = np.nansum(evidence.along(drawing), axis=1)
    reach = 2 * int(_APART_PX) + 1
    highest = cv2.dilate(explained[None, :], np.ones((1, reach), np.uint8))[0]
    peak = (explained == highest) & (explained > 0.0)
    apex, _ = plane.circle(axial, land, 0.0)
    return apex, np.where(peak, explained, 0.0)


def circle_drawing(plane: AxisPlane, axial_mm: FloatArray, samples: int) -> Drawing:
    """Circles of the land's radius over most of the visible half turn."""
    land = plane.pose.radius_mm
    half = _INNER_SHARE * math.acos(land / plane.distance_mm)
    angle = np.linspace(-half, half, samples)[None, :]
    x, w = plane.circle(axial_mm[:, None], land, angle)
    dx, dw = np.gradient(x, axis=1), np.gradient(w, axis=1)
    length = np.hypot(dx, dw)
    return Drawing(
        x_mm=x, w_mm=w, nx=-dw / length, nw=dx / length, length_mm=length,
        piece=np.full(samples, int(Piece.OUTER_EDGE)),
    )  # fmt: skip
