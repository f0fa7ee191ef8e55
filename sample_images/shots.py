"""What is on each sample photo: shafts, scales, lights and views, as plain values.

World frame: the shaft axis is x, its end face the plane x = 0, the shaft lies at x >= 0; z points
up from the bench, y across. Angle theta round the axis is measured from +z towards +y: a surface
point is (x, R sin theta, R cos theta). Lengths in mm.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from camera_model import Lens

Vec = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A polished wear band; both edges run as x0 + wobble cos(theta - phase)."""

    start_mm: float
    end_mm: float
    edge_width_mm: float  # 10-90 % of an error-function step
    wobble_mm: float = 0.0
    wobble_phase_deg: float = 0.0
    strength: float = 1.0  # 0 nothing, 1 as smooth as `Finish` says of a band
    reflectance: float = 1.0  # factor on the mirror reflectance inside
    visibility: str = "clear"  # clear | barely


@dataclass(frozen=True, slots=True, kw_only=True)
class Finish:
    """Roughness (GGX alpha) along the axis and round it, and slopes of the grinding marks."""

    alpha_along: float = 0.27
    alpha_round: float = 0.085
    slope_rms: float = 0.045
    band_alpha_along: float = 0.05
    band_alpha_round: float = 0.04
    band_slope_ratio: float = 0.18


@dataclass(frozen=True, slots=True, kw_only=True)
class Stain:
    """A discoloured patch on a part of the turn: not a band."""

    x_mm: float
    theta_deg: float
    half_length_mm: float
    half_arc_deg: float
    tint: Vec = (0.60, 0.47, 0.33)


@dataclass(frozen=True, slots=True, kw_only=True)
class Groove:
    """A snap-ring groove, rectangular."""

    start_mm: float
    end_mm: float
    depth_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Shaft:
    """Shaft of revolution; `edge_kind` chamfer (axial length, angle from the axis) or radius."""

    name: str
    diameter_mm: float
    land_length_mm: float
    edge_kind: str
    edge_axial_mm: float
    edge_angle_deg: float = 0.0
    shoulder_diameter_mm: float = 0.0  # diameter beyond the land; 0: same diameter, turned finish
    centre_hole_mm: float = 0.0  # mouth diameter; 0: none
    finish: Finish = field(default_factory=Finish)
    bands: tuple[Band, ...] = ()
    grooves: tuple[Groove, ...] = ()
    stains: tuple[Stain, ...] = ()
    length_mm: float = 320.0

    @property
    def radius_mm(self) -> float:
        """Return the radius of the land."""
        return self.diameter_mm / 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """A rule or a card. `origin_mm`: zero mark on the graduated edge, or outer corner of square 0.

    `u_deg` is the direction of growing numbers in the xy plane, counter-clockwise from +x;
    `v_side` +1 puts the body of a rule 90 degrees counter-clockwise from u, -1 clockwise.
    """

    kind: str  # rule | card
    origin_mm: Vec
    u_deg: float = 0.0
    v_side: int = -1
    pitch_mm: float = 1.0
    marks: int = 150
    width_mm: float = 20.0
    lead_mm: float = 0.0  # blank before the zero mark
    thickness_mm: float = 0.8
    material: str = "steel"  # steel | white
    block: bool = False  # a block below carries it
    block_color: Vec = (0.33, 0.35, 0.37)


@dataclass(frozen=True, slots=True, kw_only=True)
class Light:
    """A rectangular light that looks at the shaft."""

    azimuth_deg: float  # in the xy plane from +x
    elevation_deg: float
    distance_mm: float
    width_mm: float
    height_mm: float
    radiance: float
    color: Vec = (1.0, 1.0, 1.0)
    panes: int = 0  # window panes across; 0: plain


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """Where the camera stands; see `camera_model.pose_looking_at`."""

    aim_mm: Vec
    distance_mm: float
    turn_deg: float
    tilt_x_deg: float = 0.0
    tilt_y_deg: float = 0.0
    orientation: int = 1  # EXIF


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One photo."""

    name: str
    seed: int
    lens: Lens
    view: View
    lights: tuple[Light, ...]
    shaft: Shaft | None = None
    scale: Scale | None = None
    bench: str = "wood"  # wood | paint | paper | mat
    bench_z_mm: float = -20.0
    room: float = 0.25
    exposure: float = 0.85
    board: bool = False
    refuse_reason: str = ""
    taken: str = "2026:05:04 10:11:12"
    shows: str = ""


MAIN = Lens(
    model="DP-26",
    width_px=4032,
    height_px=3024,
    fx_px=3031.7,
    fy_px=3031.7,
    cx_px=2021.3,
    cy_px=1506.8,
    k1=0.0612,
    k2=-0.0934,
    p1=0.00042,
    p2=-0.00031,
    k3=0.0381,
    focal_mm=5.6,
    focal_35mm=26,
    f_number=2.4,
)
TELE = Lens(
    model="DP-26",
    width_px=4032,
    height_px=3024,
    fx_px=6061.0,
    fy_px=6061.0,
    cx_px=2009.4,
    cy_px=1517.2,
    k1=-0.0215,
    k2=0.031,
    p1=-0.00022,
    p2=0.00018,
    k3=0.0,
    focal_mm=9.0,
    focal_35mm=52,
    f_number=2.8,
)

WARM: Vec = (1.0, 0.83, 0.62)
DAY: Vec = (0.93, 0.98, 1.06)
