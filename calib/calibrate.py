"""A lens from views of a board: which views count, what the set lacks, and the result.

A small reprojection error does not prove a lens: a set of flat-on views fits any
focal length. So the set is judged by the tilt of its steepest view, by how much
of the frame it covers, and by the standard deviations that it leaves.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calib.board import BoardView
from calib.bundle import Bundle, fit_bundle, start_camera
from calib.camera import FloatArray
from calib.errors import CalibrationError
from calib.lens import CameraIdentity, LensCalibration

FEWEST_VIEWS = 5  # three fix the lens in theory (Zhang 2000); two more show errors
FEWEST_CORNERS = 12  # of a view: 24 values for the 6 of its pose
_MOST_BLUR_SQUARES = 0.25  # 10-90 % width of an edge beyond which it runs into the next mark
_ODD_VIEW_RATIO = 3.0  # residuals of a bent or moved board against the median of the views
_LEAST_KEPT = 0.5  # share of a view's corners that must not be gross errors
# Zhang 2000, section 5: the error of the focal length falls steeply up to about 30 degrees
# of tilt and is least near 45; below 15 degrees paper that is not quite flat decides.
LEAST_TILT_DEG = 15.0
GOOD_TILT_DEG = 30.0
_COVERAGE_CELLS = (8, 6)  # cells of the frame along its long and short side
LEAST_COVERAGE = 0.5  # share of the cells with a corner; beyond them distortion is a guess
_GOOD_COVERAGE = 0.85
MOST_FOCAL_U = 0.005  # relative; five times the scale error that a measurement should have
MOST_CENTRE_U = 0.01  # of the long side
_REGIONS = (("top", "middle", "bottom"), ("left", "middle", "right"))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ViewReport:
    """How one view fared; `problem` is why it was left out, None where it was used."""

    name: str
    problem: str | None
    tilt_deg: float = float("nan")
    rms_px: float = float("nan")
    corners_px: FloatArray
    residuals_px: FloatArray
    gross_errors: int = 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LensReport:
    """A calibrated lens and the account of its views.

    Parameters
    ----------
    lens : LensCalibration
    views : tuple of ViewReport
        Used and rejected, in the order given.
    coverage : float
        Share of the frame's cells in which corners were seen.
    steepest_deg : float
        Tilt of the steepest view.
    advice : tuple of str
        What would make the set better; empty where nothing is wanting.
    """

    lens: LensCalibration
    views: tuple[ViewReport, ...]
    coverage: float
    steepest_deg: float
    advice: tuple[str, ...]


def calibrate_lens(
    views: Mapping[str, BoardView],
    width_px: int,
    height_px: int,
    identity: CameraIdentity | None = None,
) -> LensReport:
    """Calibrate a lens from named views of one board.

    Parameters
    ----------
    views : mapping from name to BoardView
        All from the same camera, size and focal length.
    width_px, height_px : int
        Size of the photos.
    identity : CameraIdentity, optional
        What EXIF says of the camera.

    Raises
    ------
    CalibrationError
        Too few usable views, all too flat, too little of the frame covered, or
        parameters that stay too uncertain.
    """
    problems = {name: _unusable(view) for name, view in views.items()}
    used = {name: view for name, view in views.items() if problems[name] is None}
    while True:
        _require_views(used, problems)
        counted = list(used.values())
        bundle = fit_bundle(counted, start_camera(counted, width_px, height_px))
        odd = _odd_view(used, bundle)
        if odd is None:
            break
        name, problems[name] = odd
        del used[name]
    coverage, gaps = _coverage(used, bundle, width_px, height_px)
    steepest_deg = max(pose.tilt_deg for pose in bundle.poses)
    _require_tilt(steepest_deg)
    _require_coverage(coverage, gaps)
    _require_certainty(bundle)
    return LensReport(
        lens=_lens(bundle, identity or CameraIdentity()),
        views=_account(views, problems, used, bundle),
        coverage=coverage,
        steepest_deg=steepest_deg,
        advice=_advice(bundle, coverage, gaps),
    )


def _unusable(view: BoardView) -> str | None:
    """Why a view cannot be used, told before any fit."""
    if len(view.ids) < FEWEST_CORNERS:
        return (
            f"board cut off or hidden: {len(view.ids)} of {view.expected} corners seen, "
            f"{FEWEST_CORNERS} needed"
        )
    spacing = _spacing_px(view)
    blur = float(np.median(view.blur_px))
    if blur > _MOST_BLUR_SQUARES * spacing:
        return f"blurred: edges {blur:.0f} px wide on squares of {spacing:.0f} px"
    return None


def _spacing_px(view: BoardView) -> float:
    """Median distance of a corner to its nearest neighbour."""
    apart = np.linalg.norm(view.corners_px[:, None] - view.corners_px[None], axis=-1)
    np.fill_diagonal(apart, np.inf)
    return float(np.median(apart.min(axis=-1)))


def _require_views(used: Mapping[str, BoardView], problems: Mapping[str, str | None]) -> None:
    if len(used) >= FEWEST_VIEWS:
        return
    rejected = "; ".join(f"{name}: {why}" for name, why in problems.items() if why)
    raise CalibrationError(
        f"Only {len(used)} of {len(problems)} photos of the board can be used, "
        f"{FEWEST_VIEWS} are needed{f' ({rejected})' if rejected else ''}.",
        "Take 10 to 20 sharp photos of the whole board, tilted to different sides.",
    )


def _odd_view(used: Mapping[str, BoardView], bundle: Bundle) -> tuple[str, str] | None:
    """The view that fits the others worst, if it does so by far; and what to call it."""
    scores, kept = [], []
    for view, residual, keep in zip(used.values(), bundle.residuals_px, bundle.kept, strict=True):
        scores.append(float(np.median(np.linalg.norm(residual / view.u_px[:, None], axis=-1))))
        kept.append(float(np.mean(keep)))
    ratio = np.array(scores) / max(float(np.median(scores)), 1e-12)
    worst = int(np.argmax(ratio))
    if ratio[worst] <= _ODD_VIEW_RATIO and min(kept) >= _LEAST_KEPT:
        return None
    if ratio[worst] <= _ODD_VIEW_RATIO:
        worst = int(np.argmin(kept))
    off = float(np.median(np.linalg.norm(bundle.residuals_px[worst], axis=-1)))
    reason = f"does not fit the others (corners {off:.2g} px off): board bent, or camera refocused"
    return list(used)[worst], reason


def _coverage(
    used: Mapping[str, BoardView], bundle: Bundle, width_px: int, height_px: int
) -> tuple[float, tuple[str, ...]]:
    """Share of the frame's cells that hold a corner, and the regions that are bare."""
    across, down = _COVERAGE_CELLS if width_px >= height_px else _COVERAGE_CELLS[::-1]
    corners = np.concatenate(
        [view.corners_px[keep] for view, keep in zip(used.values(), bundle.kept, strict=True)]
    )
    share = (corners + 0.5) / (width_px, height_px)
    cells = np.zeros((down, across), dtype=bool)
    col = np.clip((share[:, 0] * across).astype(int), 0, across - 1)
    row = np.clip((share[:, 1] * down).astype(int), 0, down - 1)
    cells[row, col] = True
    gaps = []
    rows, cols = np.array_split(np.arange(down), 3), np.array_split(np.arange(across), 3)
    for vertical, some_rows in zip(_REGIONS[0], rows, strict=True):
        for sideways, some_cols in zip(_REGIONS[1], cols, strict=True):
            if not cells[np.ix_(some_rows, some_cols)].any():
                gaps.append(f"{vertical} {sideways}")
    return float(cells.mean()), tuple(gaps)


def _require_tilt(steepest_deg: float) -> None:
    if steepest_deg < LEAST_TILT_DEG:
        raise CalibrationError(
            f"The photos do not fix the focal length: the steepest view is {steepest_deg:.0f} "
            f"degrees, at least {LEAST_TILT_DEG:.0f} are needed.",
            "Tilt the board more: add views tilted by 30 to 45 degrees to all four sides.",
        )


def _require_coverage(coverage: float, gaps: tuple[str, ...]) -> None:
    if coverage < LEAST_COVERAGE:
        where = f"; nothing was seen in the {', '.join(gaps)}" if gaps else ""
        raise CalibrationError(
            f"The board reaches only {100.0 * coverage:.0f} % of the frame, "
            f"{100.0 * LEAST_COVERAGE:.0f} % are needed{where}.",
            "Go closer, and add views with the board in the corners of the picture.",
        )


def _require_certainty(bundle: Bundle) -> None:
    std = np.sqrt(np.diag(bundle.covariance))
    focal = float(max(std[0] / bundle.camera.fx_px, std[1] / bundle.camera.fy_px))
    centre = float(max(std[2:4])) / max(bundle.camera.width_px, bundle.camera.height_px)
    remedy = "Add sharp views, tilted by 30 to 45 degrees to all four sides and filling the frame."
    if not focal <= MOST_FOCAL_U:
        raise CalibrationError(
            f"The focal length stays uncertain by {100.0 * focal:.2g} % (standard deviation), "
            f"at most {100.0 * MOST_FOCAL_U:g} % will do.",
            remedy,
        )
    if not centre <= MOST_CENTRE_U:
        raise CalibrationError(
            f"The principal point stays uncertain by {100.0 * centre:.2g} % of the long side "
            f"(standard deviation), at most {100.0 * MOST_CENTRE_U:g} % will do.",
            remedy,
        )


def _lens(bundle: Bundle, identity: CameraIdentity) -> LensCalibration:
    left = np.concatenate(
        [residual[keep] for residual, keep in zip(bundle.residuals_px, bundle.kept, strict=True)]
    )
    return LensCalibration(
        camera=bundle.camera,
        covariance=bundle.covariance,
        source="file",
        identity=identity,
        reprojection_rms_px=_rms(left),
    )


def _rms(residuals: FloatArray) -> float:
    """Root mean square length of a residual, as OpenCV reports it."""
    return float(np.sqrt(np.mean(np.sum(residuals**2, axis=-1))))


def _account(
    views: Mapping[str, BoardView],
    problems: Mapping[str, str | None],
    used: Mapping[str, BoardView],
    bundle: Bundle,
) -> tuple[ViewReport, ...]:
    place = {name: index for index, name in enumerate(used)}
    reports = []
    for name, view in views.items():
        if name not in place:
            reports.append(
                ViewReport(
                    name=name,
                    problem=problems[name],
                    corners_px=view.corners_px,
                    residuals_px=np.full_like(view.corners_px, np.nan),
                )
            )
            continue
        keep, residual = bundle.kept[place[name]], bundle.residuals_px[place[name]]
        reports.append(
            ViewReport(
                name=name,
                problem=None,
                tilt_deg=bundle.poses[place[name]].tilt_deg,
                rms_px=_rms(residual[keep]),
                corners_px=view.corners_px[keep],
                residuals_px=residual[keep],
                gross_errors=int(np.count_nonzero(~keep)),
            )
        )
    return tuple(reports)


def _advice(bundle: Bundle, coverage: float, gaps: tuple[str, ...]) -> tuple[str, ...]:
    advice = []
    tilts = np.array([pose.tilt_deg for pose in bundle.poses])
    if tilts.max() < GOOD_TILT_DEG:
        advice.append(
            f"Tilt the board more: the steepest view is {tilts.max():.0f} degrees, "
            "30 to 45 are best."
        )
    elif np.count_nonzero(tilts >= GOOD_TILT_DEG / 2.0) < 4:
        advice.append("Add views with the board tilted: fewer than four are tilted by 15 degrees.")
    if gaps:
        advice.append(f"Add views with the board in the {', '.join(gaps)} of the picture.")
    elif coverage < _GOOD_COVERAGE:
        advice.append(
            "Go closer or to the edges: corners were seen in "
            f"{100.0 * coverage:.0f} % of the frame."
        )
    return tuple(advice)
