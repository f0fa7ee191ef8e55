"""The lens file: written, read, and fitted to the photo in hand.

The file is JSON that OpenCV's FileStorage reads, with the keys of OpenCV's own
calibration sample; the sample's YAML and XML are read as well.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from calib.camera import PARAMETER_NAMES, Camera, FloatArray
from calib.errors import LensMismatchError, UnreadableFileError
from calib.filestorage import matrix_node, parse
from calib.lens import FULL_FRAME_DIAGONAL_MM, CameraIdentity, LensCalibration, lens_from_exif

_COEFFICIENTS = 5  # k1 k2 p1 p2 k3; OpenCV writes 4, 5, 8, 12 or 14
_MATRICES = ("camera_matrix", "distortion_coefficients", "parameter_std", "covariance")
_NUMBERS = ("image_width", "image_height", "avg_reprojection_error", "fisheye_model")
_LARGEST_FILE = 20_000_000  # bytes; a sample's file with all its corners has under 1 MB
_SIDES_PX = (2, 200_000)
_FOCAL_SIDES = (0.1, 100.0)  # focal length in long sides: fisheye to long telephoto

# A file without standard deviations does not tell how good it is: in the calibration that
# OpenCV publishes with its sample photos (left_intrinsics.yml, RMS 0.39 px, 13 views) a wide
# refinement window moved the focal length by 0.6 % and the centre by 0.3 % of the long side
# against the same photos with a narrow one. Distortion: half of an uncalibrated phone's doubt.
UNSTATED_FOCAL_RELATIVE_U = 0.005
UNSTATED_CENTRE_RELATIVE_U = 0.003
UNSTATED_K1_U = 0.02
UNSTATED_K2_U = 0.0125
_K2_PER_K1 = -0.9
UNSTATED_P_U = 0.0003

_FOCAL_TOLERANCE = 0.01  # relative; makers round the focal length to two figures
_FOCAL_35MM_TOLERANCE = 1.0  # mm; EXIF holds whole millimetres
_ZOOM_TOLERANCE = 0.01
# A lens file that does not say of which camera it is must have the focal length that EXIF tells,
# but for a lens that is moved out to focus, by f / (d - f) in the thin lens formula: 3.5 % for a
# phone at 0.15 m (rectangular).
_CLOSE_FOCUS_U = 0.035 / math.sqrt(3.0)
_COVERAGE = 2.0  # factor for 95 %
_ASPECT_TOLERANCE_PX = 1.5  # a resized side is rounded, once or twice


def write_lens(path: Path | str, lens: LensCalibration) -> None:
    """Write a lens file, whole or not at all.

    Raises
    ------
    UnreadableFileError
        The file cannot be written.
    """
    path = Path(path)
    camera = lens.camera
    content: dict[str, Any] = {
        "image_width": camera.width_px,
        "image_height": camera.height_px,
        "camera_matrix": matrix_node(
            [
                [camera.fx_px, 0.0, camera.cx_px],
                [0.0, camera.fy_px, camera.cy_px],
                [0.0, 0.0, 1.0],
            ]
        ),
        "distortion_coefficients": matrix_node(np.reshape(camera.distortion, (-1, 1))),
        "parameter_names": " ".join(PARAMETER_NAMES),
        "parameter_std": matrix_node(np.sqrt(np.diag(lens.covariance)).reshape(-1, 1)),
        "covariance": matrix_node(lens.covariance),
        "camera": {
            field.name: value
            for field in fields(lens.identity)
            if (value := getattr(lens.identity, field.name)) is not None
        },
    }
    if lens.reprojection_rms_px is not None:
        content["avg_reprojection_error"] = lens.reprojection_rms_px
    temporary = path.with_name(path.name + ".part")
    try:
        text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
        temporary.write_text(text, encoding="utf-8")
        temporary.replace(path)
    except OSError as error:
        with suppress(OSError):
            temporary.unlink()
        raise UnreadableFileError(
            f"The lens file {path} cannot be written: {error.strerror or error}.",
            "Choose another place with --out.",
        ) from None


def read_lens(path: Path | str) -> LensCalibration:
    """Read a lens file, or a calibration that OpenCV's sample wrote (YAML, XML).

    Returns
    -------
    LensCalibration
        With the stated covariance; from standard deviations alone without correlations;
        without either with the wide uncertainties of the `UNSTATED_` constants.

    Raises
    ------
    UnreadableFileError
        Missing, damaged, not a lens file, or a lens model other than k1 k2 p1 p2 k3.
    """
    path = Path(path)
    content = _content(path)
    if content.get("fisheye_model"):
        raise _refused(path, "it describes a fisheye lens", "Calibrate with a normal lens.")
    size = [_side(path, content, key) for key in ("image_width", "image_height")]
    matrix = _array(path, content, "camera_matrix", (3, 3))
    camera = Camera(
        width_px=size[0],
        height_px=size[1],
        fx_px=float(matrix[0, 0]),
        fy_px=float(matrix[1, 1]),
        cx_px=float(matrix[0, 2]),
        cy_px=float(matrix[1, 2]),
        distortion=_distortion(path, content),
    )
    _check_camera(path, camera, matrix)
    rms: Any = content.get("avg_reprojection_error")
    return LensCalibration(
        camera=camera,
        covariance=_covariance(path, content, camera),
        source="file",
        identity=_identity(content.get("camera")),
        reprojection_rms_px=float(rms) if _is_number(rms) else None,
    )


def lens_for_photo(
    lens: LensCalibration, identity: CameraIdentity, width_px: int, height_px: int
) -> LensCalibration:
    """The lens for a photo's pixel grid, if it is the same camera's.

    Parameters
    ----------
    lens : LensCalibration
        From a lens file.
    identity : CameraIdentity
        What the photo's EXIF says; what is absent there or in the file is not compared.
    width_px, height_px : int
        Stored grid of the photo.

    Returns
    -------
    LensCalibration
        Scaled, covariance included, for a resized copy. For a copy turned by a quarter the
        direction of the turn is unknown: the middle of both is taken, half
        their difference added to the covariance.

    Raises
    ------
    LensMismatchError
        Another camera, focal length or shape of picture; says what differs.
    """
    differences = _differences(lens.identity, identity)
    if lens.identity.focal_35mm is None:
        differences += _focal_differences(lens, lens_from_exif(identity, width_px, height_px))
    camera = lens.camera
    fitted = lens
    if not _same_shape((camera.width_px, camera.height_px), (width_px, height_px)):
        if _same_shape((camera.height_px, camera.width_px), (width_px, height_px)):
            fitted = _quarter_turned(lens)
        else:
            differences.append(
                f"the picture is {width_px} x {height_px} px, the lens file is for "
                f"{camera.width_px} x {camera.height_px}, another shape"
            )
    if differences:
        raise LensMismatchError(
            f"The lens file does not belong to this photo: {'; '.join(differences)}.",
            "Use the lens file of this camera at this zoom, uncropped, or leave --lens out.",
        )
    return _scaled(fitted, width_px, height_px)


# --- reading --------------------------------------------------------------------------


def _content(path: Path) -> dict[str, Any]:
    try:
        if path.stat().st_size > _LARGEST_FILE:
            raise _refused(path, "it is far too large", "Give the file that bandscan lens wrote.")
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise UnreadableFileError(
            f"The lens file {path} cannot be read: {error.strerror or error}.",
            "Give the file that bandscan lens or OpenCV's calibration wrote.",
        ) from None
    except ValueError:  # not UTF-8
        text = ""
    content = parse(text, matrices=_MATRICES, numbers=_NUMBERS)
    if content is None:
        raise _refused(
            path,
            "it is damaged or not a lens file",
            "Give the file that bandscan lens or OpenCV's calibration wrote, or calibrate again.",
        )
    return content


def _refused(path: Path, why: str, remedy: str) -> UnreadableFileError:
    return UnreadableFileError(f"The lens file {path} cannot be used: {why}.", remedy)


# --- what a lens file must hold ----------------------------------------------------


def _is_number(value: object) -> bool:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return number and math.isfinite(value)  # type: ignore[arg-type]


def _side(path: Path, content: Mapping[str, Any], key: str) -> int:
    value = content.get(key)
    if not _is_number(value) or not _SIDES_PX[0] <= value <= _SIDES_PX[1]:  # type: ignore[operator]
        raise _refused(path, f"{key} is missing or impossible", "Calibrate again.")
    return int(value)  # type: ignore[arg-type]


def _array(path: Path, content: Mapping[str, Any], key: str, shape: tuple[int, ...]) -> FloatArray:
    value = content.get(key)
    array = np.empty(0) if value is None else np.asarray(value, dtype=float)
    if array.size != math.prod(shape) or not np.isfinite(array).all():
        raise _refused(path, f"{key} is missing or damaged", "Calibrate again.")
    return array.reshape(shape)


def _distortion(path: Path, content: Mapping[str, Any]) -> tuple[float, float, float, float, float]:
    value = content.get("distortion_coefficients")
    size = 0 if value is None else np.asarray(value).size
    given = _array(path, content, "distortion_coefficients", (max(size, 1),))
    if np.any(given[_COEFFICIENTS:]):
        raise _refused(
            path,
            f"its lens model has {size} coefficients, more than k1 k2 p1 p2 k3",
            "Calibrate without the rational, thin prism and tilted models.",
        )
    padded = np.zeros(_COEFFICIENTS)
    padded[: min(size, _COEFFICIENTS)] = given[:_COEFFICIENTS]
    k1, k2, p1, p2, k3 = (float(v) for v in padded)
    return k1, k2, p1, p2, k3


def _check_camera(path: Path, camera: Camera, matrix: FloatArray) -> None:
    long_side = max(camera.width_px, camera.height_px)
    low, high = (factor * long_side for factor in _FOCAL_SIDES)
    skewed = np.any(matrix[[0, 1, 2, 2], [1, 0, 0, 1]] != 0.0) or matrix[2, 2] != 1.0
    focal_good = low <= camera.fx_px <= high and low <= camera.fy_px <= high
    centre_good = 0.0 <= camera.cx_px <= camera.width_px and 0.0 <= camera.cy_px <= camera.height_px
    if skewed or not focal_good or not centre_good:
        raise _refused(path, "camera_matrix is not that of a camera", "Calibrate again.")


def _covariance(path: Path, content: Mapping[str, Any], camera: Camera) -> FloatArray:
    count = len(PARAMETER_NAMES)
    if content.get("covariance") is not None:
        covariance = _array(path, content, "covariance", (count, count))
        asymmetric = np.abs(covariance - covariance.T).max() > 1e-9 * np.abs(covariance).max()
        if asymmetric or np.any(np.diag(covariance) < 0.0):
            raise _refused(path, "covariance is damaged", "Calibrate again.")
        return covariance
    if content.get("parameter_std") is not None:
        return np.diag(_array(path, content, "parameter_std", (count,)) ** 2)
    return _unstated_covariance(camera)


def _unstated_covariance(camera: Camera) -> FloatArray:
    covariance = np.zeros((9, 9))
    focal = np.array([camera.fx_px, camera.fy_px]) * UNSTATED_FOCAL_RELATIVE_U
    covariance[:2, :2] = np.outer(focal, focal)  # square pixels: fx and fy move together
    long_side = max(camera.width_px, camera.height_px)
    covariance[[2, 3], [2, 3]] = (UNSTATED_CENTRE_RELATIVE_U * long_side) ** 2
    radial = np.array([1.0, _K2_PER_K1]) * UNSTATED_K1_U
    covariance[4:6, 4:6] = np.outer(radial, radial)
    covariance[5, 5] += UNSTATED_K2_U**2
    covariance[[6, 7], [6, 7]] = UNSTATED_P_U**2
    return covariance


def _identity(node: object) -> CameraIdentity:
    if not isinstance(node, dict):
        return CameraIdentity()
    texts = ("make", "model", "lens_model")
    numbers = ("focal_mm", "focal_35mm", "digital_zoom")
    known: dict[str, Any] = {k: node[k] for k in texts if isinstance(node.get(k), str)}
    known |= {k: float(node[k]) for k in numbers if _is_number(node.get(k)) and node[k] > 0.0}
    return CameraIdentity(**known)


# --- fitting to a photo ------------------------------------------------------------


def _differences(file: CameraIdentity, photo: CameraIdentity) -> list[str]:
    """What the photo's EXIF contradicts, each as a clause."""
    found = []
    for name, label in (("make", "make"), ("model", "model"), ("lens_model", "lens")):
        ours, theirs = getattr(file, name), getattr(photo, name)
        if ours and theirs and ours.strip().casefold() != theirs.strip().casefold():
            found.append(f"camera {label} {theirs!r}, the lens file is for {ours!r}")
    limits: tuple[tuple[str, str, Callable[[float, float], bool]], ...] = (
        ("focal_mm", "focal length {:g} mm", _differ_relative),
        ("focal_35mm", "35 mm equivalent {:g} mm", _differ_35mm),
    )
    for name, label, differ in limits:
        ours, theirs = getattr(file, name), getattr(photo, name)
        if ours and theirs and differ(ours, theirs):
            found.append(f"{label.format(theirs)}, the lens file is for {ours:g} mm")
    zooms = (file.digital_zoom or 1.0, photo.digital_zoom or 1.0)
    if abs(zooms[0] / zooms[1] - 1.0) > _ZOOM_TOLERANCE:
        found.append(f"digital zoom {zooms[1]:g}, the lens file is for {zooms[0]:g}")
    return found


def _focal_differences(file: LensCalibration, exif: LensCalibration) -> list[str]:
    """What the photo's EXIF contradicts in the focal length itself; none or one."""
    if exif.source != "exif":
        return []
    ours, theirs = (_equivalent_mm(lens.camera) for lens in (file, exif))
    own_u = [math.sqrt(lens.covariance[0, 0]) / lens.camera.fx_px for lens in (file, exif)]
    if abs(math.log(ours / theirs)) <= _COVERAGE * math.hypot(*own_u, _CLOSE_FOCUS_U):
        return []
    return [f"35 mm equivalent {theirs:.1f} mm, the lens file has {ours:.1f} mm"]


def _equivalent_mm(camera: Camera) -> float:
    """Focal length on the 36 mm x 24 mm frame with the same angle across the diagonal."""
    diagonal_px = math.hypot(camera.width_px, camera.height_px)
    return math.sqrt(camera.fx_px * camera.fy_px) * FULL_FRAME_DIAGONAL_MM / diagonal_px


def _differ_relative(ours: float, theirs: float) -> bool:
    return abs(theirs / ours - 1.0) > _FOCAL_TOLERANCE


def _differ_35mm(ours: float, theirs: float) -> bool:
    return abs(theirs - ours) > _FOCAL_35MM_TOLERANCE


def _same_shape(size: tuple[int, int], other: tuple[int, int]) -> bool:
    """Whether one picture can be a resized copy of the other."""
    small, large = sorted((size, other))
    scale = max(small[0] / large[0], small[1] / large[1])
    off = max(abs(large[0] * scale - small[0]), abs(large[1] * scale - small[1]))
    return off <= _ASPECT_TOLERANCE_PX


def _scaled(lens: LensCalibration, width_px: int, height_px: int) -> LensCalibration:
    camera = lens.camera
    if (camera.width_px, camera.height_px) == (width_px, height_px):
        return lens
    sx, sy = width_px / camera.width_px, height_px / camera.height_px
    factors = np.array([sx, sy, sx, sy, 1.0, 1.0, 1.0, 1.0, 1.0])
    rms = lens.reprojection_rms_px
    return replace(
        lens,
        camera=camera.resized(width_px, height_px),
        covariance=lens.covariance * np.outer(factors, factors),
        reprojection_rms_px=None if rms is None else rms * math.sqrt(sx * sy),
    )


def _quarter_turned(lens: LensCalibration) -> LensCalibration:
    """The lens of a copy turned by 90 degrees, either way.

    Turning clockwise takes (x, y) to (height - 1 - y, x); p1, p2 become p2, -p1.
    Anticlockwise the signs of the centre's offset and of p1, p2 are the opposite.
    """
    camera = lens.camera
    turn = np.zeros((9, 9))
    turn[[0, 1, 4, 5, 8], [1, 0, 4, 5, 8]] = 1.0
    odd = np.zeros((9, 9))
    odd[[2, 3, 6, 7], [3, 2, 7, 6]] = (-1.0, 1.0, 1.0, -1.0)
    middle = np.array([(camera.width_px - 1) / 2.0, (camera.height_px - 1) / 2.0])
    offset = camera.parameters - np.array([0.0, 0.0, *middle, 0.0, 0.0, 0.0, 0.0, 0.0])
    doubt = odd @ offset
    parts = [(turn + sign * odd) @ lens.covariance @ (turn + sign * odd).T for sign in (1.0, -1.0)]
    k1, k2, _, _, k3 = camera.distortion
    turned = Camera(
        width_px=camera.height_px,
        height_px=camera.width_px,
        fx_px=camera.fy_px,
        fy_px=camera.fx_px,
        cx_px=float(middle[1]),
        cy_px=float(middle[0]),
        distortion=(k1, k2, 0.0, 0.0, k3),
    )
    covariance = (parts[0] + parts[1]) / 2.0 + np.outer(doubt, doubt)
    return replace(lens, camera=turned, covariance=covariance)
