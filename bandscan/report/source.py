"""What a report is made from: a result or the last inspection of a shaft, and its photo."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from bandscan.band_places import BandFile, bands_of, read_bands
from bandscan.cylinder import ShaftPose
from bandscan.model import EndFace
from bandscan.records import KeptInspection, Records, ShaftWear, shaft_history, shaft_wear
from bandscan.records.reduced import find_original, upright_photo
from bandscan.result import ShaftResult
from bandscan.seal import Seal, parse_seal, read_seal
from calib.camera import Camera
from calib.errors import MeasureError
from calib.quantity import Estimate

Json = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """The photo as it is shown.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
        Upright; blue, green, red; perhaps smaller than the photo.
    orientation : int
        By which the stored grid was turned.
    """

    pixels: NDArray[np.uint8]
    orientation: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Geometry:
    """Camera and shaft of a result, for lines on its photo."""

    camera: Camera
    shaft: ShaftResult


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Source:
    """Everything that a report is made from.

    Parameters
    ----------
    name : str
        What the report is about: the shaft, or the photo's name.
    content : mapping
        The `bandscan.measurement/1` object.
    picture : Picture or None
    picture_note : str or None
        Why there is no picture, or a small one.
    geometry : Geometry or None
        None where the result does not carry it.
    seal_name : str or None
    wear : ShaftWear or None
        The shaft's inspections and how its bands grew; None for a result alone.
    """

    name: str
    content: Json
    measured: BandFile
    picture: Picture | None
    picture_note: str | None
    geometry: Geometry | None
    seal: Seal | None
    seal_name: str | None
    wear: ShaftWear | None = None


def source_of_result(
    path: Path, *, photo: Path | None = None, seal_path: Path | None = None
) -> Source:
    """A report's source from a result that `bandscan measure` wrote.

    Parameters
    ----------
    path : Path
        The result of one photo.
    photo : Path, optional
        The photo; else it is looked for beside the result.
    seal_path : Path, optional
        Another seal than that of the measurement.

    Raises
    ------
    UnreadableFileError
        A file cannot be used.
    """
    measured = read_bands(path)
    found = json.loads(path.read_text(encoding="utf-8"))
    content = found[0] if isinstance(found, list) else found
    original = photo if photo is not None else find_original(content.get("photo") or {}, path)
    picture, note = _picture(original)
    return _source(
        name=Path(measured.photo).name,
        content=content,
        measured=measured,
        picture=(picture, note),
        seal_path=seal_path,
    )


def source_of_shaft(
    records: Records,
    name: str,
    *,
    photo: Path | None = None,
    seal_path: Path | None = None,
) -> Source:
    """A report's source from the last inspection that was kept of a shaft.

    Raises
    ------
    MeasureError
        There is no such shaft, or a file cannot be used.
    """
    last = shaft_history(records, name)[-1]
    if photo is not None:
        picture, note = _picture(photo)
    else:
        picture, note = _kept_picture(last)
    return _source(
        name=" / ".join(part for part in (last.machine, last.shaft) if part),
        content=last.measurement,
        measured=bands_of(last.measurement, f"inspection of {last.at[:10]}"),
        picture=(picture, note),
        seal_path=seal_path,
        wear=shaft_wear(records, name),
    )


def _source(
    *,
    name: str,
    content: Json,
    measured: BandFile,
    picture: tuple[Picture | None, str | None],
    seal_path: Path | None,
    wear: ShaftWear | None = None,
) -> Source:
    seal, seal_name = _seal(content, seal_path)
    return Source(
        name=name,
        content=content,
        measured=measured,
        picture=picture[0],
        picture_note=picture[1],
        geometry=_geometry(content),
        seal=seal,
        seal_name=seal_name,
        wear=wear,
    )


def _picture(path: Path | None) -> tuple[Picture | None, str | None]:
    if path is None:
        return None, "The photo was not found beside the result; name it with --photo."
    found = upright_photo(path)
    if found is None:
        return None, f"The photo {path.name} cannot be decoded."
    return Picture(pixels=found[0], orientation=found[1]), None


def _kept_picture(kept: KeptInspection) -> tuple[Picture | None, str | None]:
    if kept.photo_jpeg is None:
        return None, "No copy of the photo was kept; name the photo with --photo."
    pixels = cv2.imdecode(np.frombuffer(kept.photo_jpeg, dtype=np.uint8), cv2.IMREAD_COLOR)
    if pixels is None:
        return None, "The copy of the photo that was kept cannot be decoded."
    picture = Picture(pixels=np.asarray(pixels, np.uint8), orientation=kept.photo_orientation)
    return picture, "The picture is the small copy that was kept."


def _seal(content: Json, path: Path | None) -> tuple[Seal | None, str | None]:
    if path is not None:
        return read_seal(path), path.name
    kept = content.get("seal")
    if not kept:
        return None, None
    name = Path(str(kept["file"])).name
    return parse_seal(str(kept["text"]), Path(name)), name


def _geometry(content: Json) -> Geometry | None:
    """Camera and shaft; None where a field is missing, as in a result that others wrote."""
    try:
        lens, shaft, photo = content["lens"], content["shaft"], content["photo"]
        camera = Camera(
            width_px=int(photo["width_px"]),
            height_px=int(photo["height_px"]),
            fx_px=float(lens["fx_px"]),
            fy_px=float(lens["fy_px"]),
            cx_px=float(lens["cx_px"]),
            cy_px=float(lens["cy_px"]),
            distortion=tuple(float(k) for k in lens["distortion"]),  # type: ignore[arg-type]
        )
        pose = ShaftPose(
            origin_mm=np.array(shaft["pose"]["origin_mm"], dtype=float),
            direction=np.array(shaft["pose"]["direction"], dtype=float),
            radius_mm=float(shaft["pose"]["radius_mm"]),
        )
        chamfer = shaft["chamfer_mm"]
        low, high = np.radians(shaft["arc_deg"])
        end = EndFace(
            axial_mm=Estimate(value=0.0, u=float(shaft["end_u_mm"])),
            chamfer_mm=None if chamfer is None else _estimate(chamfer),
            rim_radius_mm=float(shaft["rim_radius_mm"]),
            what=str(shaft["end_read_from"]),
        )
        found = ShaftResult(
            diameter_mm=_estimate(shaft["diameter_mm"]),
            diameter_in_photo_mm=None,
            pose=pose,
            end=end,
            seen_to_mm=float(shaft["seen_to_mm"]),
            arc_rad=(float(low), float(high)),
        )
    except (KeyError, TypeError, ValueError, MeasureError):
        return None
    return Geometry(camera=camera, shaft=found)


def _estimate(item: Json) -> Estimate:
    return Estimate(value=float(item["value"]), u=float(item["u"]))
