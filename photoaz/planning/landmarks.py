"""Landmarks from a table: which are in the frame from where, and what each does to the uncertainty."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from photoaz.errors import Fault, InputError
from photoaz.geodesy.frames import EnuFrame
from photoaz.network.site import PhotoObservations
from photoaz.planning.prospect import State, rows_of, u95_linear_rad, with_rows
from photoaz.planning.scene import Landmark, Scene, Stand, foreseen_photo, in_frame
from photoaz.register.tables import read_table

COLUMNS = ("name", "lat_deg", "lon_deg", "height_m", "u95")
#: of a place that the table does not qualify (95 % radius), as from a map
DEFAULT_U95_M = 5.0
#: further away than this nothing is told from the haze, and nearer than this a bearing is poor, metres
FARTHEST_M, NEAREST_M = 30_000.0, 100.0
#: what a landmark of unknown height is taken to be high, metres
UNKNOWN_HEIGHT_M = 20.0


def load_landmarks(path: Path, frame: EnuFrame) -> tuple[Landmark, ...]:
    """Read a table of landmarks: name, lat_deg, lon_deg; height_m (above the ground at the tower), u95 [m] if known.

    Raises
    ------
    InputError : no table, a column missing, a value that is none, a name that occurs twice; every fault at once.
    """
    table = read_table(path, COLUMNS)
    faults = [
        Fault(file=table.path, line=1, column=c, found="no such column", wanted=f"columns {', '.join(COLUMNS)}")
        for c in COLUMNS[:3]
        if c not in table.columns
    ]
    if faults:
        raise InputError(faults)
    out: dict[str, Landmark] = {}
    faults = list(table.faults)
    for row in table.rows:
        values: dict[str, float | None] = {}
        for column, least, most in (
            ("lat_deg", -90.0, 90.0),
            ("lon_deg", -180.0, 180.0),
            ("height_m", -500.0, 5000.0),
            ("u95", 0.0, 1000.0),
        ):
            text = row.cells.get(column)
            values[column] = None
            if text is None and column in ("height_m", "u95"):
                continue
            try:
                values[column] = float(text or "")
            except ValueError:
                values[column] = math.nan
            if not least <= (values[column] or 0.0) <= most:
                wanted = f"a number from {least:g} to {most:g}"
                faults.append(
                    Fault(file=table.path, line=row.line, column=column, found=f"'{text or ''}'", wanted=wanted)
                )
        name = row.cells.get("name", "")
        if not name or name in out:
            found = f"'{name}' a second time" if name else "no name"
            faults.append(Fault(file=table.path, line=row.line, column="name", found=found, wanted="names, each once"))
        if faults:
            continue
        height = values["height_m"]
        up = UNKNOWN_HEIGHT_M if height is None else height
        enu = frame.enu_from_geodetic(values["lat_deg"] or 0.0, values["lon_deg"] or 0.0, up)
        out[name] = Landmark(name=name, enu_m=enu, u95_m=max(values["u95"] or DEFAULT_U95_M, 0.05), height_m=height)
    if faults:
        raise InputError(faults)
    return tuple(out.values())


def usable(landmarks: Sequence[Landmark]) -> tuple[Landmark, ...]:
    """Those at a distance that tells a bearing."""
    return tuple(m for m in landmarks if NEAREST_M <= math.hypot(m.enu_m[0], m.enu_m[1]) <= FARTHEST_M)


@dataclass(frozen=True, slots=True, kw_only=True)
class LandmarkEffect:
    """A landmark in a photo to come: its pixel, how far off the tower it shows [deg], distance from the camera [m], and

    U95 [deg] of each antenna with this landmark alone and without any.
    """

    name: str
    pixel: tuple[float, float]
    off_deg: float
    distance_m: float
    u95_with_deg: Mapping[str, float]
    u95_without_deg: Mapping[str, float]


def effects(state: State, stand: Stand) -> tuple[LandmarkEffect, ...]:
    """What each landmark in a photo's frame does, the one that helps most first."""
    scene = state.scene
    if not scene.landmarks:
        return ()
    pixels, inside = in_frame(stand, np.stack([m.enu_m for m in scene.landmarks]))
    plain = foreseen_photo(scene, stand, landmarks=False)
    whole = foreseen_photo(scene, stand)
    without = _u95(state, scene, plain)
    out = []
    for k, m in enumerate(scene.landmarks):
        if not inside[k] or not plain.boxes:
            continue
        one = replace(plain, landmarks=tuple(s for s in whole.landmarks if s.name == m.name))
        away = m.enu_m - stand.enu_m
        off = np.degrees(np.arctan2(away[0], away[1]) - stand.attitude_rad[0])
        out.append(
            LandmarkEffect(
                name=m.name,
                pixel=(float(pixels[k, 0]), float(pixels[k, 1])),
                off_deg=float((off + 180.0) % 360.0 - 180.0),
                distance_m=float(np.hypot(away[0], away[1])),
                u95_with_deg=_u95(state, scene, one),
                u95_without_deg=without,
            )
        )
    out.sort(key=lambda e: sum(e.u95_with_deg.values()))
    return tuple(out)


def _u95(state: State, scene: Scene, photo: PhotoObservations) -> dict[str, float]:
    told = rows_of(state, photo)
    if told is None:
        return {}
    covariance = with_rows(state.covariance, told)
    names = [n for n in scene.wanted if n in photo.boxes]
    index = np.array([state.wanted[scene.wanted.index(n)] for n in names], int)
    return {n: float(np.degrees(u)) for n, u in zip(names, u95_linear_rad(covariance, index), strict=True)}
