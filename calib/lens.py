"""What is known of a lens: the camera, how sure each parameter is, and from where."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from calib.camera import Camera, FloatArray

# Diagonal of the 36 mm x 24 mm frame that "35 mm equivalent" refers to (CIPA DCG-001).
FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)

# Standard uncertainties of a lens known from EXIF alone. No published source: the spread
# of phone and macro lenses about the nominal values, common practice.
EXIF_FOCAL_RELATIVE_U = 0.012  # focus breathing and makers' rounding of the nominal value
EXIF_CENTRE_RELATIVE_U = 0.006  # of the long side; sensor shift, lens centring
EXIF_K1_U = 0.04  # residual radial distortion of a corrected phone picture
EXIF_K2_PER_K1 = -0.9  # makers balance the fourth order against the second
EXIF_K2_U = 0.025
EXIF_P_U = 0.0006
ASSUMED_FOCAL_35MM = 26.0  # usual main camera of a phone
ASSUMED_FOCAL_RELATIVE_U = 0.10
_PLAUSIBLE_35MM = (9.0, 1200.0)  # of lenses that exist; anything else is damage
_ZOOMED = 1.02  # less is rounding
_MOST_RELATIVE_U = 0.5  # of the focal length: more says nothing
_SAME_SHAPE = 0.01  # of the ratio of the sides: less is rounding of a resized copy


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraIdentity:
    """Which camera took a photo and how it was set, as EXIF tells; None where it does not."""

    make: str | None = None
    model: str | None = None
    lens_model: str | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None
    digital_zoom: float | None = None
    taken_px: tuple[int, int] | None = None  # size as the camera wrote it, long side first

    @property
    def zoom(self) -> float:
        """Digital zoom, 1 where there is none."""
        return max(self.digital_zoom or 1.0, 1.0)

    @property
    def is_zoomed(self) -> bool:
        """Whether EXIF tells of a digital zoom."""
        return self.zoom > _ZOOMED

    def is_cropped(self, width_px: int, height_px: int) -> bool:
        """Whether a picture of that size is a part of what the camera wrote, as EXIF tells."""
        if self.taken_px is None:
            return False
        long_px, short_px = max(width_px, height_px), min(width_px, height_px)
        shape = long_px / short_px * self.taken_px[1] / self.taken_px[0]
        fits = long_px <= self.taken_px[0] and short_px <= self.taken_px[1]
        return fits and abs(shape - 1.0) > _SAME_SHAPE


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LensCalibration:
    """A camera and the joint uncertainty of its nine parameters.

    Parameters
    ----------
    camera : Camera
        Intrinsics for the grid of the photos.
    covariance : ndarray, shape (9, 9)
        Covariance of fx, fy, cx, cy (px), k1, k2, p1, p2, k3.
    source : {"file", "exif", "assumed"}
        Where it comes from.
    identity : CameraIdentity
        The camera it holds for.
    reprojection_rms_px : float or None
        RMS residual of the calibration, where there was one.
    """

    camera: Camera
    covariance: FloatArray
    source: str
    identity: CameraIdentity = field(default_factory=CameraIdentity)
    reprojection_rms_px: float | None = None

    def __post_init__(self) -> None:
        frozen = np.array(self.covariance, dtype=float)
        if frozen.shape != (9, 9):
            raise ValueError(f"covariance must have shape (9, 9), got {frozen.shape}")
        frozen.setflags(write=False)
        object.__setattr__(self, "covariance", frozen)


def lens_from_exif(identity: CameraIdentity, width_px: int, height_px: int) -> LensCalibration:
    """Estimate the lens of a photo without a calibration.

    Parameters
    ----------
    identity : CameraIdentity
        What EXIF says; with a 35 mm equivalent the source is "exif", else "assumed".
    width_px, height_px : int
        Size of the stored pixel grid.

    Returns
    -------
    LensCalibration
        Square pixels, principal point in the middle, no distortion, with wide uncertainties.

    Notes
    -----
    The 35 mm equivalent compares diagonals: f_px = f35 / 43.27 mm x diagonal in px.
    (Taking it against the 36 mm long side is 4 % wrong on a 4:3 sensor.) Whether it includes a
    digital zoom is left to the maker: both are covered. A picture that was cut out of a larger
    one counts with the diagonal of the whole; where in it it lay is not known.

    References
    ----------
    CIPA DCG-001 (from memory): guideline for the 35 mm film equivalent.
    """
    least, most = _PLAUSIBLE_35MM
    known = identity.focal_35mm is not None and least <= identity.focal_35mm <= most
    focal_35mm = identity.focal_35mm if known else ASSUMED_FOCAL_35MM
    assert focal_35mm is not None
    rounding = 0.5 / math.sqrt(3.0) / focal_35mm  # EXIF stores whole millimetres
    relative_u = math.hypot(EXIF_FOCAL_RELATIVE_U, rounding) if known else ASSUMED_FOCAL_RELATIVE_U
    long_px = max(width_px, height_px)
    size_px, centre_u_px = (width_px, height_px), EXIF_CENTRE_RELATIVE_U * long_px
    if identity.is_zoomed:
        relative_u = math.hypot(relative_u, (identity.zoom - 1.0) / math.sqrt(3.0))
    if identity.is_cropped(width_px, height_px):
        assert identity.taken_px is not None
        size_px = identity.taken_px  # unless the part was resized as well
        relative_u = math.hypot(relative_u, ASSUMED_FOCAL_RELATIVE_U)
        most_px = max(size_px[0] - long_px, size_px[1] - min(width_px, height_px)) / 2.0
        centre_u_px = math.hypot(centre_u_px, most_px / math.sqrt(3.0))
    relative_u = min(relative_u, _MOST_RELATIVE_U)
    focal_px = focal_35mm / FULL_FRAME_DIAGONAL_MM * math.hypot(*size_px)
    camera = Camera(
        width_px=width_px,
        height_px=height_px,
        fx_px=focal_px,
        fy_px=focal_px,
        cx_px=(width_px - 1) / 2.0,
        cy_px=(height_px - 1) / 2.0,
    )
    return LensCalibration(
        camera=camera,
        covariance=_assumed_covariance(focal_px * relative_u, centre_u_px),
        source="exif" if known else "assumed",
        identity=identity,
    )


def _assumed_covariance(focal_u_px: float, centre_u_px: float) -> FloatArray:
    covariance = np.zeros((9, 9))
    covariance[:2, :2] = focal_u_px**2  # square pixels: fx and fy move together
    covariance[[2, 3], [2, 3]] = centre_u_px**2
    covariance[4, 4] = EXIF_K1_U**2
    covariance[4, 5] = covariance[5, 4] = EXIF_K2_PER_K1 * EXIF_K1_U**2
    covariance[5, 5] = (EXIF_K2_PER_K1 * EXIF_K1_U) ** 2 + EXIF_K2_U**2
    covariance[[6, 7], [6, 7]] = EXIF_P_U**2
    return covariance
