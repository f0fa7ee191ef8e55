"""Seals and bands for tests, and simulated stack-ups that share no code with the tool."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from bandscan.band_places import BandPlaces
from bandscan.seal import Lip, Mounting, Seal, Squareness
from calib.quantity import Estimate

INF = math.inf


def exactly(value, u=0.0):
    return Estimate(value=value, u=u)


def make_lip(distance, *, u=0.0, contact=0.4, name="main", face="outer"):
    return Lip(
        name=name,
        kind="sealing",
        face=face,
        distance_mm=exactly(distance, u),
        contact_mm=exactly(contact),
    )


def make_seal(lips, *, face=0.0, face_u=0.0, width=8.0, shift=(0.0, 0.0), land=(-INF, INF), **more):
    mounting = Mounting(face_mm=exactly(face, face_u), shift_mm=shift, land_mm=land, **more)
    return Seal(
        label="test", shaft_mm=45.0, width_mm=exactly(width), lips=tuple(lips), mounting=mounting
    )


def make_bands(*bands, u=0.0, covariance=None):
    edges = [(exactly(start, u), exactly(end, u)) for start, end in bands]
    return BandPlaces.of(edges, covariance)


def moved(seal, by):
    face = replace(seal.mounting.face_mm, value=seal.mounting.face_mm.value + by)
    return replace(seal, mounting=replace(seal.mounting, face_mm=face))


def simulate(rng, *, scatter_readings=0):
    """One stack-up: the truth about a lip and a band, and what was measured of it.

    Returns the seal, the bands and whether contact and band really overlap. The truth is
    spread evenly, so that a stated probability can be compared with how often it happens.
    """
    shaft, seat, width = 45.0, 65.0, 8.0
    contact, end_float, tilt = 0.3, rng.uniform(0.0, 0.4), rng.uniform(0.0, 0.3)
    face_u, lip_u = 0.15, 0.1
    zero_u, edge_u, scale_u = 0.04, 0.03, 0.001
    start, wide = rng.uniform(8.0, 16.0), rng.uniform(0.2, 2.0)
    lip_middle = rng.uniform(6.0, 18.0)  # of the shaft at the middle of its float
    distance = 5.0

    sweep = contact / 2.0 + end_float / 2.0 + tilt * shaft / seat / 2.0
    overlap = lip_middle + sweep > start and lip_middle - sweep < start + wide

    stood = rng.uniform(-end_float / 2.0, end_float / 2.0)  # when the face was measured
    face_read = lip_middle - distance + stood + rng.normal(0.0, face_u)
    if scatter_readings:
        readings = distance + rng.normal(0.0, lip_u, scatter_readings)
        lip_read = Estimate(
            value=float(readings.mean()),
            u=float(readings.std(ddof=1)) / math.sqrt(scatter_readings),
            dof=scatter_readings - 1.0,
        )
    else:
        lip_read = exactly(distance + rng.normal(0.0, lip_u), lip_u)
    common, scale = rng.normal(0.0, zero_u), rng.normal(0.0, scale_u)
    true_edges = np.array([start, start + wide])
    read_edges = true_edges * (1.0 + scale) + common + rng.normal(0.0, edge_u, 2)
    covariance = zero_u**2 + scale_u**2 * np.outer(true_edges, true_edges) + edge_u**2 * np.eye(2)
    bands = BandPlaces(
        edges_mm=read_edges.reshape(1, 2), covariance_mm2=covariance, dof=np.full(2, INF)
    )
    lip = Lip(
        name="main", kind="sealing", face="outer", distance_mm=lip_read, contact_mm=exactly(contact)
    )
    seal = make_seal([lip], face=face_read, face_u=face_u, width=width, end_float_mm=end_float)
    seal = replace(seal, squareness=Squareness(tilt_mm=tilt, across_mm=seat))
    return seal, bands, overlap
