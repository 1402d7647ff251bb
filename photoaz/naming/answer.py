"""What the hypotheses of the photos come to: names with probabilities, where each antenna is expected, and why."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from photoaz.angles import Array, azimuth_rad, wrap_rad
from photoaz.naming.costs import (
    ExpectedPlaces,
    Hypothesis,
    NamingProblem,
    expected_places,
    hidden_share,
    pixels,
)
from photoaz.naming.expected import place_in_frame, with_disturbance
from photoaz.naming.facing import GRID, mean_azimuth
from photoaz.naming.model import ExpectedAntenna, HeadingChance, KnownPhoto, Match, PhotoNaming
from photoaz.naming.mount import Mount
from photoaz.naming.search import weights
from photoaz.wording import percent

#: the finder's word on how a panel is turned is good to some 15 degrees: not much more than that is not worth saying
SAID_TURNED_RAD = float(np.radians(25.0))
#: a name is used as known from this probability on: below, a U95 must hold another panel's azimuth as well
SURE = 0.95
MENTIONED = 0.03
#: headings closer together than this are one
SAME_HEADING_RAD = float(np.radians(20.0))
#: no heading is known better than this from the panels' pattern
HEADING_GRAIN_RAD = float(np.radians(1.0))
#: a heading that is only told says where to look as long as the tower lies before the camera
BEFORE_RAD = 1.3
HIDDEN_SHARE = 0.6
PROFILE_RAD = float(np.radians(10.0))
#: a body narrower than this as seen is too small to be missed
TOO_SMALL_PX = 6.0
#: an antenna is looked for within so many sigmas of where it is expected
LOOKED_FOR = 2.0
NUMBERS = ("no", "one", "two", "three", "four", "five", "six")


def photo_naming(
    problem: NamingProblem, hypotheses: Sequence[Hypothesis], beliefs: Array, site_sigma_m: float
) -> PhotoNaming:
    """All of one photo. beliefs (m, BINS): of the azimuths, from all photos."""
    azimuth = np.array([mean_azimuth(b)[0] for b in beliefs])
    if not hypotheses:
        expected = _expected_unseen(problem, azimuth, site_sigma_m)
        return PhotoNaming(matches=(), expected=expected, headings=_told_heading(problem.photo))
    # the best hypothesis of the likeliest set of names: sums over the directions to the tower
    total: dict[tuple[int, ...], float] = {}
    for one, w in zip(hypotheses, weights(hypotheses), strict=True):
        total[one.names] = total.get(one.names, 0.0) + float(w)
    likely = [h for h in hypotheses if total[h.names] >= max(total.values()) * (1 - 1e-9)]
    best = min(likely, key=lambda h: (h.cost, h.toward))
    p = _chances(hypotheses, problem)
    return PhotoNaming(
        matches=tuple(_match(problem, i, best, p[i], azimuth) for i in range(len(best.names))),
        expected=_expected(problem, best, azimuth),
        headings=_headings(problem, hypotheses, best),
    )


def _chances(hypotheses: Sequence[Hypothesis], problem: NamingProblem) -> Array:
    """Probabilities (n, m + 1) of candidates' names; the last column: none of the register's.

    Antennas that the register does not tell apart change places with each other: the likeliest hypotheses hold few of
    all their ways.
    """
    n, m = len(hypotheses[0].names), len(problem.mount.names)
    out = np.zeros((n, m + 1))
    for one, w in zip(hypotheses, weights(hypotheses), strict=True):
        out[np.arange(n), np.array(one.names)] += w  # -1 is the last column
    alike = problem.mount.alike()
    free = np.setdiff1d(np.arange(m), list(problem.named.values()))
    unnamed = np.setdiff1d(np.arange(n), list(problem.named))
    shared = out.copy()
    for j in free:
        shared[unnamed, j] = out[np.ix_(unnamed, free[alike[j, free]])].mean(1)
    return shared


# ---- headings -------------------------------------------------------------------------------------------------------


def _headings(problem: NamingProblem, hypotheses: Sequence[Hypothesis], best: Hypothesis) -> tuple[HeadingChance, ...]:
    """Headings that the hypotheses imply, those that nearly agree taken together; the best one's is first."""

    def implied(one: Hypothesis) -> float:
        return float(GRID[one.toward] - problem.observed.axis_rad - np.arctan(one.shift))

    w = weights(hypotheses)
    heading = np.array([implied(one) for one in hypotheses])
    left = np.ones(len(w), bool)
    out = []
    while left.any():
        k = int(np.argmax(np.where(left, w, -1.0)))
        near = left & (np.abs(wrap_rad(heading - heading[k])) < SAME_HEADING_RAD)
        left &= ~near
        share = float(w[near].sum())
        if share < MENTIONED:
            continue
        off = wrap_rad(heading[near] - heading[k])
        mean = float((w[near] * off).sum() / share)
        spread = float(np.sqrt((w[near] * (off - mean) ** 2).sum() / share))
        sigma = float(np.hypot(spread, HEADING_GRAIN_RAD))
        value = azimuth_rad(float(heading[k] + mean))
        out.append(HeadingChance(heading_rad=value, sigma_rad=sigma, probability=share))
    out.sort(key=lambda one: -one.probability)
    first = min(out, key=lambda one: abs(wrap_rad(one.heading_rad - implied(best))))
    return first, *(one for one in out if one is not first)


def _told_heading(photo: KnownPhoto) -> tuple[HeadingChance, ...]:
    """The heading that is told, where nothing was found; none where it looks away from the tower."""
    if photo.standpoint is None or not photo.headings:
        return ()
    said = min(photo.headings, key=lambda h: (h.is_compass, h.sigma_rad))
    bearing = np.arctan2(*-np.asarray(photo.standpoint[0], float))
    if abs(wrap_rad(bearing - said.value_rad)) > BEFORE_RAD:
        return ()
    value = azimuth_rad(said.value_rad)
    return (HeadingChance(heading_rad=value, sigma_rad=with_disturbance(said).sigma_rad, probability=1.0),)


# ---- names ----------------------------------------------------------------------------------------------------------


def _match(problem: NamingProblem, i: int, best: Hypothesis, p: Array, azimuth: Array) -> Match:
    mount, j, m = problem.mount, best.names[i], len(problem.mount.names)

    def name(k: int) -> str | None:
        return None if k in (-1, m) else mount.names[k]

    probability = float(min(p[j], 1.0))
    others = sorted((k for k in range(m + 1) if k != j % (m + 1) and p[k] >= MENTIONED), key=lambda k: (-p[k], k))
    picked = i in problem.named
    ambiguous = not picked and probability < SURE
    reasons: list[str] = []
    if picked:
        reasons.append("named by a person")
    elif j < 0:
        reasons.append("fits no antenna of the register")
    else:
        reasons.append(_place_in_sector(mount, j))
        off = wrap_rad(azimuth[j] - mount.design_rad[j])
        if abs(off) > SAID_TURNED_RAD:
            reasons.append(f"at a rough look turned by {np.degrees(off):+.0f} deg from its design")
    if ambiguous:
        named = [f"{name(k) or 'no antenna'} ({percent(p[k])})" for k in others]
        reasons.append(f"{name(j) or 'no antenna'} ({percent(probability)}), or {', '.join(named) or 'another'}")
        same = [k for k in others if k < m and j >= 0 and mount.group[k] == mount.group[j]]
        if same and (mount.order[j] < 0 or any(mount.order[k] < 0 for k in same)):
            reasons.append("the register does not tell the order of neighbours so much alike")
        elif mount.anywhere[j]:
            reasons.append("neither designs nor offsets of the register tell where its antennas hang")
        elif same:
            reasons.append("cannot be told from its neighbours here")
    return Match(
        candidate=i,
        antenna=name(j),
        probability=probability,
        ambiguous=ambiguous,
        alternatives=tuple((name(k), float(p[k])) for k in others),
        reasons=tuple(reasons),
        picked=picked,
    )


def _place_in_sector(mount: Mount, j: int) -> str:
    """'left of two in sector B from the front' (as seen by somebody looking at the faces)."""
    of = np.flatnonzero(mount.group == mount.group[j])
    sector = f"sector {mount.group_names[mount.group[j]]}"
    if len(of) == 1:
        return f"the only one of {sector}"
    spelled = dict(enumerate(NUMBERS))
    orders = sorted({int(mount.order[k]) for k in of})
    if mount.order[j] < 0 or orders[0] < 0 or len(orders) < 2:
        return f"one of {spelled.get(len(of), len(of))} in {sector}, their order not known"
    # position 1 is on the left of somebody who looks out, so on the right of somebody who looks at the faces
    from_left = len(orders) - 1 - int(mount.order[j])
    many = spelled.get(len(orders), len(orders))
    if from_left in (0, len(orders) - 1):
        return f"{'right' if from_left else 'left'} of {many} in {sector} from the front"
    return f"number {from_left + 1} from the left of {many} in {sector} from the front"


# ---- where antennas are expected ------------------------------------------------------------------------------------


def _expected(problem: NamingProblem, best: Hypothesis, azimuth: Array) -> tuple[ExpectedAntenna, ...]:
    """Each antenna where the names of the others put it."""
    o = problem.observed
    places = expected_places(o, problem.mount, np.array([best.toward]), np.array([best.ln_scale]))
    px, inside = pixels(o, places, np.array([best.shift]), np.array([best.over]))
    sigma = o.camera.f_px * np.hypot(places.across_sigma_m[0], places.over_sigma_m[0]) / places.distance_m[0]
    hidden = hidden_share(problem, np.array([best.toward]), places)[0]
    out = []
    for j in range(len(problem.mount.names)):
        candidate = best.names.index(j) if j in best.names else None
        where = (px[0, j], float(LOOKED_FOR * sigma[j])) if np.isfinite(px[0, j]).all() else None
        look = _looks(problem, places, j, float(azimuth[j]), float(GRID[best.toward]), hidden[j])
        out.append(_one_expected(problem, j, candidate, where, bool(inside[0, j]), *look))
    return tuple(out)


def _expected_unseen(problem: NamingProblem, azimuth: Array, site_sigma_m: float) -> tuple[ExpectedAntenna, ...]:
    """Each antenna where standpoint, heading and pitch put it, where no panel was found; as wide as these are known."""
    mount, toward = problem.mount, int(np.argmin(problem.toward_cost))
    places = expected_places(problem.observed, mount, np.array([toward]), np.zeros(1))
    hidden = hidden_share(problem, np.array([toward]), places)[0]
    out = []
    for j in range(len(mount.names)):
        where, inside = _told_place(problem, j, site_sigma_m)
        side, size, hidden_by = _looks(problem, places, j, float(azimuth[j]), float(GRID[toward]), hidden[j])
        if problem.photo.standpoint is None:  # nothing tells from which side
            side, hidden_by = "front", ""
        out.append(_one_expected(problem, j, None, where, inside, side, size, hidden_by))
    return tuple(out)


def _told_place(problem: NamingProblem, j: int, site_sigma_m: float) -> tuple[tuple[Array, float] | None, bool]:
    """Pixel of an antenna by what is told of the photo, with its radius, and whether it may lie in the frame."""
    photo, mount, camera = problem.photo, problem.mount, problem.photo.camera
    if photo.standpoint is None or not photo.headings:
        return None, True
    off = mount.places()[j] - photo.standpoint[0]
    flat, rise = max(float(np.hypot(*off)), 1.0), float(mount.up_m[j]) - photo.height[0]
    along = float(np.sqrt(photo.standpoint[1] ** 2 + site_sigma_m**2 + mount.own_sigma_m[j] ** 2))
    elevation_sigma = float(np.hypot(along * rise, photo.height[1] * flat)) / (flat**2 + rise**2)
    at = place_in_frame(
        camera,
        with_disturbance(min(photo.headings, key=lambda h: (h.is_compass, h.sigma_rad))),
        photo.pitches[0] if photo.pitches else None,
        (float(np.arctan2(*off)), along / flat),
        (float(np.arctan2(rise, flat)), elevation_sigma),
        photo.roll_rad,
    )
    if at is None:
        return None, False
    radius = LOOKED_FOR * float(np.hypot(*at[1]))
    beyond = float(np.maximum(-at[0], at[0] - [camera.width_px, camera.height_px]).max())
    # a place as wide as the frame is none
    where = (at[0], radius) if radius < max(camera.width_px, camera.height_px) else None
    return where, beyond < radius


def _looks(
    problem: NamingProblem, places: ExpectedPlaces, j: int, azimuth: float, toward: float, hidden: Array
) -> tuple[str, tuple[float, float], str]:
    """How an antenna would be seen: the side it shows, its size [px], and who hides it ('' if nobody does)."""
    w, h, d = np.exp(problem.mount.ln_size[j])
    off = 0.0 if np.isnan(azimuth) else abs(float(wrap_rad(azimuth - toward - np.pi)))
    side = "side" if abs(off - np.pi / 2) <= PROFILE_RAD else "front" if off < np.pi / 2 else "rear"
    f, slant, flat = problem.photo.camera.f_px, float(places.slant_m[0, j]), float(places.distance_m[0, j])
    wide = f * (w * abs(np.cos(off)) + d * abs(np.sin(off))) / slant
    hidden_by = ", ".join(problem.mount.names[k] for k in np.flatnonzero(hidden > HIDDEN_SHARE))
    return side, (float(wide), float(f * h * flat / slant**2)), hidden_by


def _one_expected(
    problem: NamingProblem,
    j: int,
    candidate: int | None,
    where: tuple[Array, float] | None,
    inside: bool,
    side: str,
    size_px: tuple[float, float],
    hidden_by: str,
) -> ExpectedAntenna:
    status: Literal["assigned", "not_found", "not_visible"] = "not_visible"
    if candidate is not None:
        status, reason = "assigned", f"candidate {candidate}"
    elif not inside:
        reason = "out of the frame"
    elif hidden_by:
        reason = f"hidden by {hidden_by}"
    elif side == "rear":
        reason = "turns its back"
    elif size_px[0] < TOO_SMALL_PX:
        reason = f"only {size_px[0]:.0f} px wide"
    elif where is None:
        status, reason = "not_found", "nothing tells well enough where in the frame it is"
    else:
        (x, y), radius = where
        status, reason = "not_found", f"should show its {side} within {radius:.0f} px of ({x:.0f}, {y:.0f})"
    return ExpectedAntenna(
        antenna=problem.mount.names[j],
        status=status,
        pixel=None if where is None else (float(where[0][0]), float(where[0][1])),
        radius_px=0.0 if where is None else where[1],
        size_px=size_px,
        reason=reason,
    )
