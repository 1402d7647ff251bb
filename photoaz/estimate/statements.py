"""What a photo's metadata and controls state of where and how it was taken, before its pixels are looked at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date
from pathlib import Path

import numpy as np

from photoaz.angles import COMPASS, Angle, Array
from photoaz.errors import InputError, PhotoazError
from photoaz.estimate.inputs import LocalPhoto
from photoaz.geodesy.frames import EnuFrame
from photoaz.geodesy.norths import Declination, declination
from photoaz.naming.model import KnownPhoto
from photoaz.naming.places import spell_stamp
from photoaz.network.stands import FIX, Moment
from photoaz.photo.calibration import Calibration, camera_from_calibration
from photoaz.photo.camera import (
    Camera,
    camera_from_record,
)
from photoaz.photo.metadata import read_record
from photoaz.photo.record import PhotoRecord
from photoaz.quantities import K95, RADIUS_95, STAMPED_M
from photoaz.register.model import Control, Pick, Site


@dataclass(frozen=True, slots=True, kw_only=True)
class GatheredPhoto:
    """A photo on its way into the network. notes: what was not believed of it, and why."""

    path: Path
    record: PhotoRecord
    camera: Camera
    controls: tuple[Control, ...]
    picks: tuple[Pick, ...]
    notes: tuple[str, ...] = ()


class UnusablePhotoError(PhotoazError):
    """Why a photo cannot take part; becomes its reason."""


def open_photo(
    file: LocalPhoto,
    controls: Sequence[Control],
    picks: Sequence[Pick],
    calibration: Calibration | None,
) -> GatheredPhoto:
    """Read a photo's metadata, its camera, and what controls and picks say of it.

    Raises InputError where the file is no photo, UnusablePhotoError where nothing tells the focal length.
    """
    record = read_record(file.path) if file.record is None else file.record
    camera = camera_from_record(record) if calibration is None else camera_from_calibration(calibration, record)
    if camera is None:
        raise UnusablePhotoError("its metadata give no focal length, and no calibration was given")
    return GatheredPhoto(
        path=file.path,
        record=record,
        camera=camera,
        controls=tuple(c for c in controls if c.photo == file.name),
        picks=tuple(p for p in picks if p.photo == file.name),
    )


def day_taken(record: PhotoRecord) -> date | None:
    """The photo's day: UTC where its zone is known, else as the camera's clock had it."""
    when = None if record.taken is None else record.taken.utc or record.taken.local
    return None if when is None else when.date()


def moment_of(record: PhotoRecord) -> Moment:
    """When a photo was taken, and by which camera, as far as its metadata tell."""
    taken = record.taken
    local, utc = (None, None) if taken is None else (taken.local, taken.utc)
    more = record.provenance.subsecond_s
    made_by = [record.make, record.model, record.provenance.serial]
    return Moment(
        camera=" ".join(" ".join((text or "").split()).lower() for text in made_by).strip(),
        local_s=None if local is None else local.replace(tzinfo=UTC).timestamp() + more,
        # without a clock it is the satellites' own time, to which no part of the clock's second belongs
        utc_s=None if utc is None else utc.timestamp() + (more if local is not None else 0.0),
    )


def declination_at(record: PhotoRecord, site: Site) -> Declination | None:
    """Declination at the site on the photo's day; None where it has no date or lies outside the models' years."""
    day = day_taken(record)
    if day is None:
        return None
    try:
        return declination(site.lat_deg, site.lon_deg, 0.0, day)
    except InputError:
        return None


def _controlled(photo: GatheredPhoto, kind: str) -> tuple[Control, ...]:
    return tuple(c for c in photo.controls if c.kind == kind)


def standpoints_of(photo: GatheredPhoto, frame: EnuFrame) -> tuple[tuple[Array, float, str], ...]:
    """Statements of where the camera stood, the best first: (east, north) [m], sigma per axis [m], source."""
    out: list[tuple[Array, float, str]] = []
    for c in _controlled(photo, "standpoint"):
        if c.lat_deg is not None and c.lon_deg is not None:
            out.append((frame.enu_from_geodetic(c.lat_deg, c.lon_deg)[:2], c.u95 / RADIUS_95, "standpoint control"))
    p = photo.record.position
    if p is not None:
        out.append((frame.enu_from_geodetic(p.lat_deg, p.lon_deg)[:2], p.sigma_m, FIX))
    return tuple(sorted(out, key=lambda s: s[1]))


def without_stamps(photo: GatheredPhoto, frame: EnuFrame, axes: Sequence[tuple[float, float]]) -> GatheredPhoto:
    """The photo without a position or standpoint controls that are the register's own coordinates, and a note of it.

    Many archives stamp a site's coordinates on every photo: no camera stands within STAMPED_M of an axis. axes: of the
    site and its neighbours, east and north [m].
    """
    notes = list(photo.notes)

    def stamped(lat_deg: float, lon_deg: float) -> float | None:
        at = frame.enu_from_geodetic(lat_deg, lon_deg)[:2]
        away = min(float(np.hypot(*(at - axis))) for axis in axes)
        return away if away < STAMPED_M else None

    record, p = photo.record, photo.record.position
    if p is not None and (away := stamped(p.lat_deg, p.lon_deg)) is not None:
        record = replace(record, position=None)
        notes.append(spell_stamp(away))
    controls = []
    for c in photo.controls:
        if c.kind == "standpoint" and c.lat_deg is not None and c.lon_deg is not None:
            away = stamped(c.lat_deg, c.lon_deg)
            if away is not None:
                notes.append(
                    f"a standpoint control {away:.1f} m from the tower's axis is not used: no camera stands there"
                )
                continue
        controls.append(c)
    return replace(photo, record=record, controls=tuple(controls), notes=tuple(dict.fromkeys(notes)))


def _tilts(photo: GatheredPhoto) -> tuple[tuple[Angle, ...], tuple[Angle, ...]]:
    """Statements about pitch and roll, controls first."""
    out: list[tuple[Angle, ...]] = []
    for kind, measured in (("pitch", photo.record.pitch_deg), ("roll", photo.record.roll_deg)):
        angles = [
            Angle(
                value_rad=float(np.radians(c.value_deg)),
                sigma_rad=float(np.radians(c.u95 / K95)),
                source=f"{kind} control",
                label=f"{kind} control",
            )
            for c in _controlled(photo, kind)
            if c.value_deg is not None
        ]
        if measured is not None:
            angles.append(
                Angle(
                    value_rad=float(np.radians(measured.value)),
                    sigma_rad=float(np.radians(measured.sigma)),
                    source=f"camera {kind}",
                    label=f"camera {kind} ({measured.source})",
                )
            )
        out.append(tuple(angles))
    return out[0], out[1]


def _headings(photo: GatheredPhoto, north: Declination | None) -> tuple[Angle, ...]:
    """Statements about the heading from true north, controls first."""
    out = [
        Angle(
            value_rad=float(np.radians(c.azimuth_true_deg)),
            sigma_rad=float(np.radians(c.u95 / K95)),
            source="heading control",
            label="heading control",
        )
        for c in _controlled(photo, "heading")
        if c.azimuth_true_deg is not None
    ]
    h = photo.record.heading
    if h is not None:
        value, sigma, common = h.value_deg, h.sigma_deg, 0.0
        if h.north == "magnetic":
            if north is not None:
                value, common = value + north.value_deg, north.sigma_deg
            else:
                sigma = float(np.hypot(sigma, 10.0))  # declination not known: most of the inhabited earth is within
        elif h.north != "true" and north is not None:
            # either reading is possible: their middle, with half their difference in the sigma
            value, sigma = value + north.value_deg / 2, float(np.hypot(sigma, north.value_deg / 2))
            common = north.sigma_deg / 2
        out.append(
            Angle(
                value_rad=float(np.radians(value)),
                sigma_rad=float(np.radians(sigma)),
                source=COMPASS,
                label="compass",
                declination_sigma_rad=float(np.radians(common)),
                placeholder_share=h.placeholder_share,
            )
        )
    return tuple(out)


def _altitude_over(record: PhotoRecord, ground_m: float | None) -> tuple[float, float] | None:
    """The camera's GNSS altitude over the ground at the tower's base, and its sigma [m]; None where one is unknown."""
    altitude = record.altitude_m
    return None if altitude is None or ground_m is None else (altitude.value - ground_m, altitude.sigma)


def known_photo_of(
    name: str, photo: GatheredPhoto, frame: EnuFrame, north: Declination | None, ground_m: float | None
) -> KnownPhoto:
    """What finding and naming need to know of a photo before its pixels are looked at.

    ground_m: of the tower's base over the sea, None where the register is silent.
    """
    standpoints = standpoints_of(photo, frame)
    pitches, rolls = _tilts(photo)
    return KnownPhoto(
        name=name,
        camera=photo.camera,
        standpoint=(standpoints[0][0], standpoints[0][1]) if standpoints else None,
        altitude=_altitude_over(photo.record, ground_m),
        pitches=pitches,
        rolls=rolls,
        headings=_headings(photo, north),
        picks=photo.picks,
    )
