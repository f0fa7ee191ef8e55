"""Published limits for a shaft under radial lip seals, with where each was read.

Sources disagree; none of them is ours. Company names are left out; "from memory" marks what
could not be read again when this was written.
"""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass

Range = tuple[float, float]
ANY: Range = (0.0, math.inf)

# Upper end of each nominal size step, mm, and IT11, um. Source: ISO 286-1, table 1.
H11_STEPS_MM = (3.0, 6.0, 10.0, 18.0, 30.0, 50.0, 80.0, 120.0, 180.0, 250.0, 315.0, 400.0, 500.0)
H11_UM = (60, 75, 90, 110, 130, 160, 190, 220, 250, 290, 320, 360, 400)

# Upper end of each shaft size, mm, and by how much the small diameter of the lead-in chamfer
# is below it at the least. Source: JIS B 2402 as reproduced by a Japanese seal maker; ISO
# 6194-1 has the same up to 500 mm (from memory).
CHAMFER_STEPS_MM = (10.0, 20.0, 30.0, 40.0, 50.0, 70.0, 95.0, 130.0, 240.0, 480.0)
CHAMFER_DROP_MM = (1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5, 5.5, 7.0, 11.0)
# Another seal maker's sheet cuts the larger sizes differently.
CHAMFER_VARIANT = {(70.0, 90.0): 4.5, (90.0, 140.0): 5.0, (140.0, 250.0): 7.0}
CHAMFER_ANGLE_DEG: Range = (15.0, 30.0)  # seal makers' sheets; DIN 3760 15 to 25 (from memory)

LEAD_LIMIT_DEG = 0.05  # either way; two seal makers' sheets, a trade article agrees


@dataclass(frozen=True, slots=True, kw_only=True)
class RoughnessSet:
    """One published set of roughness limits, micrometres.

    Parameters
    ----------
    material : {"elastomer", "ptfe"}
        Of the lip.
    source : str
        Where the set was read.
    """

    name: str
    material: str
    ra_um: Range
    rz_um: Range
    source: str


ROUGHNESS_SETS = (
    RoughnessSet(
        name="RMA OS-1-1",
        material="elastomer",
        ra_um=(0.20, 0.43),
        rz_um=(1.65, 2.90),
        source="a seal maker's handbook quoting RMA OS-1-1 (8 to 17 µin, cut-off 0.25 mm); "
        "Rz from memory",
    ),
    RoughnessSet(
        name="DIN 3760 practice",
        material="elastomer",
        ra_um=(0.2, 0.8),
        rz_um=(1.0, 5.0),
        source="a seal maker's shaft design page, Rmax up to 6.3 µm; another gives Rz 1 to 4",
    ),
    RoughnessSet(
        name="GB 13871 practice",
        material="elastomer",
        ra_um=(0.2, 0.63),
        rz_um=ANY,
        source="a seal maker's guide quoting GB 13871, Rmax 0.8 to 2.5 µm",
    ),
    RoughnessSet(
        name="JIS B 2402 practice",
        material="elastomer",
        ra_um=(0.1, 0.32),
        rz_um=(0.8, 2.5),
        source="a Japanese seal maker's design page and another's questions and answers",
    ),
    RoughnessSet(
        name="Japanese PTFE practice",
        material="ptfe",
        ra_um=(0.05, 0.2),
        rz_um=(0.4, 1.6),
        source="a Japanese seal maker's questions and answers",
    ),
    RoughnessSet(
        name="PTFE, another page",
        material="ptfe",
        ra_um=(0.1, 0.2),
        rz_um=ANY,
        source="a seal supplier's page (printed in mm, plainly µm)",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class HardnessRule:
    """Least Rockwell C hardness by surface speed.

    Parameters
    ----------
    steps : tuple of (float, float)
        Speed from which on it holds, m/s, and least hardness, HRC; rising speeds. 0 HRC means
        that the shaft may stay unhardened.
    dirty_hrc : float
        Least hardness where dirt reaches the lip.
    """

    name: str
    material: str
    steps: tuple[tuple[float, float], ...]
    dirty_hrc: float
    source: str

    def least_hrc(self, speed_m_s: float, *, dirty: bool) -> float:
        """Least hardness at a surface speed."""
        hardness = [hrc for start, hrc in self.steps if speed_m_s >= start][-1]
        return max(hardness, self.dirty_hrc) if dirty else hardness


HARDNESS_RULES = (
    HardnessRule(
        name="45, from 4 m/s 55 HRC",
        material="elastomer",
        steps=((0.0, 45.0), (4.0, 55.0)),
        dirty_hrc=55.0,
        source="a maker's installation sheet; case at least 0.3 mm deep",
    ),
    HardnessRule(
        name="45, from 10 m/s 55 HRC",
        material="elastomer",
        steps=((0.0, 45.0), (10.0, 55.0)),
        dirty_hrc=45.0,
        source="a maker's page on DIN 3760; case at least 0.3 mm deep",
    ),
    HardnessRule(
        name="unhardened below 5 m/s, 45, above 12 m/s 60 HRC",
        material="elastomer",
        steps=((0.0, 0.0), (5.0, 45.0), (12.0, 60.0)),
        dirty_hrc=60.0,
        source="a maker's shaft design page",
    ),
    HardnessRule(
        name="45, from 12 m/s 50 HRC",
        material="elastomer",
        steps=((0.0, 45.0), (12.0, 50.0)),
        dirty_hrc=50.0,
        source="a maker's guide quoting GB 13871 (50 to 60 HRC when dirty or fast)",
    ),
    HardnessRule(
        name="30 HRC",
        material="elastomer",
        steps=((0.0, 30.0),),
        dirty_hrc=30.0,
        source="a Japanese maker's design page and a shaft sheet (against handling damage)",
    ),
    HardnessRule(
        name="50 HRC for PTFE",
        material="ptfe",
        steps=((0.0, 50.0),),
        dirty_hrc=50.0,
        source="a Japanese maker's questions and answers",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunoutLimit:
    """Greatest runout, mm, total indicator reading.

    Parameters
    ----------
    turning_mm : float
        Of the turning shaft (dynamic runout).
    offset_mm : float
        Of the shaft against the bore (misalignment).
    sum_mm : float
    """

    name: str
    turning_mm: float
    offset_mm: float
    sum_mm: float
    source: str


RUNOUT_LIMITS = (
    RunoutLimit(
        name="ceiling",
        turning_mm=0.25,
        offset_mm=0.25,
        sum_mm=math.inf,
        source="a seal maker's handbook (0.010 in each at the most); less with rising speed",
    ),
    RunoutLimit(
        name="full life",
        turning_mm=0.13,
        offset_mm=0.08,
        sum_mm=0.20,
        source="a supplier's misalignment page",
    ),
)


def h11_limits_mm(nominal_mm: float) -> Range:
    """Least and greatest diameter of tolerance h11.

    Parameters
    ----------
    nominal_mm : float
        Above 0 and up to 500 mm.

    References
    ----------
    ISO 286-1, table 1 (IT11); position h has its upper deviation at zero.
    """
    if not 0.0 < nominal_mm <= H11_STEPS_MM[-1]:
        raise ValueError(f"h11 is tabulated up to {H11_STEPS_MM[-1]:g} mm, got {nominal_mm}")
    step = bisect.bisect_left(H11_STEPS_MM, nominal_mm)  # "over a up to and including b"
    return nominal_mm - H11_UM[step] / 1000.0, nominal_mm


def chamfer_small_diameter_mm(shaft_mm: float) -> float:
    """Greatest small diameter of the lead-in chamfer."""
    if not 0.0 < shaft_mm <= CHAMFER_STEPS_MM[-1]:
        raise ValueError(f"chamfers are tabulated up to {CHAMFER_STEPS_MM[-1]:g} mm")
    return shaft_mm - CHAMFER_DROP_MM[bisect.bisect_left(CHAMFER_STEPS_MM, shaft_mm)]


def chamfer_variant_mm(shaft_mm: float) -> float | None:
    """The same by another sheet; None where it says nothing different."""
    for (over, up_to), drop in CHAMFER_VARIANT.items():
        if over < shaft_mm <= up_to:
            return shaft_mm - drop
    return None


def chamfer_length_mm(shaft_mm: float, small_mm: float, angle_deg: float) -> float:
    """Axial length of a chamfer, (d1 - d2) / 2 / tan(angle)."""
    return (shaft_mm - small_mm) / 2.0 / math.tan(math.radians(angle_deg))


def shortest_chamfer_mm(shaft_mm: float) -> float:
    """Axial length of the usual chamfer at its steepest; beyond the table that of its end."""
    tabulated = min(shaft_mm, CHAMFER_STEPS_MM[-1])
    small = chamfer_small_diameter_mm(tabulated)
    return chamfer_length_mm(tabulated, small, max(CHAMFER_ANGLE_DEG))


def surface_speed_m_s(diameter_mm: float, speed_rpm: float) -> float:
    """Surface speed, pi d n / 60 with d in metres."""
    return math.pi * diameter_mm / 1000.0 * speed_rpm / 60.0


def roughness_sets(material: str) -> tuple[RoughnessSet, ...]:
    """The published sets for a lip material."""
    return tuple(item for item in ROUGHNESS_SETS if item.material == material)


def hardness_rules(material: str) -> tuple[HardnessRule, ...]:
    """The published rules for a lip material."""
    return tuple(item for item in HARDNESS_RULES if item.material == material)
