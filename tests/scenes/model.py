"""What is in a scene: everything that the picture is made from, and so its truth.

Lengths in mm, angles in radians. Angles round the shaft run from +z toward +y:
the surface point is (x, r sin angle, r cos angle).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.scenes.view import Array, View

TEN_TO_NINETY = 2.5631  # 10-90 % width of an erf step over its standard deviation


@dataclass(frozen=True, slots=True, kw_only=True)
class PolishedBand:
    """A band: less rough than the ground metal, edges are erf steps that run once per turn."""

    start_mm: float
    end_mm: float
    edge_width_mm: float = 0.2  # 10-90 %
    wobble_mm: float = 0.0
    wobble_phase: float = 0.0
    rough_ratio: float = 0.35
    slope_ratio: float = 0.3
    reflectance: float = 1.0
    contrast: str = "strong"

    def run(self, angle: Array) -> Array:
        """What both edges deviate from their mean at an angle."""
        return self.wobble_mm * np.cos(angle - self.wobble_phase)


@dataclass(frozen=True, slots=True, kw_only=True)
class Groove:
    start_mm: float
    end_mm: float
    depth_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Stain:
    """A patch that is darker and dull, on part of the turn."""

    middle_mm: float
    length_mm: float
    angle: float
    span: float
    strength: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Scratch:
    """A line along the axis."""

    middle_mm: float
    length_mm: float
    angle: float
    slant: float
    width_mm: float
    strength: float  # of the change of brightness; negative is darker


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatTint:
    middle_mm: float
    sigma_mm: float
    strength: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Finish:
    """Ground metal: scatter of the mirrored direction along and round the shaft, and streaks."""

    along_rad: float = 0.30
    around_rad: float = 0.09
    slope_rms: float = 0.02
    rough_rms: float = 0.10
    reflectance_rms: float = 0.03
    streak_length: float = 1.0  # of streaks round the shaft, over the usual


@dataclass(frozen=True, slots=True, kw_only=True)
class Shaft:
    diameter_mm: float
    land_mm: float  # the ground land ends here
    edge_axial_mm: float = 1.0  # chamfer or radius at the end
    edge_radial_mm: float = 0.5
    rounded: bool = False
    after_land: str = "shoulder"  # shoulder | step | finish
    after_radius_mm: float = 20.0
    centre_hole_mm: float = 0.0  # radius
    groove: Groove | None = None
    stains: tuple[Stain, ...] = ()
    scratches: tuple[Scratch, ...] = ()
    tints: tuple[HeatTint, ...] = ()
    bands: tuple[PolishedBand, ...] = ()
    finish: Finish = field(default_factory=Finish)

    @property
    def radius_mm(self) -> float:
        return 0.5 * self.diameter_mm

    @property
    def face_radius_mm(self) -> float:
        return self.radius_mm - self.edge_radial_mm


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FlatScale:
    """A rule or card: a rectangle with a drawing, `origin` its zero, u along it, v across."""

    kind: str  # rule | card
    origin_mm: Array
    u: Array
    v: Array
    drawn_over_nominal: float  # size as it is over size as it says
    seed: int
    length_mm: float = 150.0
    width_mm: float = 25.0

    @property
    def height_mm(self) -> float:
        """Of its middle's surface above the axis."""
        return float((self.origin_mm + 0.5 * self.length_mm * self.u)[2])


@dataclass(frozen=True, slots=True, kw_only=True)
class LightPatch:
    """A soft light in the directions seen from the shaft."""

    around: float  # from +z toward +y
    along: float  # elevation toward +x
    half_around: float
    half_along: float
    level: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    lights: tuple[LightPatch, ...]
    wall: float = 0.3
    wall_seed: int = 0
    bench: float = 0.2  # reflectance
    bench_depth_mm: float = 15.0  # below the axis
    grain: str = "mottled"  # mottled | wood | plain
    block_mm: tuple[float, float, float] | None = None  # from, to along x; half width
    person: float = 0.1  # half angle of the dark shape around the camera


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """From light to file."""

    optics_sigma_px: float = 0.7
    aperture_mm: float = 2.5
    focus_mm: float = 160.0
    full_well: float = 8000.0
    read_noise: float = 0.002  # of full scale
    noise_grain_px: float = 0.0  # noise is smoothed so far by mosaic and noise reduction
    exposure: float = 0.8  # where the bright end of the shaft comes to lie
    vignette: float = 0.15
    tone: float = 0.0  # strength of the contrast curve on top of sRGB
    sharpen: float = 0.0
    quality: int = 92
    noise_seed: int = 0
    focal_35mm: float = 26.0  # what EXIF says
    orientation: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """What the user tells: as measured by hand, so not exactly the truth."""

    diameter_mm: float | None
    scale_height_mm: float | None
    lens_file: bool
    scale_height_u_mm: float = 0.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """All of one photo."""

    seed: int
    difficulty: str  # easy | typical | hard
    view: View
    shaft: Shaft
    room: Room
    sensor: Sensor
    scale: FlatScale | None
    stated: Stated
    # The lens as calibrated: View's intrinsics are the truth, these what the file says.
    lens_file_change: Array = field(default_factory=lambda: np.zeros(9))
    lens_file_sd: Array = field(default_factory=lambda: np.zeros(9))

    @property
    def facing(self) -> float:
        """Angle of the surface line that faces the camera."""
        return float(np.arctan2(self.view.eye_mm[1], self.view.eye_mm[2]))

    @property
    def px_per_mm(self) -> float:
        """On the facing line, in the middle of what is drawn of the land."""
        top = np.array(
            [0.0, np.sin(self.facing), np.cos(self.facing)]
        ) * self.shaft.radius_mm + np.array([20.0, 0.0, 0.0])
        return self.view.focal_px / float(self.view.depth(top))
