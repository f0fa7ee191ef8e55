"""The inner corners of a printed board in a photo: found small, refined at full size.

Markers (or the chessboard) are sought on a reduced copy; they give a map from board to
picture; the map predicts every inner corner, also those whose markers are
covered; each prediction is fitted in the full picture and kept where the fit
looks like a corner and agrees with its neighbours.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.board import Board, BoardView, marker_dictionary
from calib.camera import FloatArray
from calib.corner_fit import CornerFits, fit_corners
from calib.errors import ScaleUnreadableError
from calib.plane_map import PlaneMap, fit_plane_map, robust_scale, start_map

Grey = NDArray[np.uint8] | NDArray[np.uint16]
BoolArray = NDArray[np.bool_]

_SEARCH_SIDE_PX = 1400  # long side of the copy that is searched; markers of 15 px are read there
_STRETCH_PERCENT = 1.0  # share of the picture taken as black and as white before the search
_MARKER_NOISE_PX = 0.5  # of a marker's corner in the searched copy
_FEWEST_CORNERS = 6  # 12 coordinates for 8 of a homography and 2 of the lens
_LEAST_EXPLAINED = 0.8  # share of the variance of a true corner's strips; markers give < 0.5
# A corner half covered or in glare leaves several times as much unexplained as the others
# of its board: at most this many medians, and always this much.
_UNEXPLAINED_MEDIANS, _UNEXPLAINED_FREE = 6.0, 0.02
_LEAST_CONTRAST = 0.004  # half step in linear light: two grey levels near black
_WIDEST_MARGIN = 0.25  # squares that a corner of a plain chessboard may lie off its prediction
_LEAST_ROOM_PX = 2.0
_ROUNDS = 4  # of predicting neighbours from what was found
_REACH_SQUARES = 2.0  # how far beyond found corners a prediction is trusted
_MAP_NOISE_PX = 0.1  # the least scatter about the map: what it leaves of a phone's distortion
_OUTLIER_SIGMA = 5.0
# A fitted corner shifts by a small share of the blur where the light or the blur changes
# across the window. No published source.
_BLUR_SHARE = 0.01
_FLOOR_PX = 0.03  # aliasing of edges sharper than a pixel, demosaicing, JPEG


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Found:
    """A board as seen in the searched copy, mapped to the full picture.

    `bright` tells for each inner corner the sign of its contrast (0: unknown), and
    `near` the board points (in squares) that the map was fitted to.
    """

    plane: PlaneMap
    bright: FloatArray
    near: FloatArray


def find_board(grey: Grey, board: Board, *, thorough: bool = False) -> BoardView:
    """Find the inner corners of a board.

    Parameters
    ----------
    grey : ndarray of uint8 or uint16, shape (height, width)
        Stored grey values.
    board : Board
    thorough : bool
        Search the full picture too where the reduced copy shows nothing; slower.

    Returns
    -------
    BoardView

    Raises
    ------
    ScaleUnreadableError
        No board, or too little of it.
    """
    found = _search(grey, board, thorough=thorough)
    if found is None:
        raise ScaleUnreadableError(
            f"No {_describe(board)} was recognised in the photo.",
            "Show the board whole, sharp and evenly lit, and give the TOML file it was printed "
            "with.",
        )
    view = _refine(grey, board, found)
    if len(view.ids) < _FEWEST_CORNERS:
        raise ScaleUnreadableError(
            f"Only {len(view.ids)} corners of the {_describe(board)} could be read; "
            f"{_FEWEST_CORNERS} are needed.",
            "Uncover the board, keep it flat and in focus, and turn the glare away.",
        )
    return view


def _describe(board: Board) -> str:
    kind = "ChArUco board" if board.pattern == "charuco" else "chessboard"
    unit = "squares" if board.pattern == "charuco" else "inner corners"
    return f"{kind} of {board.columns} x {board.rows} {unit}"


def _search(grey: Grey, board: Board, *, thorough: bool) -> _Found | None:
    finder = _find_markers if board.pattern == "charuco" else _find_chessboard
    reduction = max(1, round(max(grey.shape) / _SEARCH_SIDE_PX))
    steps = {reduction, max(1, reduction // 2), 1} if thorough else {reduction}
    for step in sorted(steps, reverse=True):
        found = finder(_reduced(grey, step), board)
        if found is not None:
            height, width = grey.shape
            plane = found.plane.rescaled(step, width, height)
            return _Found(plane=plane, bright=found.bright, near=found.near)
    return None


def _reduced(grey: Grey, step: int) -> NDArray[np.uint8]:
    """A copy `step` times smaller as uint8, stretched to the full range."""
    height, width = (max(1, side // step) for side in grey.shape)
    whole = grey[: height * step, : width * step]
    small = np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA))
    low, high = np.percentile(small[::4, ::4], [_STRETCH_PERCENT, 100.0 - _STRETCH_PERCENT])
    gain = 255.0 / max(float(high - low), 1.0)
    stretched = (small.astype(np.float32) - np.float32(low)) * np.float32(gain)
    return np.asarray(np.clip(stretched, 0.0, 255.0), dtype=np.uint8)


def _find_markers(small: NDArray[np.uint8], board: Board) -> _Found | None:
    detector = cv2.aruco.ArucoDetector(marker_dictionary(board))
    corners, ids, _ = detector.detectMarkers(small)
    if ids is None or len(ids) == 0:
        return None
    pixels = np.concatenate([np.reshape(quad, (4, 2)) for quad in corners]).astype(float)
    best: tuple[int, PlaneMap, FloatArray, FloatArray] | None = None
    for legacy in (False, True):
        squares = _marker_squares(board, legacy=legacy)
        known = np.ravel(ids) < len(squares)
        points = squares[np.ravel(ids)[known]].reshape(-1, 2)
        seen = pixels[np.repeat(known, 4)]
        started = start_map(points, seen, small.shape[1], small.shape[0])
        if started is not None and (best is None or started[1] > best[0]):
            best = (started[1], started[0], points, seen)
            bright = _brightness(board, squares)
    if best is None or best[0] < 8:  # two markers
        return None
    _, plane, points, seen = best
    plane = fit_plane_map(points, seen, plane, floor_px=_MARKER_NOISE_PX)
    agree = np.linalg.norm(plane(points) - seen, axis=-1) < _OUTLIER_SIGMA * _MARKER_NOISE_PX
    return _Found(plane=plane, bright=bright, near=points[agree])


def _marker_squares(board: Board, *, legacy: bool) -> FloatArray:
    """Corners of every marker in squares, shape (markers, 4, 2)."""
    size, marker = (board.columns, board.rows), board.marker_mm / board.square_mm
    layout = cv2.aruco.CharucoBoard(size, 1.0, marker, marker_dictionary(board))
    layout.setLegacyPattern(legacy)
    return np.array(layout.getObjPoints(), dtype=float).reshape(-1, 4, 3)[..., :2]


def _brightness(board: Board, marker_squares: FloatArray) -> FloatArray:
    """Sign of the contrast at each inner corner: +1 where the square beyond it is white."""
    first_white = int(np.floor(marker_squares[0].mean(axis=0)).sum()) % 2
    beyond = board.corner_squares().sum(axis=-1).astype(int) % 2
    return np.where(beyond == first_white, 1.0, -1.0)


def _find_chessboard(small: NDArray[np.uint8], board: Board) -> _Found | None:
    size = (board.columns, board.rows)
    flags = cv2.CALIB_CB_ADAPTIVE_THRESH + cv2.CALIB_CB_NORMALIZE_IMAGE + cv2.CALIB_CB_FAST_CHECK
    found, corners = cv2.findChessboardCorners(small, size, flags=flags)
    if not found:
        return None
    points = board.corner_squares()
    seen = np.reshape(corners, (-1, 2)).astype(float)
    started = start_map(points, seen, small.shape[1], small.shape[0])
    if started is None:
        return None
    plane = fit_plane_map(points, seen, started[0], floor_px=_MARKER_NOISE_PX)
    return _Found(plane=plane, bright=np.zeros(len(points)), near=points)


def _refine(grey: Grey, board: Board, found: _Found) -> BoardView:
    """Fit corners outwards from what is known, until no more are found."""
    squares = board.corner_squares()
    plane, near = found.plane, found.near
    fits = CornerFits.unknown(len(squares))
    kept = np.zeros(len(squares), dtype=bool)
    for _ in range(_ROUNDS):
        pending = np.flatnonzero(~kept & (_distance(squares, near) <= _REACH_SQUARES))
        if len(pending) == 0:
            break
        fresh = _fit_near(grey, squares[pending], plane, board.marker_margin)
        fits = fits.replaced(pending, fresh)
        good = _looks_like_corner(fits, found.bright)
        if np.count_nonzero(good) < _FEWEST_CORNERS:
            break
        plane = fit_plane_map(squares[good], fits.px[good], plane, floor_px=_MAP_NOISE_PX)
        good &= _agrees(plane, squares, fits)
        grown = np.any(good & ~kept)
        kept, near = good, squares[good]
        if not grown:
            break
    return _view(board, fits, np.flatnonzero(kept))


def _view(board: Board, fits: CornerFits, ids: NDArray[np.intp]) -> BoardView:
    noise, blur = fits.u_px[ids], fits.blur_px[ids]
    return BoardView(
        ids=ids,
        corners_px=fits.px[ids],
        object_mm=board.corners_mm()[ids],
        u_px=np.sqrt(noise**2 + (_BLUR_SHARE * blur) ** 2 + _FLOOR_PX**2),
        blur_px=blur,
        expected=len(fits.px),
    )


def _fit_near(grey: Grey, squares: FloatArray, plane: PlaneMap, margin: float) -> CornerFits:
    """Fits at the predicted places; NaN where the fit went to another feature."""
    start, axes = plane(squares), plane.axes(squares)
    fits = fit_corners(grey, start, axes, margin)
    side = np.linalg.norm(axes, axis=-1).min(axis=-1)
    room = np.maximum(side * min(margin, _WIDEST_MARGIN), _LEAST_ROOM_PX)
    strayed = ~(np.linalg.norm(fits.px - start, axis=-1) < room)
    return fits.replaced(np.flatnonzero(strayed), CornerFits.unknown(int(strayed.sum())))


def _distance(points: FloatArray, others: FloatArray) -> FloatArray:
    """Largest coordinate difference to the nearest of `others`, in squares."""
    if len(others) == 0:
        return np.full(len(points), math.inf)
    apart = np.abs(points[:, None, :] - others[None, :, :]).max(axis=-1)
    return np.asarray(apart.min(axis=-1))


def _looks_like_corner(fits: CornerFits, bright: FloatArray) -> BoolArray:
    with np.errstate(invalid="ignore"):
        clear = (fits.explained >= _LEAST_EXPLAINED) & (np.abs(fits.contrast) >= _LEAST_CONTRAST)
        right = fits.contrast * bright >= 0.0
    clear &= right & np.isfinite(fits.px).all(axis=-1) & np.isfinite(fits.u_px)
    if not clear.any():
        return clear
    unexplained = 1.0 - fits.explained
    usual = float(np.median(unexplained[clear]))
    return np.asarray(clear & (unexplained <= _UNEXPLAINED_MEDIANS * usual + _UNEXPLAINED_FREE))


def _agrees(plane: PlaneMap, squares: FloatArray, fits: CornerFits) -> BoolArray:
    """Corners that lie where their neighbours say."""
    residual = fits.px - plane(squares)
    usable = np.isfinite(residual).all(axis=-1) & (fits.explained >= _LEAST_EXPLAINED)
    scale = max(robust_scale(residual[usable]), _MAP_NOISE_PX)
    return np.asarray(np.linalg.norm(residual, axis=-1) < _OUTLIER_SIGMA * scale)
