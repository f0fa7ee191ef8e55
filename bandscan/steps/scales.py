"""What scales lie in the photo: a printed card, a rule, and how each becomes a plane."""

from __future__ import annotations

import numpy as np

from bandscan.model import Photo
from bandscan.result import ScaleResult
from bandscan.scaling import ScaleReading
from calib.board import Board, BoardView
from calib.camera import Camera, FloatArray
from calib.find_board import find_board
from calib.find_rule import RuleView, find_rule
from calib.scale import (
    CHECKED_PRINT_RELATIVE_U,
    UNCHECKED_PRINT_RELATIVE_U,
    ScalePlane,
    plane_from_corners,
    plane_from_rule,
)

_EDGE_PITCHES = 1.5  # from the marks' roots: the rule's ruled edge lies within
_BEYOND_PITCHES = 3.0  # of rule beyond the first and last mark read

_CARD_MARGIN_SQUARES = 0.3  # of white paper around the squares that is surely there


def read_card(photo: Photo, camera: Camera, board: Board) -> ScaleReading:
    """Find the printed card.

    Raises
    ------
    ScaleUnreadableError
        No card, or too little of it.
    """
    view = find_board(photo.grey, board)
    checked = board.print_scale_checked

    def plane(of: Camera) -> ScalePlane:
        return plane_from_corners(
            view.corners_px,
            view.object_mm[:, :2],
            view.u_px,
            camera=of,
            print_relative_u=CHECKED_PRINT_RELATIVE_U if checked else UNCHECKED_PRINT_RELATIVE_U,
        )

    placed = plane(camera)
    return ScaleReading(
        result=ScaleResult(
            kind="card",
            mm_per_px=placed.mm_per_px,
            relative_u=placed.relative_u,
            pitch_mm=board.printed_square_mm,
            corners_px=view.corners_px,
        ),
        plane=plane,
        outline_px=_card_outline(view, board),
        size_checked=checked,
        view=view,
    )


def read_rule(
    photo: Photo, camera: Camera, *, pitch_mm: float | None, rule_class: str | None = None
) -> ScaleReading:
    """Find the rule and follow its graduations.

    Parameters
    ----------
    photo, camera
    pitch_mm : float or None
        None: found from long and short marks.
    rule_class : {"I", "II", "III"} or None
        Of the rule; see `calib.rule_class`.

    Raises
    ------
    MeasureError
        `no-scale` where nothing like a rule is seen, `scale-unreadable` where it cannot be
        followed.
    """
    view = find_rule(photo.grey, camera, pitch_mm=pitch_mm)

    def plane(of: Camera) -> ScalePlane:
        return plane_from_rule(
            view.roots_px, view.tips_px, pitch_mm=view.pitch_mm, u_px=view.u_px, camera=of,
            rule_class=rule_class,
        )  # fmt: skip

    placed = plane(camera)
    return ScaleReading(
        result=ScaleResult(
            kind="rule",
            mm_per_px=_middle_mm_per_px(view),
            relative_u=placed.relative_u,
            pitch_mm=view.pitch_mm,
            graduations_px=view.marks_px,
        ),
        plane=plane,
        outline_px=_rule_outline(view),
    )


def _card_outline(view: BoardView, board: Board) -> FloatArray:
    """Outer corners of the card, from the affine part of the corners' map."""
    flat = np.column_stack([view.object_mm[:, :2], np.ones(len(view.ids))])
    to_px = np.linalg.lstsq(flat, view.corners_px, rcond=None)[0]
    width = board.columns * board.printed_square_mm
    height = board.rows * board.printed_square_mm
    outer = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    outer += _CARD_MARGIN_SQUARES * board.printed_square_mm * np.sign(outer - 0.1)
    return np.asarray(np.column_stack([outer, np.ones(4)]) @ to_px)


def _rule_outline(view: RuleView) -> FloatArray:
    """Region of the graduations and of the rule's edge beside them."""
    seen = np.isfinite(view.roots_px).all(axis=1)
    roots, tips = view.roots_px[seen], view.tips_px[seen]
    along = (roots[-1] - roots[0]) / (np.flatnonzero(seen)[-1] - np.flatnonzero(seen)[0])
    square = np.median(tips - roots, axis=0)
    edge = _EDGE_PITCHES * float(np.linalg.norm(along)) * square / np.linalg.norm(square)
    ends = _BEYOND_PITCHES * along
    return np.stack(
        [roots[0] - edge - ends, roots[-1] - edge + ends, tips[-1] + ends, tips[0] - ends]
    )


def _middle_mm_per_px(view: RuleView) -> float:
    """Scale at the middle graduation, from a quadratic through the marks' places."""
    seen = np.flatnonzero(np.isfinite(view.marks_px).all(axis=1))
    middle = 0.5 * (seen[0] + seen[-1])
    slopes = [np.polyfit(seen - middle, view.marks_px[seen, axis], 3)[2] for axis in (0, 1)]
    return float(view.pitch_mm / np.hypot(*slopes))
