"""The new seal as a fitter describes it: lips, mounting, and what moves in service."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from bandscan.toml_table import Table, TomlFile, parse_toml, read_toml
from calib.errors import UnreadableFileError
from calib.quantity import Estimate

LIP_KINDS = ("sealing", "auxiliary", "excluder")
FACES = ("outer", "inner")
FACINGS = ("end", "machine")
MATERIALS = ("elastomer", "ptfe")

# Linear expansion, 1e-6 per kelvin. Source: W. D. Callister, Fundamentals of Materials
# Science and Engineering, appendix B, table B.6.
EXPANSION_PER_MK = {
    "steel 1020": 11.7,
    "steel 1040": 11.3,
    "steel 4140": 12.3,
    "steel 4340": 12.3,
    "stainless 304": 17.2,
    "stainless 316": 15.9,
    "stainless 440a": 10.2,
    "grey iron": 11.4,
    "ductile iron": 11.2,
    "aluminium 1100": 23.6,
    "aluminium 6061": 23.6,
    "aluminium 7075": 23.4,
    "aluminium 356": 21.5,
}
DEFAULT_TEMPERATURE_U_K = 5.0  # of a housing or shaft in service; assumption, no published source
CALLIPER_DEPTH_U_MM = 0.04  # limits 0.05 + 0.02 mm for depths (DIN 862), rectangular

_TABLES = ("seal", "lip", "mounting", "squareness", "thermal")


@dataclass(frozen=True, slots=True, kw_only=True)
class Lip:
    """One lip of a seal.

    Parameters
    ----------
    kind : {"sealing", "auxiliary", "excluder"}
    face : {"outer", "inner"}
        Seal face from which it was measured: air side or machine side.
    distance_mm : Estimate
        That face to the middle of the contact, into the seal.
    contact_mm : Estimate
        Contact width on the shaft.
    """

    name: str
    kind: str
    face: str
    distance_mm: Estimate
    contact_mm: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Mounting:
    """Where the seal sits, and what the shaft does below it.

    Parameters
    ----------
    face_mm : Estimate
        Shaft end face to the seal face that is nearer to it.
    facing : {"end", "machine"}
        To which side the seal's outer face looks; "machine" is the seal turned round.
    end_float_mm : float
        How far the shaft moves axially in service, end to end (a limit).
    shift_mm : (float, float)
        Room to move the seal, negative toward the shaft end.
    land_mm : (float, float)
        Where the shaft is ground for the seal; infinite where it was not given.
    land_u_mm : float
        Standard uncertainty of both ends of the land, and of those of grooves.
    grooves_mm : tuple of (float, float)
        Parts of the land where no lip may run: ring grooves, keyways, oil holes.
    """

    face_mm: Estimate
    facing: str = "end"
    end_float_mm: float = 0.0
    shift_mm: tuple[float, float] = (0.0, 0.0)
    land_mm: tuple[float, float] = (0.0, math.inf)
    land_u_mm: float = 0.0
    grooves_mm: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Squareness:
    """The seal stands out of square by `tilt_mm` across `across_mm`, its seat diameter."""

    tilt_mm: float
    across_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Thermal:
    """Growth of shaft and housing between fitting and service.

    Parameters
    ----------
    length_mm : float
        From the seal to the bearing that holds the shaft axially, positive into the machine.
    shaft_per_mk, housing_per_mk : float
        Coefficients of linear expansion, 1e-6 per kelvin.
    shaft_rise_k, housing_rise_k : float
        Rise of temperature from fitting to service.
    rise_u_k : float
        Standard uncertainty of either rise.
    """

    length_mm: float
    shaft_per_mk: float
    housing_per_mk: float
    shaft_rise_k: float
    housing_rise_k: float
    rise_u_k: float = DEFAULT_TEMPERATURE_U_K

    @property
    def travel_mm(self) -> Estimate:
        """How far the lips move into the shaft from fitting to service (L alpha dT)."""
        shaft = 1e-6 * self.length_mm * self.shaft_per_mk
        housing = 1e-6 * self.length_mm * self.housing_per_mk
        return Estimate(
            value=shaft * self.shaft_rise_k - housing * self.housing_rise_k,
            u=math.hypot(shaft, housing) * self.rise_u_k,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Seal:
    """A seal and its mounting, valid once read.

    Parameters
    ----------
    width_mm : Estimate
        Outer face to inner face.
    material : {"elastomer", "ptfe"}
        Of the sealing lip: chooses among the published roughness limits.
    seat_mm : float or None
        Diameter of the housing bore.
    notes : tuple of str
        What was assumed because the file does not say.
    """

    label: str
    shaft_mm: float
    width_mm: Estimate
    lips: tuple[Lip, ...]
    mounting: Mounting
    material: str = "elastomer"
    seat_mm: float | None = None
    squareness: Squareness | None = None
    thermal: Thermal | None = None
    notes: tuple[str, ...] = ()


def read_seal(path: Path | str) -> Seal:
    """Read a seal file.

    Raises
    ------
    UnreadableFileError
        The file is missing or no TOML, or a value is missing, unknown or impossible; the
        message names the line and the remedy the fix.
    """
    return _seal(read_toml(path, "seal file"))


def parse_seal(text: str, path: Path) -> Seal:
    """A seal from the text of its file; see `read_seal`."""
    return _seal(parse_toml(text, path, "seal file"))


def _seal(file: TomlFile) -> Seal:
    file.only(_TABLES)
    head = _require(file, "seal")
    head.only(("label", "shaft_mm", "width_mm", "width_u_mm", "seat_mm", "material"))
    width = head.reading("width_mm", "width_u_mm", default_u=0.0)
    if width.value <= 0.0:
        head.refuse("width_mm", f"is {width.value:g}; it must be more than 0", "Correct it.")
    seat = head.number_of("seat_mm", 0.0, least=0.0) or None
    shaft_mm = head.number_of("shaft_mm", above=0.0)
    if seat is not None and seat <= shaft_mm:
        head.refuse("seat_mm", f"is {seat:g}, not above shaft_mm {shaft_mm:g}", "Correct it.")
    lip_tables = file.tables("lip")
    lips = tuple(_lip(table, width.value) for table in lip_tables)
    names = [lip.name for lip in lips]
    for table, name in zip(lip_tables, names, strict=True):
        if names.count(name) > 1:
            table.refuse("name", f'is "{name}" more than once', "Give each lip its own name.")
    return Seal(
        label=head.word("label", file.path.stem),
        shaft_mm=shaft_mm,
        width_mm=width,
        lips=lips,
        mounting=_mounting(_require(file, "mounting")),
        material=head.word("material", "elastomer", MATERIALS),
        seat_mm=seat,
        squareness=_squareness(file.table("squareness", optional=True), seat),
        thermal=_thermal(file.table("thermal", optional=True)),
        notes=_notes(file, lips, width),
    )


def check_fit(seal: Seal, diameter_mm: Estimate) -> None:
    """Refuse a seal that is made for another shaft.

    Raises
    ------
    UnreadableFileError
        The diameters differ by more than `WRONG_SIZE_MM` beyond the uncertainty.
    """
    off = abs(diameter_mm.value - seal.shaft_mm)
    if off > WRONG_SIZE_MM + diameter_mm.expanded:
        raise UnreadableFileError(
            f'The seal "{seal.label}" is for a shaft of {seal.shaft_mm:g} mm; '
            f"this one measures {diameter_mm.value:.2f} mm.",
            "Give the file of a seal for this shaft, or correct shaft_mm in it.",
        )


# Twice the widest h11 step up to 180 mm (0.25 mm, ISO 286): beyond it, it is another size.
WRONG_SIZE_MM = 0.5


def _require(file: TomlFile, name: str) -> Table:
    table = file.table(name)
    assert table is not None  # a missing one was refused
    return table


def _lip(table: Table, width_mm: float) -> Lip:
    table.only(("name", "kind", "from", "distance_mm", "u_mm", "contact_mm", "contact_u_mm"))
    kind = table.word("kind", "sealing", LIP_KINDS)
    distance = table.reading("distance_mm", "u_mm")
    if not -width_mm <= distance.value <= 2.0 * width_mm:
        table.refuse(
            "distance_mm",
            f"is {distance.value:g} mm, more than the seal's width of {width_mm:g} mm outside it",
            "Measure from the nearer face into the seal, in mm.",
        )
    contact = table.reading("contact_mm", "contact_u_mm", default_u=0.0)
    if contact.value <= 0.0:
        table.refuse("contact_mm", f"is {contact.value:g}; it must be more than 0", "Correct it.")
    return Lip(
        name=table.word("name", kind),
        kind=kind,
        face=table.word("from", None, FACES),
        distance_mm=distance,
        contact_mm=contact,
    )


def _mounting(table: Table) -> Mounting:
    table.only(
        ("outer_face_mm", "u_mm", "facing", "end_float_mm", "shift_mm", "land_mm", "land_u_mm",
         "grooves_mm")
    )  # fmt: skip
    land = table.pair("land_mm", (0.0, math.inf))
    if land[0] == land[1]:
        table.refuse("land_mm", "has no length", "Write where the ground land begins and ends.")
    return Mounting(
        face_mm=table.reading("outer_face_mm", "u_mm"),
        facing=table.word("facing", "end", FACINGS),
        end_float_mm=table.number_of("end_float_mm", 0.0, least=0.0),
        shift_mm=table.pair("shift_mm", (0.0, 0.0)),
        land_mm=land,
        land_u_mm=table.number_of("land_u_mm", 0.0, least=0.0),
        grooves_mm=table.pairs("grooves_mm"),
    )


def _squareness(table: Table | None, seat_mm: float | None) -> Squareness | None:
    if table is None:
        return None
    table.only(("tilt_mm", "across_mm"))
    return Squareness(
        tilt_mm=table.number_of("tilt_mm", least=0.0),
        across_mm=table.number_of("across_mm", seat_mm, above=0.0),
    )


def _thermal(table: Table | None) -> Thermal | None:
    if table is None:
        return None
    table.only(("length_mm", "shaft", "housing", "fitted_c", "shaft_c", "housing_c", "u_k"))
    fitted = table.number_of("fitted_c", 20.0)  # ISO 1 reference temperature
    return Thermal(
        length_mm=table.number_of("length_mm"),
        shaft_per_mk=_expansion(table, "shaft"),
        housing_per_mk=_expansion(table, "housing"),
        shaft_rise_k=table.number_of("shaft_c") - fitted,
        housing_rise_k=table.number_of("housing_c") - fitted,
        rise_u_k=table.number_of("u_k", DEFAULT_TEMPERATURE_U_K, least=0.0),
    )


def _expansion(table: Table, key: str) -> float:
    """A coefficient as a number of 1e-6 per kelvin, or by the name of the material."""
    if isinstance(table.content.get(key), str):
        return EXPANSION_PER_MK[table.word(key, None, tuple(EXPANSION_PER_MK))]
    return table.number_of(key, least=0.0, most=100.0)  # no metal expands more than 1e-4 per K


def _notes(file: TomlFile, lips: tuple[Lip, ...], width: Estimate) -> tuple[str, ...]:
    notes = []
    mounting = file.content["mounting"]
    bare = [t for t in file.tables("lip") if t.is_list("distance_mm") and "u_mm" not in t.content]
    if bare:
        notes.append(
            "Repeated readings without u_mm show their scatter, not the gauge's own error; "
            f"a calliper's depth rod to DIN 862 adds u_mm = {CALLIPER_DEPTH_U_MM:g}."
        )
    if width.u == 0.0 and any(lip.face == "inner" for lip in lips):
        notes.append(
            "width_mm is taken as exact, and lips measured from the inner face rest on it; "
            "if it is the catalogue's width, add width_u_mm = "
            f"{nominal_width_u_mm(width.value):.2f} (a maker's tolerance of ±0.2 mm up to "
            "10 mm wide, ±0.3 mm above)."
        )
    if "end_float_mm" not in mounting:
        notes.append("end_float_mm is not given: the shaft is taken not to move axially.")
    if "shift_mm" not in mounting:
        notes.append("shift_mm is not given: the seal is taken to have no room to move.")
    if "land_mm" not in mounting:
        notes.append("land_mm is not given: only the shaft end and the photo limit the land.")
    return tuple(notes)


def nominal_width_u_mm(width_mm: float) -> float:
    """Standard uncertainty of a catalogue width.

    A supplier's tolerance of 0.2 mm up to 10 mm wide and 0.3 mm above, rectangular.
    """
    return (0.2 if width_mm <= 10.0 else 0.3) / math.sqrt(3.0)
