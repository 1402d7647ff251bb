"""What naming is told of photos and antennas, and what it answers."""

from __future__ import annotations

from dataclasses import dataclass
from math import radians
from typing import Literal

import numpy as np

from photoaz.angles import Angle, Array
from photoaz.photo.camera import Camera
from photoaz.quantities import CAMERA_HEIGHT_M, DESIGN_TOLERANCE_DEG, GROUND_SLOPE_SHARE, W_CRITICAL
from photoaz.register.model import Pick

#: how far off a camera is thought to be where nobody knows [m]
ANY_DISTANCE_M = 50.0


def camera_height(flat_m: float, altitude: tuple[float, float] | None = None) -> tuple[float, float]:
    """Height of a camera over the tower's base [m] and its sigma, before any pixel tells it.

    flat_m : how far off the tower it is held; the ground rises or falls with that. altitude : of the camera over the
    base by GNSS, and its sigma; one that contradicts all slopes that are likely is not believed.
    """
    value, sigma = CAMERA_HEIGHT_M[0], float(np.hypot(CAMERA_HEIGHT_M[1], GROUND_SLOPE_SHARE * flat_m))
    if altitude is None or abs(altitude[0] - value) > W_CRITICAL * float(np.hypot(sigma, altitude[1])):
        return value, sigma
    w1, w2 = 1.0 / sigma**2, 1.0 / altitude[1] ** 2
    return (w1 * value + w2 * altitude[0]) / (w1 + w2), float(np.sqrt(1.0 / (w1 + w2)))


@dataclass(frozen=True, slots=True, kw_only=True)
class AntennaPriors:
    """What is known of one antenna before any photo: means and standard uncertainties.

    design_rad: its design azimuth from true north; it enters no observation. tolerance_rad: of the design.
    design_known: False where the register's designs cannot all be true; nothing leans on them then.
    east_north_m (2,): offset of its centre from the tower's axis, from the register where place_known, else assumed.
    own: False of a neighbouring site's, whose axis stands at axis_m from this one's, east and north, known to
    axis_sigma_m per axis.
    up_m: height of its centre above the ground. ln_size (3,), ln_size_sigma (3,): ln of width, height, depth [m].
    sector, position: as in the register, None where it is silent; position counts clockwise seen from above.
    """

    name: str
    design_rad: float
    east_north_m: Array
    offset_sigma_m: float
    up_m: float
    up_sigma_m: float
    ln_size: Array
    ln_size_sigma: Array
    sizes_known: bool
    downtilt_rad: float
    downtilt_sigma_rad: float
    roll_sigma_rad: float
    place_known: bool = False
    sector: str | None = None
    position: int | None = None
    tolerance_rad: float = radians(DESIGN_TOLERANCE_DEG)
    design_known: bool = True
    axis_m: tuple[float, float] = (0.0, 0.0)
    axis_sigma_m: float = 0.0
    own: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownPhoto:
    """What is known of a photo before its pixels are looked at: all that finding and naming need.

    standpoint: east and north (2,) [m] from the tower's base, and their sigma per axis; None where nobody knows.
    altitude: height over that base by GNSS and its sigma [m], None where one of the two heights is not known.
    pitches, rolls, headings: of the optical axis, the best first; headings from true north. picks: a person's.
    """

    name: str
    camera: Camera
    standpoint: tuple[Array, float] | None = None
    altitude: tuple[float, float] | None = None
    pitches: tuple[Angle, ...] = ()
    rolls: tuple[Angle, ...] = ()
    headings: tuple[Angle, ...] = ()
    picks: tuple[Pick, ...] = ()

    @property
    def height(self) -> tuple[float, float]:
        """Height over the tower's base [m] and its sigma, as of `camera_height`."""
        flat = ANY_DISTANCE_M if self.standpoint is None else float(np.hypot(*self.standpoint[0]))
        return camera_height(flat, self.altitude)

    @property
    def roll_rad(self) -> float:
        """The best known roll; level where nothing tells it."""
        return self.rolls[0].value_rad if self.rolls else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """What one candidate is.

    candidate: its index in the photo. antenna: the likeliest name, None for none of the register's. alternatives: the
    others worth mentioning with their probabilities, likeliest first. ambiguous: the likeliest is not sure enough to be
    used as if it were known. picked: a person named it.
    """

    candidate: int
    antenna: str | None
    probability: float
    ambiguous: bool
    alternatives: tuple[tuple[str | None, float], ...]
    reasons: tuple[str, ...]
    picked: bool = False

    def chance(self, antenna: str | None) -> float:
        """Probability that it is this antenna, 0 where that is not worth mentioning; None: none of the register's."""
        return self.probability if antenna == self.antenna else dict(self.alternatives).get(antenna, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedAntenna:
    """Where one antenna is expected in one photo.

    status: 'assigned' to a candidate; 'not_found': it should show there; 'not_visible': out of the frame, hidden, or
    turning its back. pixel: of its centre, None where nothing tells it well enough; radius_px: within what distance of
    it that is meant (two sigma). size_px: width and height of the body as seen. reason: in words.
    """

    antenna: str
    status: Literal["assigned", "not_found", "not_visible"]
    pixel: tuple[float, float] | None
    radius_px: float
    size_px: tuple[float, float]
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadingChance:
    """A heading that a photo's panels suggest, with its spread, and how probable it is."""

    heading_rad: float
    sigma_rad: float
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoNaming:
    """The names in one photo.

    matches: one for each candidate, in their order; expected: one for each antenna, in theirs. headings: those worth
    mentioning, first the one that goes with the names; where nothing was found the one that is told, if any.
    """

    matches: tuple[Match, ...]
    expected: tuple[ExpectedAntenna, ...]
    headings: tuple[HeadingChance, ...]

    @property
    def heading_rad(self) -> float | None:
        """Heading that goes with the names; None where nothing tells it."""
        return self.headings[0].heading_rad if self.headings else None
