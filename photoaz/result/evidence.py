"""What the photos show of antennas, and what to bring next."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

View = Literal["face", "oblique", "profile", "rear"]
Pair = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetShare:
    """One source's part of an azimuth's variance: share in [0, 1] (they sum to 1), u95_deg of that source alone."""

    source: str
    share: float
    u95_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """An azimuth that the evidence allows, its U95 if it is the true one, and how probable that is."""

    azimuth_true_deg: float
    u95_deg: float
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WithoutView:
    """All azimuths that are possible without one photo's outline: by the other photos, and with what is known."""

    photo: str
    distribution: tuple[Alternative, ...]
    distribution_known: tuple[Alternative, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceView:
    """How one photo shows one antenna, after the fit.

    corners_px: the front face's corners of the ideal box, (x, y) pixels of the image as shown, in the order upper left,
    upper right, lower right, lower left as seen by somebody looking at the front. outline_px: the fitted outline, a
    closed polygon. inner_px: the visible inner edges, each a pair of points. width_px: across the box as seen.
    yaw_deg: the face's normal off the line of sight in plan, clockwise seen from above positive (0 = face-on).
    quality: fraction of the outline that found its edge, [0, 1]. from_pick: a person said which antenna it is;
    name_probability: of its being this antenna where the pattern of all panels said so. p_right: probability that the
    outline is the antenna's own, by all photos of the site; p_right_alone: by this one's fit alone.
    """

    photo: str
    view: View
    corners_px: tuple[Pair, ...]
    width_px: float
    yaw_deg: float
    quality: float
    outline_px: tuple[Pair, ...] = ()
    inner_px: tuple[tuple[Pair, Pair], ...] = ()
    from_pick: bool = False
    name_probability: float | None = None
    p_right: float | None = None
    p_right_alone: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MissingView:
    """A photo in which an antenna was not seen: why, and where it was looked for.

    status: 'not_visible' where it cannot show there, 'not_found' where it should. pixel, radius_px, size_px (width,
    height): where its middle was expected, how far off that may be, and how large; None where nothing told.
    """

    photo: str
    status: Literal["not_found", "not_visible"]
    reason: str
    pixel: Pair | None = None
    radius_px: float | None = None
    size_px: Pair | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedPanel:
    """A panel found in a photo: its outline's corners (8 pairs), what it was taken for and why.

    antenna_id: None where it is none of the register's, or nobody can tell which.
    """

    corners_px: tuple[Pair, ...]
    probability: float
    front: bool
    antenna_id: str | None
    name_probability: float | None
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AroundView:
    """A photo laid over the map of what stands round.

    state: 'matched' where its heading was told by the map; 'unsure' where that is not sure enough; 'sky_alone' where it
    shows none of what the map has. probability: that the heading told is right, by all that is known of the site;
    heading_true_deg, u95_deg: by the map, with the standpoint as it was known; None where it tells none. seen_deg:
    width of the frame in which a border of the sky is seen. buildings: how many different ones are seen by their
    edges. matched_px: pieces of the map's skyline that the photo shows as they are; unmatched_px: those that it shows
    otherwise; lacking_px: pieces of the border of the sky that the map lacks; corners_px: upright edges of buildings,
    foot and top, which were found. Polylines in pixels of the image as shown.
    """

    state: Literal["matched", "unsure", "sky_alone"]
    probability: float | None = None
    heading_true_deg: float | None = None
    u95_deg: float | None = None
    seen_deg: float = 0.0
    buildings: float = 0.0
    matched_px: tuple[tuple[Pair, ...], ...] = ()
    unmatched_px: tuple[tuple[Pair, ...], ...] = ()
    lacking_px: tuple[tuple[Pair, ...], ...] = ()
    corners_px: tuple[tuple[Pair, ...], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoResult:
    """One photo's part in the adjustment: its attitude and standpoint after it (None where rejected).

    taken: the day of the photo, UTC where its zone is known, else as the camera's clock had it. panels: what was found
    in it; window_px: the part of the frame (x0, y0, x1, y1) that was looked at. overlay: path of the picture that shows
    it, below an audit's folder of results. p_compass_disturbed: probability that its compass was disturbed, None
    without one. surroundings: how it lies over a map, None where none was given.
    """

    photo: str
    status: Literal["used", "rejected"]
    reason: str | None = None
    heading_true_deg: float | None = None
    heading_u95_deg: float | None = None
    pitch_deg: float | None = None
    roll_deg: float | None = None
    lat_deg: float | None = None
    lon_deg: float | None = None
    taken: date | None = None
    flags: tuple[str, ...] = ()
    window_px: tuple[float, float, float, float] | None = None
    panels: tuple[NamedPanel, ...] = ()
    overlay: str | None = None
    p_compass_disturbed: float | None = None
    surroundings: AroundView | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceOption:
    """One kind of further evidence, and the U95 that the network forecasts with it.

    bring: what, in words. photo: the one it is to be found in, where it is one of those there. needs_trip: somebody
    must go to the site for it. distance_m, bearing_deg: of a photo to come, from the tower, where to stand.
    """

    kind: str
    bring: str
    photo: str | None
    needs_trip: bool
    u95_then_deg: float
    distance_m: float | None = None
    bearing_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NextEvidence:
    """What limits a figure and what to bring next, by the network's own forecast.

    limit: the budget's largest source. bring, kind, photo, needs_trip, u95_then_deg: as of `EvidenceOption`, of what
    helps most for the least trouble; None where nothing would help noticeably. options: the best of each kind.
    For a site, u95_now_deg and u95_then_deg are medians over its antennas.
    """

    limit: str
    u95_now_deg: float
    sentence: str
    bring: str | None = None
    kind: str | None = None
    photo: str | None = None
    needs_trip: bool | None = None
    u95_then_deg: float | None = None
    options: tuple[EvidenceOption, ...] = ()
