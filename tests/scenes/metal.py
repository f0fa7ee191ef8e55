"""How ground and polished metal look: the room, mirrored in a lobe as wide as the metal is rough.

The scatter of grinding marks that run round a shaft is wide along its axis and narrow round it.
The room is a table over direction (elevation toward +x, angle round the axis), blurred ahead
for several roughnesses and interpolated between them.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes.model import Finish, LightPatch, Room

Image = NDArray[np.float32]

_ROWS, _COLUMNS = 128, 720
_LEVELS = np.geomspace(0.08, 2.0, 9)
_PAD = 2  # rows between the tables of neighbouring levels
_TAIL_SHARE, _TAIL_WIDTH = 0.3, 2.2  # microfacet lobes have heavier tails than a Gaussian
_NORMAL_REFLECTANCE = 0.58  # steel
_SOFT = 0.03  # rad, rim of a light
_SHADE = 0.3  # a shaft hides a part of the light from the bench beside it

STREAK_STEP_MM = 0.02
_STREAK_ANGLES = 120  # over the whole turn, 3 degrees each
# Share of power, standard deviation along the axis (mm) and round the shaft (degrees).
_STREAK_SCALES = ((0.5, 0.03, 14.0), (0.3, 0.12, 22.0), (0.2, 0.5, 40.0))


class Mirror:
    """The room as metal of any roughness shows it."""

    def __init__(self, room: Room, finish: Finish, eye_angle: float, eye_elevation: float) -> None:
        sharp = _room_table(room, eye_angle, eye_elevation)
        self._stack = np.concatenate(
            [
                cv2.copyMakeBorder(_lobe(sharp, finish, s), _PAD, _PAD, 0, 0, cv2.BORDER_REPLICATE)
                for s in _LEVELS
            ]
        )
        # Neighbours on either side of the seam, so that interpolation need not wrap.
        self._stack = cv2.copyMakeBorder(self._stack, 0, 0, 4, 4, cv2.BORDER_WRAP)

    def seen(self, elevation: Image, angle: Image, roughness: Image) -> Image:
        """Radiance from directions; all of one two-dimensional shape."""
        column = (angle + np.float32(math.pi)) * np.float32(_COLUMNS / (2.0 * math.pi)) + 3.5
        row = (elevation + np.float32(0.5 * math.pi)) * np.float32(_ROWS / math.pi) - 0.5
        row = np.clip(row, 0.0, _ROWS - 1.0) + _PAD
        step = math.log(_LEVELS[1] / _LEVELS[0])
        level = np.clip(np.log(roughness / _LEVELS[0]) / step, 0.0, len(_LEVELS) - 1.001)
        whole = np.floor(level)
        share = (level - whole).astype(np.float32)
        # The tall stack is read from a window of rows: remap takes 32767 at most, it has 1188.
        row = (row + whole * (_ROWS + 2 * _PAD)).astype(np.float32)
        column = column.astype(np.float32)
        below = cv2.remap(self._stack, column, row, cv2.INTER_LINEAR)
        above = cv2.remap(self._stack, column, row + np.float32(_ROWS + 2 * _PAD), cv2.INTER_LINEAR)
        return np.asarray(below + share * (above - below))


def fresnel(cosine: Image) -> Image:
    """Reflectance of steel (Schlick's approximation)."""
    grazing = np.clip(1.0 - cosine, 0.0, 1.0)
    square = grazing * grazing
    return np.asarray(_NORMAL_REFLECTANCE + (1.0 - _NORMAL_REFLECTANCE) * square * square * grazing)


def streaks(seed: int, length_mm: float, footprint_mm: float, reach: float) -> Image:
    """A field of unit scatter, shape (angles, positions): fine along the axis, slow round it.

    `reach` stretches the streaks round the shaft; `footprint_mm` is the size of a pixel.
    """
    generator = np.random.Generator(np.random.SFC64(seed))
    columns = int(length_mm / STREAK_STEP_MM) + 1
    total = np.zeros((_STREAK_ANGLES, columns), dtype=np.float32)
    for power, along_mm, round_deg in _STREAK_SCALES:
        white = generator.standard_normal((_STREAK_ANGLES, columns), dtype=np.float32)
        around = reach * round_deg * _STREAK_ANGLES / 360.0
        wrapped = cv2.copyMakeBorder(white, 60, 60, 0, 0, cv2.BORDER_WRAP)
        field = cv2.GaussianBlur(wrapped, (0, 0), along_mm / STREAK_STEP_MM, None, around)[60:-60]
        total += math.sqrt(power) * field / field.std()
    # What is finer than a pixel is averaged by it.
    return cv2.GaussianBlur(
        total, (0, 0), max(0.3, 0.29 * footprint_mm / STREAK_STEP_MM), None, 0.01
    )


def read_streaks(field: Image, x: Image, angle: Image) -> Image:
    column = x * np.float32(1.0 / STREAK_STEP_MM)
    row = (angle + np.float32(math.pi)) * np.float32(_STREAK_ANGLES / (2.0 * math.pi)) - 0.5
    return cv2.remap(field, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)


def light_direction(light: LightPatch) -> NDArray[np.float64]:
    return np.array(
        [
            math.sin(light.along),
            math.cos(light.along) * math.sin(light.around),
            math.cos(light.along) * math.cos(light.around),
        ]
    )


def _room_table(room: Room, eye_angle: float, eye_elevation: float) -> Image:
    elevation = ((np.arange(_ROWS) + 0.5) / _ROWS - 0.5)[:, None] * math.pi
    angle = ((np.arange(_COLUMNS) + 0.5) / _COLUMNS - 0.5)[None, :] * 2.0 * math.pi
    generator = np.random.default_rng(room.wall_seed)
    rough = generator.standard_normal((8, 24)).astype(np.float32)
    uneven = cv2.resize(rough, (_COLUMNS, _ROWS), interpolation=cv2.INTER_CUBIC)
    table = room.wall * np.exp(0.35 * uneven)
    for _ in range(int(generator.integers(2, 7))):  # shelves, doors, machines
        patch = _patch(
            elevation - generator.uniform(-1.0, 1.0),
            angle - generator.uniform(-1.5, 1.5),
            generator.uniform(0.1, 0.6),
            generator.uniform(0.05, 0.4),
        )
        table = table * (1.0 + patch * (generator.uniform(0.3, 1.7) - 1.0))
    for light in room.lights:
        patch = _patch(
            elevation - light.along, angle - light.around, light.half_along, light.half_around
        )
        table = table + light.level * patch
    off = np.hypot((angle - eye_angle) * np.cos(elevation), elevation - eye_elevation)
    table = table * (1.0 - 0.9 * _soft((room.person - off) / _SOFT))
    height = np.cos(elevation) * np.cos(angle)
    above = _soft(height / 0.05)
    lit = sum(light.level * light.half_around * light.half_along for light in room.lights)
    under = np.clip((-height - 0.3) / 0.6, 0.0, 1.0)  # what lies right below is in its shade
    bench = room.bench * (room.wall + lit) * (1.0 - _SHADE * under * under * (3.0 - 2.0 * under))
    return np.asarray(above * table + (1.0 - above) * bench, dtype=np.float32)


def _patch(elevation: Image, angle: Image, half_along: float, half_around: float) -> Image:
    turned = np.abs((angle + math.pi) % (2.0 * math.pi) - math.pi)
    return _soft((half_along - np.abs(elevation)) / _SOFT) * _soft((half_around - turned) / _SOFT)


def _soft(x: Image) -> Image:
    return np.asarray(0.5 * (1.0 + np.tanh(x)))


def _lobe(table: Image, finish: Finish, roughness: float) -> Image:
    wrap = _COLUMNS // 4
    wide = cv2.copyMakeBorder(table, 0, 0, wrap, wrap, cv2.BORDER_WRAP)
    along = finish.along_rad * roughness * _ROWS / math.pi
    around = finish.around_rad * roughness * _COLUMNS / (2.0 * math.pi)
    parts = [
        share
        * cv2.GaussianBlur(
            wide, (0, 0), max(0.3, around * width), None, max(0.3, along * width),
            cv2.BORDER_REPLICATE,
        )
        for share, width in ((1.0 - _TAIL_SHARE, 1.0), (_TAIL_SHARE, _TAIL_WIDTH))
    ]  # fmt: skip
    return np.asarray((parts[0] + parts[1])[:, wrap:-wrap])
