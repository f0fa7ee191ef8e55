"""The report as one self-contained page: what it needs is in it, and it loads nothing.

Texts are escaped by the template library; on top of that the page's policy lets no script run
but the one below, known by its hash.
"""

from __future__ import annotations

import base64
import hashlib
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

from bandscan import __version__
from bandscan.options import DEFAULT_HAND_U_MM, SIDES
from bandscan.report.content import Content
from bandscan.report.live import STEP_MM, edge_object, geometry_object, live_object, slider_reach
from bandscan.report.photo_view import PhotoView, photo_view
from bandscan.report.side_drawing import SideDrawing, side_drawing
from bandscan.report.source import Source
from bandscan.report.words import MARKS, STYLES

if TYPE_CHECKING:
    from jinja2 import Environment

_TEXT_SHARE = 0.0167  # letter size on the photo by the picture's width
_CORRECTIONS_SUFFIX = "-corrections.json"

Json = dict[str, Any]


def report_page(source: Source, content: Content) -> str:
    """The page.

    Parameters
    ----------
    source : Source
    content : Content
        What `content_of` made of it.

    Returns
    -------
    str
        HTML, to be written as UTF-8.
    """
    environment = _environment()
    lips = () if content.plan is None else content.plan.landing.lips
    photo = photo_view(source, lips)
    side = None if content.plan is None else side_drawing(source, content.plan)
    style = _text("page.css") + _sizes(photo)
    script = _text("shift.js") + _text("page.js")
    correcting = _correcting(source)
    from markupsafe import Markup

    return environment.get_template("report.html.jinja").render(
        version=__version__,
        policy=_policy(style, script),
        style=Markup(style),
        script=Markup(script),
        content=content,
        headline_mark=_mark(content),
        side=side,
        step=f"{STEP_MM:.2f}",
        reach=(0.0, 0.0)
        if content.plan is None
        else slider_reach(content.plan.seal.mounting.shift_mm),
        presets=_presets(content),
        photo=photo,
        photo_note=source.picture_note,
        any_by_hand=any(band.by_hand for band in content.bands),
        correcting=correcting,
        hand_u_mm=f"{DEFAULT_HAND_U_MM:g}",
        data=_data(source, content, photo, side),
    )


def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("bandscan.report", "page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _text(name: str) -> str:
    from importlib.resources import files

    return files("bandscan.report").joinpath("page", name).read_text(encoding="utf-8")


def _sizes(photo: PhotoView | None) -> str:
    """Letter sizes on the photo, in its own units."""
    if photo is None:
        return ""
    zoom = photo.zoom[0]
    size = _TEXT_SHARE * photo.width / zoom
    return f".photo-section {{ --text: {size:.2f}px; --zoom: {zoom:.4f}; }}\n"


def _policy(style: str, script: str) -> str:
    def source(text: str) -> str:
        digest = hashlib.sha256(text.encode("utf-8")).digest()
        return f"'sha256-{base64.b64encode(digest).decode()}'"

    return (
        f"default-src 'none'; img-src data:; style-src {source(style)}; "
        f"script-src {source(script)}; base-uri 'none'; form-action 'none'"
    )


def _mark(content: Content) -> str:
    if content.plan is None:
        return "i"
    return next(MARKS[verdict] for verdict, style in STYLES.items() if style == content.style)


def _presets(content: Content) -> list[tuple[str, str]]:
    """Places of the slider worth a button: the shifts that the landing proposes."""
    if content.plan is None:
        return []
    shift = content.plan.landing.shift
    found = [("Smallest shift", shift.smallest_mm)]
    if shift.roomiest_mm != shift.smallest_mm:
        found.append(("Most clearance", shift.roomiest_mm))
    places = [(name, _on_step(value, shift.windows_mm)) for name, value in found if value]
    return [(f"{name}: {place:+.2f} mm", f"{place:.2f}") for name, place in places]


def _on_step(value: float, windows: tuple[tuple[float, float], ...]) -> float:
    """The place of the slider nearest to a shift that still lies in its window."""
    low, high = next(window for window in windows if window[0] <= value <= window[1])
    steps = round(value / STEP_MM)
    near = [steps * STEP_MM, (steps - 1) * STEP_MM, (steps + 1) * STEP_MM]
    inside = [place for place in near if low <= place <= high]
    return min(inside or near[:1], key=lambda place: abs(place - value))


def _correcting(source: Source) -> list[Json]:
    """What can be corrected: every band, from a photo that is known by its hash."""
    photo = source.content.get("photo") or {}
    if not photo.get("sha256") or source.geometry is None:
        return []
    return [
        {
            "number": number,
            "start": float(band["start_mm"]["value"]),
            "end": float(band["end_mm"]["value"]),
        }
        for number, band in enumerate(source.content["bands"], start=1)
    ]


def _data(
    source: Source, content: Content, photo: PhotoView | None, side: SideDrawing | None
) -> Json:
    """What the script works with."""
    bands = list(enumerate(source.content["bands"], start=1))
    geometry = None
    if source.geometry is not None and photo is not None:
        geometry = geometry_object(
            source.geometry, orientation=photo.orientation, scale=photo.scale
        )
    name = PurePath(source.measured.photo).name
    return {
        "live": None if content.plan is None else live_object(content.plan),
        "width": None if side is None else side.width,
        "per_mm": None if side is None else side.per_mm,
        "geometry": geometry,
        "edges": {
            f"{number}-{end}": edge_object(band, end) for number, band in bands for end in SIDES
        },
        "bands": [
            {"band": number, "span_mm": [float(band[f"{end}_mm"]["value"]) for end in SIDES]}
            for number, band in bands
        ],
        "photo": {"file": name, "sha256": (source.content.get("photo") or {}).get("sha256")},
        "hand_u_mm": DEFAULT_HAND_U_MM,
        "command": content.command,
        "corrections_file": f"{PurePath(name).stem}{_CORRECTIONS_SUFFIX}",
    }
