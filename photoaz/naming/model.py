"""What the matching is told and what it answers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from numpy.typing import NDArray

from photoaz.photo.camera import Camera
from photoaz.vision.finder import PanelCandidate

Array = NDArray[Any]

Facing = Literal["front", "rear", "profile"]
SightStatus = Literal["assigned", "not_found", "not_visible"]


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownAntenna:
    """An antenna as the register has it.

    design_rad: design azimuth from true north; a weak prior only. sector, position: as in the register, None where it
    is silent; position counts clockwise seen from above. up_m, up_sigma_m: height of its centre above the ground.
    east_north_m (2,): offset of its centre from the tower's axis where the register gives it, with offset_sigma_m.
    ln_size (3,), ln_size_sigma (3,): ln of width, height, depth [m].
    """

    name: str
    design_rad: float
    up_m: float
    ln_size: Array
    ln_size_sigma: Array
    up_sigma_m: float = 0.3
    sector: str | None = None
    position: int | None = None
    east_north_m: Array | None = None
    offset_sigma_m: float = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadingStatement:
    """Somebody's or something's word on where the optical axis points, from true north.

    compass: it may be disturbed by any amount, and is then no word at all.
    """

    value_rad: float
    sigma_rad: float
    compass: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoView:
    """A photo with the panels found in it.

    east_north_m (2,), east_north_sigma_m: where the camera stood, in the frame of the tower's base; None where nobody
    knows. up_m: height of the camera above that base. pitch_rad, pitch_sigma_rad: None where nothing tells the pitch;
    it is then taken from where the panels lie in the frame. named: candidates that a person has named already, by their
    index; that word is final.
    """

    name: str
    camera: Camera
    candidates: tuple[PanelCandidate, ...]
    east_north_m: Array | None = None
    east_north_sigma_m: float = 5.0
    up_m: float = 1.5
    up_sigma_m: float = 1.5
    pitch_rad: float | None = None
    pitch_sigma_rad: float = 0.05
    roll_rad: float = 0.0
    headings: tuple[HeadingStatement, ...] = ()
    named: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class NameChance:
    """A name that a candidate may have (None: it is no antenna of the register), with its probability."""

    antenna: str | None
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """What one candidate is.

    antenna: the likeliest name, None for none of the register's. alternatives: the others worth mentioning, likeliest
    first. ambiguous: the likeliest is not sure enough to be used as if it were known.
    """

    candidate: int
    antenna: str | None
    probability: float
    ambiguous: bool
    alternatives: tuple[NameChance, ...]
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """One antenna in one photo.

    status: 'assigned' to a candidate; 'not_found': it should show where it was looked for; 'not_visible': out of the
    frame, hidden, or turning its back. pixel: where its centre is expected, None behind the camera or where nothing
    tells the heading; radius_px: within what distance of it that is meant. size_px: width and height expected of the
    body as seen. facing: which side it is expected to show. reason: in words.
    """

    antenna: str
    status: SightStatus
    candidate: int | None
    pixel: tuple[float, float] | None
    radius_px: float
    size_px: tuple[float, float]
    facing: Facing
    in_frame: bool
    hidden_by: tuple[str, ...]
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Mode:
    """One way of reading a photo's pattern: heading [rad], its spread [rad], probability."""

    heading_rad: float
    sigma_rad: float
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoAssignment:
    """All of one photo. matches: one for each candidate, in their order; sights: one for each antenna, in theirs.

    heading_rad, heading_sigma_rad: as the likeliest reading has it; headings: all readings worth mentioning, the
    likeliest first. pitch_rad: of the optical axis, rough. distance_m: level, to the tower, with ln_distance_sigma.
    """

    photo: str
    matches: tuple[Match, ...]
    sights: tuple[Sight, ...]
    heading_rad: float | None
    heading_sigma_rad: float
    headings: tuple[Mode, ...]
    pitch_rad: float
    distance_m: float
    ln_distance_sigma: float
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AntennaFound:
    """One antenna over all photos.

    status: 'assigned' where some photo's match is sure; 'ambiguous' where there are matches and none of them is;
    'not_found' and 'not_visible' as in `Sight`. alternatives: other antennas that its candidates may be, with the
    probability in the surest of them. azimuth_rad, azimuth_sigma_rad: roughly, from the finder's yaw; None without a
    candidate.
    """

    antenna: str
    status: Literal["assigned", "ambiguous", "not_found", "not_visible"]
    photos: tuple[str, ...]
    alternatives: tuple[NameChance, ...]
    azimuth_rad: float | None
    azimuth_sigma_rad: float
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Assignment:
    """A whole site: photos and antennas in the order they came in. stand_off_m, spacing_m: of the mount, as found."""

    photos: tuple[PhotoAssignment, ...]
    antennas: tuple[AntennaFound, ...]
    stand_off_m: float
    spacing_m: float

    def photo(self, name: str) -> PhotoAssignment:
        return next(p for p in self.photos if p.photo == name)
