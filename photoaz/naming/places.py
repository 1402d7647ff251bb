"""Which site a photo shows: from where it was taken and where it looked, against all sites of a register at once.

Every site within reach and 'none of them' are weighed as hypotheses. A site predicts where its photographers stand (by
heights of the tower) and that the tower lies in the frame; the position and the compass are as good as they are said to
be, the compass now and then wholly wrong. A photo of no site may have been taken anywhere and look anywhere.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from photoaz import quantities as q
from photoaz.angles import Array, azimuth_deg
from photoaz.errors import InputError
from photoaz.geodesy.frames import ecef_from_geodetic, geodesic
from photoaz.naming.facing import bell
from photoaz.photo.record import PhotoRecord
from photoaz.register.model import Site
from photoaz.wording import percent_words

#: a photo is of two possible sites where the second is at least so probable beside the first
SECOND_SITE = 0.05
#: other sites less probable than this are not named
LEAST_ALTERNATIVE = 0.01
#: a chord through the earth longer than this is no distance any more [m]
CHORD_M = 20_000.0
#: any site not looked at may weigh this much of those that were, before more of them are
_UNSEEN = LEAST_ALTERNATIVE
_NEIGHBOURS = (8, 32, 128, 512)
_AT_ONCE = 20_000
Status = Literal["site", "two_sites", "no_site", "no_position"]


@dataclass(frozen=True, slots=True)
class PlaceMatch:
    """Which site a photo shows.

    site: None where it cannot be told, and then `reason` says why in words ('' where there is a site). probability: of
    the site, or of the likeliest one. alternatives: other sites with their probabilities, the likeliest first.
    nearest: the nearest site with its distance; bearing_deg: from the photo to `site`, or else to the nearest. flags:
    contradictions, in words.
    """

    site: str | None
    status: Status
    reason: str = ""
    probability: float = 0.0
    alternatives: tuple[tuple[str, float], ...] = ()
    nearest: str | None = None
    distance_m: float | None = None
    bearing_deg: float | None = None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoPlaces:
    """Where n photos were taken and looked, each field (n,); NaN where it is not known.

    sigma_m: of the position, one standard uncertainty in each direction. heading_deg: of the optical axis from true
    north. field_deg: horizontal field of view.
    """

    lat_deg: Array
    lon_deg: Array
    sigma_m: Array
    heading_deg: Array
    heading_sigma_deg: Array
    field_deg: Array

    def __post_init__(self) -> None:
        n = len(self.lat_deg)
        for name in ("lon_deg", "sigma_m", "heading_deg", "heading_sigma_deg", "field_deg"):
            if np.shape(getattr(self, name)) != (n,):
                raise ValueError(f"{name} must hold {n} numbers, as lat_deg does")

    def __len__(self) -> int:
        return len(self.lat_deg)


class SiteIndex:
    """Sites by place, for `match_places`."""

    def __init__(
        self,
        site_ids: Sequence[str],
        lat_deg: ArrayLike,
        lon_deg: ArrayLike,
        position_u95_m: ArrayLike,
        head_height_m: ArrayLike,
    ) -> None:
        """Each (n,). head_height_m: of the antennas above the ground; NaN where it is not known.

        Raises ValueError where lengths differ, an id comes twice, or a place is none on earth.
        """
        from scipy.spatial import cKDTree

        self.site_ids = tuple(site_ids)
        n = len(self.site_ids)
        if len(set(self.site_ids)) != n:
            raise ValueError("a site's id comes twice")
        columns = [np.asarray(c, float) for c in (lat_deg, lon_deg, position_u95_m, head_height_m)]
        if any(c.shape != (n,) for c in columns):
            raise ValueError(f"latitudes, longitudes, uncertainties and heights must be {n} each, as many as sites")
        self.lat_deg, self.lon_deg, u95, height = columns
        if not (np.all(np.abs(self.lat_deg) <= 90.0) and np.all(np.isfinite(self.lon_deg))):
            raise ValueError("a site's latitude is outside -90 to 90, or its longitude is no number")
        self.sigma_m = np.nan_to_num(u95, nan=q.SITE_POSITION_U95_M) / q.RADIUS_95
        known = height[np.isfinite(height) & (height > 0.0)]
        usual = float(np.median(known)) if len(known) else 30.0
        # of roof-top sites the height counts from the street; nobody stands within two metres of anything
        self.height_m = np.where(np.isfinite(height) & (height > 0.0), np.maximum(height, 4.0), usual)
        self.xyz_m = ecef_from_geodetic(self.lat_deg, self.lon_deg, 0.0).reshape(n, 3)
        self.tree = cKDTree(self.xyz_m) if n else None
        self._number = {site: k for k, site in enumerate(self.site_ids)}

    def __len__(self) -> int:
        return len(self.site_ids)

    def number(self, site_id: str) -> int | None:
        """Place of a site in the arrays."""
        return self._number.get(site_id)


def site_index(sites: Sequence[Site]) -> SiteIndex:
    """Sites by place; the head's height is the mean of the antennas'."""
    heights = [float(np.mean([a.rad_center_m for a in s.antennas])) if s.antennas else math.nan for s in sites]
    return SiteIndex(
        [s.site_id for s in sites],
        [s.lat_deg for s in sites],
        [s.lon_deg for s in sites],
        [s.position_u95_m for s in sites],
        heights,
    )


# ---- likelihoods -----------------------------------------------------------------------------------------------------


def standing_density(distance: ArrayLike) -> Array:
    """Photographers per unit of area at a distance, both in heights of the tower; over the plane 1.

    distance (...), as the result.
    """
    r = np.maximum(np.asarray(distance, float), 1e-9)
    middle = 0.5 * (math.log(q.NEAREST_HEIGHTS) + math.log(q.USUAL_HEIGHTS))
    spread = (math.log(q.USUAL_HEIGHTS) - math.log(q.NEAREST_HEIGHTS)) / (2.0 * q.K95)
    usual = np.exp(-0.5 * ((np.log(r) - middle) / spread) ** 2) / (r * spread * math.sqrt(2.0 * math.pi))
    # no hard end: a table of logarithms could not follow one
    fading = 1.0 / (1.0 + (r / q.FARTHEST_HEIGHTS) ** 8)
    far = (r >= q.NEAREST_HEIGHTS) * fading / (r * math.log(q.FARTHEST_HEIGHTS / q.NEAREST_HEIGHTS))
    return np.asarray(((1.0 - q.FAR_SHARE) * usual + q.FAR_SHARE * far) / (2.0 * math.pi * r))


_LN_DISTANCE = np.linspace(math.log(0.02), math.log(400.0), 120)
_LN_SIGMA = np.linspace(math.log(0.005), math.log(200.0), 96)


@functools.cache
def _blurred() -> Array:
    """ln of `standing_density` as seen through a position's error: (sigmas, distances), both in heights.

    The observed place is the true one plus a circular normal error, so the density at an observed distance d is the
    integral over true distances r of p(r) Rice(d; r, sigma) / (2 pi d), with Rice's distribution (1945, Bell System
    Technical Journal 24, 46-156) through the scaled Bessel function, and p(r) = 2 pi r standing_density(r). The grid of
    r is finer than the error everywhere.
    """
    from scipy.special import i0e

    out = np.empty((len(_LN_SIGMA), len(_LN_DISTANCE)))
    d = np.exp(_LN_DISTANCE)[:, None]
    for k, sigma in enumerate(np.exp(_LN_SIGMA)):
        # even steps near d where the error is small, even steps of ln r where it is large
        near = np.maximum(d + sigma * np.linspace(-7.0, 7.0, 201), 1e-6)
        wide = np.exp(np.linspace(math.log(1e-3), math.log(4.0 * q.FARTHEST_HEIGHTS), 500))[None, :]
        r = np.broadcast_to(wide, (len(d), wide.shape[1])) if sigma > 3.0 else near
        step = np.gradient(r, axis=1)
        kernel = np.exp(-0.5 * ((d - r) / sigma) ** 2) * i0e(d * r / sigma**2) / (2.0 * math.pi * sigma**2)
        out[k] = (2.0 * math.pi * r * standing_density(r) * kernel * step).sum(1)
    return np.asarray(np.log(np.maximum(out, 1e-300)))


@functools.cache
def _most_beyond() -> Array:
    """As `_blurred`, but the most at this or any larger distance."""
    return np.asarray(np.maximum.accumulate(_blurred()[:, ::-1], axis=1)[:, ::-1])


def _looked_up(table: Array, distance: Array, sigma: Array) -> Array:
    """Linear in the logarithms; both arguments in heights, of one shape."""
    from scipy.ndimage import map_coordinates

    x = (np.log(np.maximum(distance, 1e-9)) - _LN_DISTANCE[0]) / (_LN_DISTANCE[1] - _LN_DISTANCE[0])
    y = (np.log(np.maximum(sigma, 1e-9)) - _LN_SIGMA[0]) / (_LN_SIGMA[1] - _LN_SIGMA[0])
    return np.asarray(map_coordinates(table, [y, x], order=1, mode="nearest"))


def _ln_heading(off_rad: Array, sigma_rad: Array, aim_rad: Array) -> Array:
    """ln of the density of a compass's error `off`, over that of a heading that may be anything.

    sigma_rad: what it is good for, with the standpoint's error; aim_rad: of the tower in the frame.
    """
    whole = np.full_like(off_rad, q.COMPASS_NONSENSE_SHARE)
    good = 1.0 - q.COMPASS_DISTURBED_SHARE - q.COMPASS_NONSENSE_SHARE
    for share, own in ((good, 0.0), (q.COMPASS_DISTURBED_SHARE, q.COMPASS_DISTURBED_RAD)):
        # beyond this the wrapped distribution is flat to a few per cent
        whole += share * bell(off_rad, np.minimum(np.sqrt(sigma_rad**2 + aim_rad**2 + own**2), 2.5))
    return np.asarray(np.log(whole))


# ---- matching --------------------------------------------------------------------------------------------------------


def match_places(index: SiteIndex, photos: PhotoPlaces) -> list[PlaceMatch]:
    """The site that each photo shows, or why it cannot be told; in the order of the photos.

    All sites count alike before anything is known. Their number within reach does not matter to 'none': that has the
    weight of NO_SITE_SHARE, spread evenly over a circle of REACH_M.
    """
    out: list[PlaceMatch] = []
    for start in range(0, len(photos), _AT_ONCE):
        part = slice(start, start + _AT_ONCE)
        out += _match(index, PhotoPlaces(**{f: getattr(photos, f)[part] for f in PhotoPlaces.__slots__}))
    return out


@dataclass(frozen=True, slots=True)
class _Weighed:
    """Of some photos (n,) and their k nearest sites, by distance: which (n, k), how far, whither, ln of weight."""

    site: Array
    distance_m: Array
    bearing_rad: Array
    ln_weight: Array
    most_unseen: Array


def _match(index: SiteIndex, photos: PhotoPlaces) -> list[PlaceMatch]:
    lat, lon = np.asarray(photos.lat_deg, float), np.asarray(photos.lon_deg, float)
    known = np.flatnonzero((np.abs(lat) <= 90.0) & np.isfinite(lon))
    out: list[PlaceMatch] = [_NO_POSITION] * len(photos)
    if not len(known):
        return out
    if not len(index):
        for p in known:
            out[p] = PlaceMatch(site=None, status="no_site", reason="the register holds no site")
        return out
    left = known
    for k in _NEIGHBOURS:
        k = min(k, len(index))
        weighed = _weigh(index, photos, left, k)
        total = np.logaddexp(np.logaddexp.reduce(weighed.ln_weight, axis=1), _LN_NONE)
        done = (weighed.most_unseen < total + math.log(_UNSEEN)) | (k in (len(index), _NEIGHBOURS[-1]))
        _conclude(index, photos, left, weighed, total, done, out)
        left = left[~done]
        if not len(left):
            break
    return out


_LN_NONE = math.log(q.NO_SITE_SHARE / (1.0 - q.NO_SITE_SHARE) / (math.pi * q.REACH_M**2))
_LN_STAMPED = math.log(q.STAMPED_SHARE / (math.pi * q.STAMPED_M**2))
_NO_POSITION = PlaceMatch(site=None, status="no_position", reason="the photo does not say where it was taken")


def _weigh(index: SiteIndex, photos: PhotoPlaces, which: Array, k: int) -> _Weighed:
    lat, lon = np.radians(photos.lat_deg[which]), np.radians(photos.lon_deg[which])
    here = ecef_from_geodetic(photos.lat_deg[which], photos.lon_deg[which], 0.0)
    assert index.tree is not None
    # two: the machine may have more, but the audit's workers want them too
    _, site = index.tree.query(here, k=k, workers=2)
    site = site.reshape(len(which), k)
    off = index.xyz_m[site] - here[:, None, :]
    sp, cp, sl, cl = np.sin(lat)[:, None], np.cos(lat)[:, None], np.sin(lon)[:, None], np.cos(lon)[:, None]
    east = cl * off[..., 1] - sl * off[..., 0]
    outward = cl * off[..., 0] + sl * off[..., 1]
    north = cp * off[..., 2] - sp * outward
    distance = np.hypot(east, north)
    bearing = np.arctan2(east, north)
    own = np.nan_to_num(np.asarray(photos.sigma_m[which], float), nan=q.POSITION_SIGMA_M, posinf=1e5).clip(0.5, 1e5)
    sigma = np.hypot(own[:, None], index.sigma_m[site])
    height = index.height_m[site]
    ln = _looked_up(_blurred(), distance / height, sigma / height) - 2.0 * np.log(height)
    reach = q.REACH_M + 3.0 * sigma
    ln = np.where(distance <= reach, ln, -np.inf)

    heading = np.radians(np.asarray(photos.heading_deg[which], float))
    looks = np.flatnonzero(np.isfinite(heading))
    best_look = np.zeros(len(which))
    if len(looks):
        wide = np.nan_to_num(np.asarray(photos.field_deg[which], float), nan=q.USUAL_FIELD_DEG).clip(1.0, 180.0)
        aim = np.radians(q.AIM_SHARE * wide[looks])[:, None]
        good = np.nan_to_num(np.asarray(photos.heading_sigma_deg[which], float), nan=q.HEADING_SIGMA_DEG)
        compass = np.radians(good[looks].clip(0.1, 180.0))[:, None]
        stand = sigma[looks] / np.maximum(distance[looks], 1e-3)
        error = bearing[looks] - heading[looks, None]
        ln[looks] += _ln_heading(error, np.hypot(compass, stand), aim)
        best_look[looks] = _ln_heading(np.zeros_like(compass), compass, aim)[:, 0]
    # stamped with a site's coordinates a photo is of that site, wherever it was taken and looked
    ln = np.where(distance < q.STAMPED_M, np.logaddexp(ln, _LN_STAMPED), ln)
    last = distance[:, -1]
    heights = np.unique(np.geomspace(float(index.height_m.min()), float(index.height_m.max()), 6))
    most = np.max([_looked_up(_most_beyond(), last / h, own / h) - 2.0 * math.log(h) for h in heights], axis=0)
    unseen = np.where(last > reach[:, -1] + 3.0 * float(index.sigma_m.max()), -np.inf, most + best_look)
    return _Weighed(site, distance, bearing, ln, unseen)


def _conclude(
    index: SiteIndex,
    photos: PhotoPlaces,
    which: Array,
    weighed: _Weighed,
    total: Array,
    done: Array,
    out: list[PlaceMatch],
) -> None:
    """Write the matches of the photos that are done; which: the numbers of all of them in `out`."""
    chance = np.exp(weighed.ln_weight - total[:, None])
    order = np.argsort(-chance, axis=1, kind="stable")
    ranked = np.take_along_axis(chance, order, 1)
    first, nearest, rows = order[:, 0], weighed.distance_m.argmin(1), np.arange(len(which))
    p1 = ranked[:, 0]
    p2 = ranked[:, 1] if chance.shape[1] > 1 else np.zeros(len(which))
    no_site = (np.exp(_LN_NONE - total) >= 0.5) | (p1 == 0.0)
    two = ~no_site & (p2 / np.maximum(p1 + p2, 1e-300) >= SECOND_SITE)
    # plain lists: taking numbers out of arrays one at a time costs more than all that is above
    near_id = [index.site_ids[s] for s in weighed.site[rows, nearest].tolist()]
    near_m = weighed.distance_m[rows, nearest].tolist()
    first_id = [index.site_ids[s] for s in weighed.site[rows, first].tolist()]
    toward = azimuth_deg(np.degrees(weighed.bearing_rad[rows, np.where(no_site, nearest, first)])).tolist()
    numbers, busy = which.tolist(), (p2 >= LEAST_ALTERNATIVE).tolist()
    for r, (ready, lost, torn, best) in enumerate(
        zip(done.tolist(), no_site.tolist(), two.tolist(), p1.tolist(), strict=True)
    ):
        if not ready:
            continue
        others = _alternatives(index, weighed.site[r, order[r, 1:8]], ranked[r, 1:8]) if busy[r] else ()
        far_m, far_deg = near_m[r], toward[r]
        site: str | None = first_id[r]
        status: Status = "site"
        reason = ""
        if lost:
            if far_m > CHORD_M:
                p, s = numbers[r], int(weighed.site[r, nearest[r]])
                far_deg, _, far_m = geodesic(photos.lat_deg[p], photos.lon_deg[p], index.lat_deg[s], index.lon_deg[s])
            site, status, others = None, "no_site", ((first_id[r], best), *others) if best >= LEAST_ALTERNATIVE else ()
            reason = _no_site(near_id[r], far_m, far_deg, first_id[r], best, float(weighed.distance_m[r, first[r]]))
        elif torn:
            site, status, others = None, "two_sites", ((first_id[r], best), *others)
            reason = _two_sites(index, weighed, r, int(first[r]), int(order[r, 1]), best, float(p2[r]))
        out[numbers[r]] = PlaceMatch(site, status, reason, best, others, near_id[r], far_m, far_deg)


def _alternatives(index: SiteIndex, sites: Array, chances: Array) -> tuple[tuple[str, float], ...]:
    return tuple(
        (index.site_ids[s], p) for s, p in zip(sites.tolist(), chances.tolist(), strict=True) if p >= LEAST_ALTERNATIVE
    )


def _no_site(near: str, near_m: float, near_deg: float, first: str, p: float, first_m: float) -> str:
    quarters = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
    where = f"the nearest, {near}, is {spell_distance(near_m)} to the {quarters[round(near_deg / 45.0) % 8]}"
    if near_m > q.REACH_M:
        return f"no site within {q.REACH_M / 1000:.0f} km of where it was taken: {where}"
    if first == near:
        return f"it seems to show no site: {where}, too far off or not where it looks ({percent_words(p)} likely)"
    return (
        f"it seems to show no site: {where}; the likeliest, {first}, is {spell_distance(first_m)} away "
        f"({percent_words(p)} likely)"
    )


def _two_sites(index: SiteIndex, weighed: _Weighed, r: int, a: int, b: int, p1: float, p2: float) -> str:
    s, t = int(weighed.site[r, a]), int(weighed.site[r, b])
    apart = float(np.linalg.norm(index.xyz_m[s] - index.xyz_m[t]))
    one, other = index.site_ids[s], index.site_ids[t]
    said = f"it may show {one} ({percent_words(p1)}) or {other} ({percent_words(p2)})"
    if apart < 2.0 * q.RADIUS_95 * max(float(index.sigma_m[s]), float(index.sigma_m[t])):
        return f"{said}, which stand at one place"
    return (
        f"{said}, {spell_distance(float(weighed.distance_m[r, a]))} and "
        f"{spell_distance(float(weighed.distance_m[r, b]))} away"
    )


def spell_stamp(away_m: float) -> str:
    """What is said of a photo whose position is the register's own."""
    return (
        f"its position is that of the site in the register ({away_m:.1f} m off): a stamp, not where the camera stood; "
        "used without a position"
    )


def spell_distance(metres: float) -> str:
    """'85 m', '1.2 km', '340 km'."""
    if metres < 995.0:
        return f"{metres:.0f} m"
    return f"{metres / 1000:.1f} km" if metres < 99_500.0 else f"{metres / 1000:.0f} km"


# ---- from records ----------------------------------------------------------------------------------------------------


def places_of(records: Sequence[PhotoRecord | None]) -> PhotoPlaces:
    """Where photos were taken and looked, by their metadata; all unknown where there is no record.

    A magnetic heading is turned to true north by the declination of its tenth of a degree and year; where the
    metadata does not say which north it counts from, the declination widens it instead.
    """
    rows = [_place_of(record) for record in records]
    columns = np.array(rows, float).reshape(len(rows), 6).T
    return PhotoPlaces(**dict(zip(PhotoPlaces.__slots__, columns, strict=True)))


def _place_of(record: PhotoRecord | None) -> tuple[float, float, float, float, float, float]:
    nothing = math.nan
    if record is None or record.position is None:
        return (nothing,) * 6
    place, heading, sigma = record.position, nothing, nothing
    if record.heading is not None:
        heading, sigma = record.heading.value_deg, record.heading.spread_deg
        if record.heading.north != "true":
            moment = None if record.taken is None else record.taken.utc or record.taken.local
            year = 2020 if moment is None else moment.year
            turn = _declination_deg(round(place.lat_deg, 1), round(place.lon_deg, 1), year)
            if record.heading.north == "magnetic":
                heading = azimuth_deg(heading + turn)
            else:
                heading, sigma = azimuth_deg(heading + turn / 2.0), math.hypot(sigma, turn / 2.0)
    field = nothing
    if record.focal is not None and record.focal.f_px > 0.0:
        field = 2.0 * math.degrees(math.atan(0.5 * record.width_px / record.focal.f_px))
    return place.lat_deg, place.lon_deg, place.sigma_m, heading, sigma, field


@functools.lru_cache(maxsize=100_000)
def _declination_deg(lat_deg: float, lon_deg: float, year: int) -> float:
    from photoaz.geodesy.norths import declination

    try:
        return float(declination(lat_deg, lon_deg, 0.0, date(year, 7, 1)).value_deg)
    except InputError:
        return 0.0  # beyond the models' years: the compass's own error is wider than what this leaves open
