"""What the readings of the photos come to: names with probabilities, where each antenna was looked for, and why."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from photoaz.naming.facing import GRID, mean_azimuth
from photoaz.naming.model import (
    AntennaFound,
    Facing,
    Match,
    Mode,
    NameChance,
    PhotoAssignment,
    PhotoView,
    Sight,
)
from photoaz.naming.mount import Mount
from photoaz.naming.search import Reading, Scene, hidden_share, layout, pixels, weights

Array = NDArray[Any]

#: the finder's word on how a panel is turned is good to some 15 degrees: not much more than that is not worth saying
SAID_TURNED_RAD = float(np.radians(25.0))
#: a name is used as known from this probability on
SURE = 0.9
MENTIONED = 0.03
SAME_HEADING_RAD = float(np.radians(20.0))
#: a compass or a standpoint is called wrong where it is off by so many sigmas, and by at least this
CONTRADICTS = 3.0
CONTRADICTS_RAD = float(np.radians(15.0))
HIDDEN_SHARE = 0.6
PROFILE_RAD = float(np.radians(10.0))
#: a body narrower than this as seen is too small to be missed
TOO_SMALL_PX = 6.0
NUMBERS = ("no", "one", "two", "three", "four", "five", "six")


def _wrap(angle: Any) -> Any:
    return angle - 2 * np.pi * np.round(angle / (2 * np.pi))


def _degrees(angle_rad: float) -> str:
    return f"{np.degrees(angle_rad):+.0f} deg"


def chances(readings: Sequence[Reading], n: int, m: int) -> Array:
    """Probabilities (n, m + 1) of candidates' names; the last column: none of the register's."""
    out = np.zeros((n, m + 1))
    for r, w in zip(readings, weights(readings), strict=True):
        out[np.arange(n), np.array(r.names)] += w  # -1 is the last column
    return out


def likeliest(readings: Sequence[Reading]) -> Reading:
    """The best reading of the likeliest set of names: sums over the directions to the tower."""
    total: dict[tuple[int, ...], float] = {}
    for r, w in zip(readings, weights(readings), strict=True):
        total[r.names] = total.get(r.names, 0.0) + float(w)
    top = max(total.values())
    return min((r for r in readings if total[r.names] >= top * (1 - 1e-9)), key=lambda r: (r.cost, r.toward))


def _modes(scene: Scene, readings: Sequence[Reading]) -> tuple[Mode, ...]:
    """Headings that the readings imply, those within 20 degrees of a better one taken together."""
    w = weights(readings)
    heading = np.array([GRID[r.toward] - scene.observed.axis_rad - np.arctan(r.shift) for r in readings])
    left = np.ones(len(w), bool)
    out = []
    while left.any():
        k = int(np.argmax(np.where(left, w, -1.0)))
        near = left & (np.abs(_wrap(heading - heading[k])) < SAME_HEADING_RAD)
        share = float(w[near].sum())
        off = _wrap(heading[near] - heading[k])
        mean = float((w[near] * off).sum() / share)
        spread = float(np.sqrt((w[near] * (off - mean) ** 2).sum() / share))
        grain = float(np.radians(1.0))
        value = float((heading[k] + mean) % (2 * np.pi))
        out.append(Mode(heading_rad=value, sigma_rad=float(np.hypot(spread, grain)), probability=share))
        left &= ~near
    return tuple(sorted((m for m in out if m.probability >= MENTIONED), key=lambda m: -m.probability))


def _place_in_sector(mount: Mount, j: int) -> str:
    """'sector B, left of two' (as seen by somebody looking at the faces)."""
    of = np.flatnonzero(mount.group == mount.group[j])
    sector = f"sector {mount.group_names[mount.group[j]]}"
    if len(of) == 1:
        return f"the only one of {sector}"
    orders = sorted({int(mount.order[k]) for k in of})
    if mount.order[j] < 0 or orders[0] < 0 or len(orders) < 2:
        return f"one of {NUMBERS[len(of)] if len(of) < len(NUMBERS) else len(of)} in {sector}, their order not known"
    count = len(orders)
    # position 1 is on the left of somebody who looks out, so on the right of somebody who looks at the faces
    from_left = count - 1 - int(mount.order[j])
    many = NUMBERS[count] if count < len(NUMBERS) else str(count)
    if from_left in (0, count - 1):
        side = "left" if from_left == 0 else "right"
        return f"{side} of {many} in {sector} from the front"
    return f"number {from_left + 1} from the left of {many} in {sector} from the front"


def _facing(azimuth_rad: float, toward_rad: float) -> Facing:
    off = abs(_wrap(azimuth_rad - toward_rad - np.pi))
    if abs(off - np.pi / 2) <= PROFILE_RAD:
        return "profile"
    return "front" if off < np.pi / 2 else "rear"


def photo_answer(photo: PhotoView, scene: Scene, readings: Sequence[Reading], belief: Array) -> PhotoAssignment:
    """All of one photo. belief (m, BINS): of the azimuths, from all photos."""
    o, mount = scene.observed, scene.mount
    n, m = len(photo.candidates), len(mount.names)
    azimuth = np.array([mean_azimuth(b)[0] for b in belief])
    reasons: list[str] = []
    if readings:
        best = likeliest(readings)
        p = chances(readings, n, m)
        modes = _modes(scene, readings)
    else:
        guess = _guess(photo, scene)
        best = guess or Reading(tuple([-1] * n), 0.0, 0, 0.0, 0.0, 0.0)
        p = np.zeros((n, m + 1))
        p[:, m] = 1.0
        modes = ()
        reasons.append("no panel was found in it" if n == 0 else "the register has no antennas to name")
        if guess is not None:
            heading = float((GRID[best.toward] - o.axis_rad - np.arctan(best.shift)) % (2 * np.pi))
            modes = (Mode(heading_rad=heading, sigma_rad=float(np.radians(10.0)), probability=1.0),)
    toward = float(GRID[best.toward])
    matches = tuple(_match(scene, photo, i, best, p[i], azimuth) for i in range(n))
    heading_rad: float | None = None
    spread = np.pi / np.sqrt(3.0)
    if modes:
        at = float(GRID[best.toward] - o.axis_rad - np.arctan(best.shift))
        mode = min(modes, key=lambda q: abs(_wrap(q.heading_rad - at)))
        heading_rad, spread = mode.heading_rad, mode.sigma_rad
        if readings:
            reasons += _contradictions(photo, mode, toward)
            reasons += [
                f"may also look towards {np.degrees(q.heading_rad):.0f} deg ({q.probability:.0%})"
                for q in modes
                if q is not mode
            ]
    unsure = [i for i, x in enumerate(matches) if x.ambiguous]
    if unsure and len(modes) > 1 and modes[0].probability < SURE:
        reasons.append("the sectors look alike from several sides, and nothing known tells which it is")
    lay = layout(o, mount, np.array([best.toward]), np.array([best.ln_scale]))
    px, inside = pixels(o, lay, np.array([best.shift]), np.array([best.over]))
    hidden = hidden_share(scene, np.array([best.toward]), lay)[0]
    sights = tuple(
        _sight(
            scene, j, best, px[0, j], bool(inside[0, j]), hidden[j], azimuth[j], toward, heading_rad is not None, lay
        )
        for j in range(m)
    )
    return PhotoAssignment(
        photo=photo.name,
        matches=matches,
        sights=sights,
        heading_rad=heading_rad,
        heading_sigma_rad=float(spread),
        headings=modes,
        pitch_rad=o.pitch_rad,
        distance_m=float(o.distance_m * np.exp(best.ln_scale)),
        ln_distance_sigma=o.ln_sigma,
        reasons=tuple(reasons),
    )


def _guess(photo: PhotoView, scene: Scene) -> Reading | None:
    """Without candidates: the standpoint's direction and the heading that is said; None where either lacks."""
    if photo.east_north_m is None or not photo.headings:
        return None
    toward = int(np.argmin(scene.toward_cost))
    said = min(photo.headings, key=lambda h: (h.compass, h.sigma_rad))
    off = _wrap(GRID[toward] - scene.observed.axis_rad - said.value_rad)
    if abs(off) > 1.3:
        return None
    return Reading((), 0.0, toward, float(np.tan(off)), 0.0, 0.0)


def _contradictions(photo: PhotoView, mode: Mode, toward: float) -> list[str]:
    out = []
    for said in photo.headings:
        off = _wrap(said.value_rad - mode.heading_rad)
        if abs(off) > max(CONTRADICTS_RAD, CONTRADICTS * np.hypot(said.sigma_rad, mode.sigma_rad)):
            what = "compass" if said.compass else "stated heading"
            out.append(f"{what} off by {_degrees(off)}: the pattern of the sectors decides")
    if photo.east_north_m is not None:
        flat = max(float(np.hypot(*photo.east_north_m)), 1.0)
        off = _wrap(np.arctan2(*(-np.asarray(photo.east_north_m))) - toward)
        if abs(off) > max(CONTRADICTS_RAD, CONTRADICTS * photo.east_north_sigma_m / flat):
            out.append(f"camera position puts the tower {_degrees(off)} off: the pattern of the sectors decides")
    return out


def _match(scene: Scene, photo: PhotoView, i: int, best: Reading, p: Array, azimuth: Array) -> Match:
    mount = scene.mount
    j = best.names[i]
    m = len(mount.names)

    def name(k: int) -> str | None:
        return None if k in (-1, m) else mount.names[k]

    probability = float(min(p[j], 1.0))
    others = sorted((k for k in range(m + 1) if k != j % (m + 1) and p[k] >= MENTIONED), key=lambda k: (-p[k], k))
    alternatives = tuple(NameChance(antenna=name(k), probability=float(p[k])) for k in others)
    given = i in photo.named
    ambiguous = not given and probability < SURE
    reasons: list[str] = []
    if given:
        reasons.append("named by a person")
    elif j < 0:
        reasons.append("fits no antenna of the register")
    else:
        reasons.append(_place_in_sector(mount, j))
        off = _wrap(azimuth[j] - mount.design_rad[j])
        if abs(off) > SAID_TURNED_RAD:
            reasons.append(f"at a rough look turned by {_degrees(off)} from its design")
    if ambiguous:
        named = [f"{a.antenna or 'no antenna'} ({a.probability:.0%})" for a in alternatives]
        reasons.append(f"{name(j) or 'no antenna'} ({probability:.0%}), or {', '.join(named) or 'another'}")
        same = [k for k in others if k < m and j >= 0 and mount.group[k] == mount.group[j]]
        if same and (mount.order[j] < 0 or any(mount.order[k] < 0 for k in same)):
            reasons.append("the register does not tell the order of neighbours so much alike")
        elif same:
            reasons.append("cannot be told from its neighbours here")
    return Match(
        candidate=i,
        antenna=name(j),
        probability=probability,
        ambiguous=ambiguous,
        alternatives=alternatives,
        reasons=tuple(reasons),
    )


def _sight(
    scene: Scene,
    j: int,
    best: Reading,
    px: Array,
    inside: bool,
    hidden: Array,
    azimuth: float,
    toward: float,
    heading_known: bool,
    lay: Any,
) -> Sight:
    o, mount = scene.observed, scene.mount
    facing = _facing(azimuth, toward)
    w, h, d = np.exp(mount.ln_size[j])
    yaw = azimuth - toward
    f = o.camera.f_px
    slant, flat = float(lay.slant_m[0, j]), float(lay.distance_m[0, j])
    size = (float(f * (w * abs(np.cos(yaw)) + d * abs(np.sin(yaw))) / slant), float(f * h * flat / slant**2))
    candidate = best.names.index(j) if j in best.names else None
    by = tuple(mount.names[k] for k in np.flatnonzero(hidden > HIDDEN_SHARE))
    where = None if not heading_known or not np.isfinite(px).all() else (float(px[0]), float(px[1]))
    radius = float(2.0 * f * np.hypot(lay.across_sigma_m[0, j], lay.over_sigma_m[0, j]) / flat)
    status: Literal["assigned", "not_found", "not_visible"]
    if candidate is not None:
        status, reason = "assigned", f"candidate {candidate}"
    elif not heading_known:
        status, reason = "not_found", "nothing tells which way the camera looked"
    elif not inside:
        status, reason = "not_visible", "out of the frame"
    elif by:
        status, reason = "not_visible", f"hidden by {', '.join(by)}"
    elif facing == "rear":
        status, reason = "not_visible", "turns its back"
    elif size[0] < TOO_SMALL_PX:
        status, reason = "not_visible", f"only {size[0]:.0f} px wide"
    else:
        side = "side" if facing == "profile" else facing
        status, reason = "not_found", f"should show its {side} within {radius:.0f} px of ({px[0]:.0f}, {px[1]:.0f})"
    return Sight(
        antenna=mount.names[j],
        status=status,
        candidate=candidate,
        pixel=where,
        radius_px=radius,
        size_px=size,
        facing=facing,
        in_frame=inside,
        hidden_by=by,
        reason=reason,
    )


def antenna_answer(j: int, mount: Mount, photos: Sequence[PhotoAssignment], belief: Array) -> AntennaFound:
    """One antenna over all photos. belief (K,): of its azimuths, as `mean_azimuth` takes it."""
    name = mount.names[j]
    mine = [(p, m) for p in photos for m in p.matches if m.antenna == name]
    seen = tuple(p.photo for p, _ in mine)
    if mine:
        azimuth, sigma = mean_azimuth(belief)
        _, surest = max(mine, key=lambda pm: pm[1].probability)
        status: Literal["assigned", "ambiguous", "not_found", "not_visible"]
        status = "ambiguous" if all(m.ambiguous for _, m in mine) else "assigned"
        return AntennaFound(
            antenna=name,
            status=status,
            photos=seen,
            alternatives=surest.alternatives if status == "ambiguous" else (),
            azimuth_rad=azimuth,
            azimuth_sigma_rad=sigma,
            reasons=surest.reasons,
        )
    sights = [(p.photo, p.sights[j]) for p in photos]
    status = "not_found" if any(s.status == "not_found" for _, s in sights) else "not_visible"
    return AntennaFound(
        antenna=name,
        status=status,
        photos=(),
        alternatives=(),
        azimuth_rad=None,
        azimuth_sigma_rad=float(np.pi / np.sqrt(3.0)),
        reasons=tuple(f"{photo}: {s.reason}" for photo, s in sights) or ("there are no photos",),
    )
