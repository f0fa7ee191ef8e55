"""Kinds of light in the workshop."""

from __future__ import annotations

from shots import DAY, Light, Vec


def window(
    azimuth_deg: float, elevation_deg: float = 40.0, radiance: float = 6.0, width_mm: float = 430.0
) -> Light:
    """Return a tall window a metre and a bit away."""
    return Light(
        azimuth_deg=azimuth_deg,
        elevation_deg=elevation_deg,
        distance_mm=1150.0,
        width_mm=width_mm,
        height_mm=1150.0,
        radiance=radiance,
        color=DAY,
        panes=2,
    )


def softbox(
    azimuth_deg: float,
    elevation_deg: float,
    radiance: float,
    width_mm: float = 220.0,
    color: Vec = (1.0, 1.0, 1.0),
) -> Light:
    """Return a lamp behind a diffusing sheet, higher than wide."""
    return Light(
        azimuth_deg=azimuth_deg,
        elevation_deg=elevation_deg,
        distance_mm=800.0,
        width_mm=width_mm,
        height_mm=3.0 * width_mm,
        radiance=radiance,
        color=color,
    )


def tube(azimuth_deg: float, elevation_deg: float, radiance: float = 9.0) -> Light:
    """Return a lighting tube under the ceiling, across the shaft."""
    return Light(
        azimuth_deg=azimuth_deg,
        elevation_deg=elevation_deg,
        distance_mm=1500.0,
        width_mm=110.0,
        height_mm=1400.0,
        radiance=radiance,
    )
