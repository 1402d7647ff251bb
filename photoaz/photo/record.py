"""What a photo's metadata says, what it lacks, and how far each value can be trusted."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal

North = Literal["true", "magnetic", "grid", "unknown"]
Severity = Literal["info", "weak", "unusable"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A value with one standard uncertainty and the place it came from. Unit as the field's name says."""

    value: float
    sigma: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GeoPosition:
    """Where the camera stood, WGS84.

    sigma_m is one standard uncertainty in each horizontal direction.
    """

    lat_deg: float
    lon_deg: float
    sigma_m: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CompassHeading:
    """Direction of the optical axis as the phone's compass gave it, clockwise from `north`, [0, 360).

    sigma_deg: one standard uncertainty where the compass was read; placeholder_share: probability that it was not.
    """

    value_deg: float
    north: North
    sigma_deg: float
    source: str
    placeholder_share: float = 0.0

    @property
    def spread_deg(self) -> float:
        """One standard deviation of its error, read or not: what nobody read is uniform."""
        p = self.placeholder_share
        return float(((1.0 - p) * self.sigma_deg**2 + p * 180.0**2 / 3.0) ** 0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenAt:
    """When the photo was taken. utc is None where the zone is unknown; sigma_s one standard uncertainty, seconds."""

    local: datetime | None
    utc: datetime | None
    sigma_s: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Focal:
    """Focal length in pixels of the image as shown.

    relative_sigma is one standard uncertainty divided by the value. `alternatives` lists other readings of the same
    tags that cannot be excluded, in pixels, with what they assume.
    """

    f_px: float
    relative_sigma: float
    source: str
    alternatives: tuple[tuple[float, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something a reader of the photo should know.

    code is stable (kebab-case); severity 'info', 'weak' (costs accuracy) or 'unusable' (the value is not used);
    cost_deg is what it costs the azimuth, one standard uncertainty in degrees, where that can be said.
    """

    code: str
    severity: Severity
    tag: str
    message: str
    cost_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Provenance:
    """What the file says of how it came to be, as it says it: times are the camera's own clock, without a zone.

    original: shutter released; digitized; modified: file last changed; gps_utc: of the satellite fix. zone_s: the
    stated zone of `original`, seconds east of UTC. subsecond_s: to be added to `original`. noted_px: width and height
    as the camera noted them, turned as shown. exif_version: four digits, '0232' for 2.32. serial: of the camera's body.
    tools: programs that the XMP packet names. tags: how many tags were read, a measure of how much was kept.
    """

    original: datetime | None = None
    digitized: datetime | None = None
    modified: datetime | None = None
    gps_utc: datetime | None = None
    zone_s: float | None = None
    subsecond_s: float = 0.0
    exposure_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    flash_fired: bool | None = None
    noted_px: tuple[int, int] | None = None
    exif_version: str | None = None
    serial: str | None = None
    tools: tuple[str, ...] = ()
    tags: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoRecord:
    """One photo's metadata after checking. None = not there, or there and not usable (then a finding says why).

    width_px, height_px are those of the image as shown (after `orientation`, the Exif value 1 to 8).
    pitch_deg: optical axis above the horizon; roll_deg: camera turned clockwise about its axis (seen from behind it).
    altitude_m is as the file gives it, datum not known better than some tens of metres.
    principal_shift_px: how far from the picture's middle the optical axis may lie because it was cropped, one standard
    uncertainty in each direction (0 where it was not).
    """

    path: Path
    format: str
    width_px: int
    height_px: int
    orientation: int
    make: str | None = None
    model: str | None = None
    software: str | None = None
    position: GeoPosition | None = None
    altitude_m: Measured | None = None
    heading: CompassHeading | None = None
    pitch_deg: Measured | None = None
    roll_deg: Measured | None = None
    taken: TakenAt | None = None
    focal: Focal | None = None
    cropped: bool = False
    principal_shift_px: float = 0.0
    findings: tuple[Finding, ...] = ()
    provenance: Provenance = Provenance()

    @property
    def name(self) -> str:
        return self.path.name
