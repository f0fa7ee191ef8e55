"""Photos of boards drawn with OpenCV alone: the independent check of `calib`.

Rays come from `cv2.undistortPoints`, the print from OpenCV's own board images, and the
true corners from `cv2.projectPoints`; nothing of `calib` is used but its value types.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from calib.board import Board

SUPERSAMPLING = 3
PRINT_PX = 60  # pixels per square of the print


@dataclass(frozen=True)
class Lens:
    width_px: int
    height_px: int
    focal_px: float
    centre_px: tuple[float, float]
    distortion: tuple[float, ...]

    @property
    def matrix(self):
        return np.array(
            [
                [self.focal_px, 0.0, self.centre_px[0]],
                [0.0, self.focal_px, self.centre_px[1]],
                [0.0, 0.0, 1.0],
            ]
        )


LENS = Lens(800, 600, 620.0, (405.0, 293.0), (0.05, -0.06, 0.0005, -0.0004, 0.01))


def turned(tilt_deg, direction_deg, spin_deg=0.0):
    """Rotation of a board tilted about an axis in its plane, then spun about the view."""
    about = np.radians(direction_deg)
    tilt = np.radians(tilt_deg) * np.array([np.cos(about), np.sin(about), 0.0])
    spin = np.array([0.0, 0.0, np.radians(spin_deg)])
    return cv2.Rodrigues(spin)[0] @ cv2.Rodrigues(tilt)[0]


def placed(board: Board, rotation, distance_mm, shift_mm=(0.0, 0.0)):
    """Translation that puts the board's middle on the axis, shifted, at a distance."""
    half = 0.5 * board.square_mm * np.array([board.columns, board.rows, 0.0])
    if board.pattern == "chessboard":
        half = 0.5 * board.square_mm * np.array([board.columns + 1, board.rows + 1, 0.0])
    return np.array([*shift_mm, distance_mm]) - rotation @ half


def true_corners(board: Board, lens: Lens, rotation, translation):
    """Inner corners in the picture, shape (n, 2), in the order of their ids."""
    pixels, _ = cv2.projectPoints(
        board.corners_mm(), cv2.Rodrigues(rotation)[0], translation, lens.matrix,
        np.array(lens.distortion),
    )  # fmt: skip
    return pixels.reshape(-1, 2)


def printed(board: Board, *, legacy=False):
    """The print without a margin, `PRINT_PX` a square, 0 black and 1 white."""
    if board.pattern == "chessboard":
        row, col = np.indices((board.rows + 1, board.columns + 1))
        cells = ((row + col) % 2).astype(np.float32)
        return np.kron(cells, np.ones((PRINT_PX, PRINT_PX), dtype=np.float32))
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, board.dictionary))
    layout = cv2.aruco.CharucoBoard(
        (board.columns, board.rows), board.square_mm, board.marker_mm, dictionary
    )
    layout.setLegacyPattern(legacy)
    size = (board.columns * PRINT_PX, board.rows * PRINT_PX)
    return layout.generateImage(size).astype(np.float32) / 255.0


def _ideal_points(lens: Lens, fine: int):
    """Undistorted image points of a grid `fine` times as dense, shape (rows, cols, 2)."""
    coarse = 8  # every eighth is undistorted; a phone's distortion is straight in between
    rows, cols = lens.height_px * fine // coarse, lens.width_px * fine // coarse
    y, x = np.mgrid[-1 : rows + 1, -1 : cols + 1].astype(float)
    pixels = (np.stack([x, y], axis=-1) * coarse + (coarse - 1) / 2 + 0.5) / fine - 0.5
    ideal = cv2.undistortPoints(
        pixels.reshape(-1, 1, 2), lens.matrix, np.array(lens.distortion)
    ).reshape(*x.shape, 2)
    whole = cv2.resize(ideal, None, fx=coarse, fy=coarse, interpolation=cv2.INTER_LINEAR)
    return whole[coarse:-coarse, coarse:-coarse]


def photograph(  # the knobs of a photo
    board: Board, lens: Lens, rotation, translation, *,
    legacy=False, blur_px=0.8, noise=0.004, white=0.8, black=0.05, hide=None, seed=0, depth=8,
):  # fmt: skip
    """A grey photo, sRGB encoded; `hide` is a (x0, y0, x1, y1) px patch laid over it."""
    fine = SUPERSAMPLING
    ideal = _ideal_points(lens, fine)
    to_board = np.linalg.inv(np.column_stack([rotation[:, :2], translation]))
    on_print = cv2.perspectiveTransform(ideal, to_board) / board.square_mm * PRINT_PX - 0.5
    grid = on_print.astype(np.float32)
    pattern = cv2.copyMakeBorder(printed(board, legacy=legacy), 1, 1, 1, 1,
                                 cv2.BORDER_CONSTANT, value=1.0)  # fmt: skip
    light = cv2.remap(pattern, grid[..., 0] + 1.0, grid[..., 1] + 1.0, cv2.INTER_LINEAR,
                      borderMode=cv2.BORDER_CONSTANT, borderValue=1.0)  # fmt: skip
    light = black + (white - black) * cv2.GaussianBlur(light, (0, 0), blur_px * fine)
    light = cv2.resize(light, (lens.width_px, lens.height_px), interpolation=cv2.INTER_AREA)
    if hide is not None:
        x0, y0, x1, y1 = hide
        light[y0:y1, x0:x1] = 0.3
    light = light + np.random.default_rng(seed).normal(0.0, noise, light.shape)
    light = np.clip(light, 0.0, 1.0)
    # IEC 61966-2-1
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    top = 2**depth - 1
    return np.round(encoded * top).astype(np.uint8 if depth == 8 else np.uint16)
