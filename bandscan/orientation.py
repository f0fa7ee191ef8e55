"""From the picture as the user sees it to the grid as it is stored."""

from __future__ import annotations

# EXIF orientation (tag 0x0112): the side of the stored grid that is shown at top, right, bottom
# and left. Source: EXIF 2.3 (CIPA DC-008), table of the Orientation tag.
_STORED_SIDES = {
    1: ("top", "right", "bottom", "left"),
    2: ("top", "left", "bottom", "right"),
    3: ("bottom", "left", "top", "right"),
    4: ("bottom", "right", "top", "left"),
    5: ("left", "bottom", "right", "top"),
    6: ("left", "top", "right", "bottom"),
    7: ("right", "top", "left", "bottom"),
    8: ("right", "bottom", "left", "top"),
}
_SHOWN_SIDES = ("top", "right", "bottom", "left")


def stored_side(shown: str, orientation: int) -> str:
    """Side of the stored grid that the user sees at `shown`; "auto" stays.

    Parameters
    ----------
    shown : {"auto", "top", "right", "bottom", "left"}
    orientation : int
        EXIF orientation, 1 to 8.
    """
    if shown == "auto":
        return shown
    return _STORED_SIDES[orientation][_SHOWN_SIDES.index(shown)]
