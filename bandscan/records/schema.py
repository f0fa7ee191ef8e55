"""The tables of a records file, and the steps from one version of them to the next.

`document` holds every inspection whole, as JSON; the other tables are made from it and serve
to search. A hash stands beside each document and picture, for SQLite does not notice a letter that
changed. What is known of this machine alone (where an original photo lies) is in
`original`, which is never exported.
"""

from __future__ import annotations

APPLICATION_ID = 0x62534352  # "bSCR": tells a records file from any other SQLite file

_FIRST = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL);

CREATE TABLE machine (
    id INTEGER PRIMARY KEY,
    uuid TEXT NOT NULL UNIQUE,
    name TEXT NOT NULL,
    name_key TEXT NOT NULL
);
CREATE TABLE shaft (
    id INTEGER PRIMARY KEY,
    uuid TEXT NOT NULL UNIQUE,
    machine_id INTEGER NOT NULL REFERENCES machine,
    position TEXT NOT NULL,
    position_key TEXT NOT NULL,
    UNIQUE (machine_id, position_key)
);
CREATE INDEX shaft_by_position ON shaft (position_key);

CREATE TABLE photo (
    id INTEGER PRIMARY KEY,
    sha256 TEXT NOT NULL UNIQUE,
    file TEXT NOT NULL,
    taken TEXT,
    width_px INTEGER,
    height_px INTEGER,
    orientation INTEGER
);
CREATE TABLE reduced_photo (
    photo_id INTEGER PRIMARY KEY REFERENCES photo,
    sha256 TEXT NOT NULL,
    jpeg BLOB NOT NULL
);
CREATE TABLE original (
    id INTEGER PRIMARY KEY,
    photo_id INTEGER NOT NULL REFERENCES photo,
    path TEXT NOT NULL,
    UNIQUE (photo_id, path)
);

CREATE TABLE inspection (
    id INTEGER PRIMARY KEY,
    uuid TEXT NOT NULL UNIQUE,
    shaft_id INTEGER NOT NULL REFERENCES shaft,
    photo_id INTEGER REFERENCES photo,
    at TEXT NOT NULL,
    taken_from TEXT NOT NULL,
    kept_at TEXT NOT NULL,
    by TEXT NOT NULL,
    by_key TEXT NOT NULL,
    diameter_mm REAL,
    diameter_u_mm REAL,
    corrections TEXT
);
CREATE INDEX inspection_by_shaft ON inspection (shaft_id, at);
CREATE INDEX inspection_by_time ON inspection (at);
CREATE INDEX inspection_by_who ON inspection (by_key, at);
CREATE INDEX inspection_by_photo ON inspection (photo_id);

CREATE TABLE band (
    id INTEGER PRIMARY KEY,
    inspection_id INTEGER NOT NULL REFERENCES inspection ON DELETE CASCADE,
    number INTEGER NOT NULL,
    start_mm REAL NOT NULL, start_u_mm REAL NOT NULL, start_dof REAL,
    end_mm REAL NOT NULL, end_u_mm REAL NOT NULL, end_dof REAL,
    width_mm REAL NOT NULL, width_u_mm REAL NOT NULL, width_dof REAL,
    looks TEXT,
    UNIQUE (inspection_id, number)
);

CREATE TABLE landing (
    id INTEGER PRIMARY KEY,
    inspection_id INTEGER NOT NULL REFERENCES inspection ON DELETE CASCADE,
    at TEXT NOT NULL,
    seal TEXT,
    verdict TEXT NOT NULL
);
CREATE INDEX landing_by_inspection ON landing (inspection_id);
CREATE TABLE lip (
    id INTEGER PRIMARY KEY,
    landing_id INTEGER NOT NULL REFERENCES landing ON DELETE CASCADE,
    name TEXT NOT NULL,
    low_mm REAL, high_mm REAL, u_mm REAL,
    clearance_mm REAL, clearance_u_mm REAL, clearance_dof REAL,
    probability_on_band REAL,
    verdict TEXT NOT NULL
);
CREATE INDEX lip_by_landing ON lip (landing_id);
CREATE INDEX lip_by_verdict ON lip (verdict);

CREATE TABLE sheet (
    id INTEGER PRIMARY KEY,
    inspection_id INTEGER NOT NULL REFERENCES inspection ON DELETE CASCADE,
    at TEXT NOT NULL,
    nominal_mm REAL
);
CREATE INDEX sheet_by_inspection ON sheet (inspection_id);

CREATE TABLE note (
    id INTEGER PRIMARY KEY,
    inspection_id INTEGER NOT NULL REFERENCES inspection ON DELETE CASCADE,
    at TEXT NOT NULL,
    by TEXT NOT NULL,
    text TEXT NOT NULL,
    text_key TEXT NOT NULL
);
CREATE INDEX note_by_inspection ON note (inspection_id);

CREATE TABLE document (
    inspection_id INTEGER PRIMARY KEY REFERENCES inspection ON DELETE CASCADE,
    sha256 TEXT NOT NULL,
    json TEXT NOT NULL
);
"""

# Step i takes a file from version i to i + 1. A step is never changed once released: a file
# of any age goes through all that it has not seen.
MIGRATIONS: tuple[str, ...] = (_FIRST,)
