"""Photos taken moments apart from one place: one standpoint but for a step, and errors that they have in common.

A receiver's error changes over minutes, not seconds (a Gauss-Markov process of first order), and a compass beside steel
is off for the next photo about as it was for the last. Photos that share such errors are not so many independent words.
What they share are unknowns of their stand: so photos still meet each other only through what is common to the site.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from photoaz import quantities as q
from photoaz.angles import COMPASS, Angle
from photoaz.network.observations import Direct, Directs, Known, Observation
from photoaz.network.parameters import Layout

if TYPE_CHECKING:
    from photoaz.network.site import PhotoObservations

Array = NDArray[Any]

#: the budget's names of what a camera's fixes tell, and of what ties the photos of a stand together
FIX, STEP = "camera position", "step between photos"
#: keeps the equations regular where nothing tells of a common error
_IDLE = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """When a photo was taken, and by which camera ('' unknown). local_s: by the camera's clock; utc_s: UTC [s]."""

    camera: str = ""
    local_s: float | None = None
    utc_s: float | None = None

    def seconds_to(self, other: Moment) -> float | None:
        """How much later the other is: by the camera's own clock, which is one for both, else by UTC."""
        for mine, its in ((self.local_s, other.local_s), (self.utc_s, other.utc_s)):
            if mine is not None and its is not None:
                return its - mine
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """A photo of a stand. step_m (3,): how far off the stand's place, one sigma per axis.

    fix: (east, north) [m] that it has of its own, None without; it errs by fix_share times the stand's common error,
    and by fix_own_m (one sigma per axis). taken_over: the photo whose fix it repeats to the last digit. compass: None
    without, and where it shares it with nobody; it errs by the common error, and by compass_own_rad.
    """

    photo: str
    step_m: Array
    fix: Array | None = None
    fix_share: float = 0.0
    fix_own_m: float = 0.0
    taken_over: str | None = None
    compass: Angle | None = None
    compass_own_rad: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """Where photos were taken moments apart. start (3,): its place to begin with. up_m, up_sigma_m: camera's height.

    fix_sigma_m, compass_sigma_rad: of the common errors, a good compass's; None where nothing is shared.
    """

    members: tuple[Member, ...]
    start: Array
    up_m: float
    up_sigma_m: float
    fix_sigma_m: float | None = None
    compass_sigma_rad: float | None = None

    @property
    def name(self) -> str:
        """The first photo's."""
        return self.members[0].photo

    @property
    def label(self) -> str:
        """'a.jpg and b.jpg'."""
        return _listed([m.photo for m in self.members])

    def observations(self, layout: Layout) -> Iterator[Observation]:
        """All that is said of the stand's unknowns, and of its photos by them."""
        place, fix = layout.stand(self.name, "east", "north", "up"), layout.stand(self.name, "fix_east", "fix_north")
        compass = layout.stand(self.name, "compass")
        yield Direct("camera height", f"height of {self.label}", place[2:], self.up_m, self.up_sigma_m)
        if self.fix_sigma_m is None:
            yield Directs("stand assumed", "", fix, np.zeros(2), _IDLE)
        else:
            yield Directs(FIX, f"standpoint of {self.label}", fix, np.zeros(2), self.fix_sigma_m, True)
        if self.compass_sigma_rad is None:
            yield Direct("stand assumed", "", compass, 0.0, _IDLE)
        else:
            label = f"compass of {self.label}"
            yield Direct(COMPASS, label, compass, 0.0, self.compass_sigma_rad, angle=True, testable=True)
        for m in self.members:
            mine = layout.photo(m.photo, "east", "north", "up")
            root = np.diag(1.0 / m.step_m)
            others = _listed([other.photo for other in self.members if other is not m])
            label, both = f"place of {m.photo} beside {others}", np.concatenate([mine, place])
            yield Known(STEP, label, both, np.zeros(6), np.hstack([root, -root]), np.zeros(3), testable=True)
            if m.fix is not None:
                root = np.eye(2) / m.fix_own_m
                root, both = np.hstack([root, m.fix_share * root]), np.append(mine[:2], fix)
                at = np.append(m.fix, np.zeros(2))
                yield Known(FIX, f"standpoint of {m.photo}", both, at, root, np.zeros(2), testable=True)
            if m.compass is not None:
                both, at = np.append(layout.photo(m.photo, "heading"), compass), np.array([m.compass.value_rad, 0.0])
                root = np.ones((1, 2)) / m.compass_own_rad
                yield Known(COMPASS, m.compass.label, both, at, root, np.zeros(1), testable=True, angles=True)


def _listed(names: Sequence[str]) -> str:
    plain = [Path(n).name for n in names]
    return plain[0] if len(plain) == 1 else f"{', '.join(plain[:-1])} and {plain[-1]}"


def stands_of(photos: Sequence[PhotoObservations]) -> tuple[Stand, ...]:
    """The stands of two photos and more, whatever the photos' order."""
    timed = sorted((p for p in photos if p.moment is not None), key=lambda p: p.name)
    group = {p.name: k for k, p in enumerate(timed)}
    for a, b in combinations(timed, 2):
        if group[a.name] != group[b.name] and _one_place(a, b):
            old, new = group[b.name], group[a.name]
            group = {name: new if k == old else k for name, k in group.items()}
    together: dict[int, list[PhotoObservations]] = {}
    for p in timed:
        together.setdefault(group[p.name], []).append(p)
    return tuple(_stand(some) for some in together.values() if len(some) > 1)


def _fix(photo: PhotoObservations) -> tuple[Array, float] | None:
    """Where the camera's receiver says that it stood, and the sigma per axis [m]."""
    return next(((at, sigma) for at, sigma, source in photo.standpoints if source == FIX), None)


def _same(a: Array, b: Array) -> bool:
    return bool((a == b).all())


def _one_place(a: PhotoObservations, b: PhotoObservations) -> bool:
    """Whether two photos were taken moments apart by one camera, from one place as far as anybody can tell."""
    one, other = a.moment, b.moment
    if one is None or other is None or one.camera != other.camera:
        return False
    seconds, fix_a, fix_b = one.seconds_to(other), _fix(a), _fix(b)
    if seconds is None:
        return fix_a is not None and fix_b is not None and _same(fix_a[0], fix_b[0])
    if abs(seconds) > q.MOMENTS_S or not one.camera:
        return False
    if fix_a is None or fix_b is None:
        return True
    alike = (1.0 - q.FIX_OWN_SHARE**2) * math.exp(-abs(seconds) / q.FIX_TIME_S)
    scatter = q.RADIUS_95 * math.hypot(fix_a[1], fix_b[1]) * math.sqrt(1.0 - alike)
    return float(np.hypot(*(fix_a[0] - fix_b[0]))) <= math.hypot(q.ONE_PLACE_M, scatter)


@dataclass(slots=True)
class _InTime:
    """Photos of a stand by their times, and the seconds of each off their middle, None where unknown."""

    photos: list[PhotoObservations]
    off_s: dict[str, float | None] = field(default_factory=dict)

    @classmethod
    def of(cls, photos: Sequence[PhotoObservations]) -> _InTime:
        moments = {p.name: p.moment or Moment() for p in photos}
        # one that has a time, where any has
        first = min(moments.items(), key=lambda m: (m[1].local_s is None, m[1].utc_s is None, m[0]))[1]
        at = {name: first.seconds_to(m) for name, m in moments.items()}
        known = [s for s in at.values() if s is not None]
        middle = 0.5 * (min(known) + max(known)) if known else 0.0
        order = sorted(photos, key=lambda p: (at[p.name] is None, at[p.name] or 0.0, p.name))
        return cls(order, {name: None if s is None else s - middle for name, s in at.items()})

    def between_s(self, a: str, b: str) -> float:
        """Seconds between two of the photos."""
        one, other = self.off_s[a], self.off_s[b]
        return q.UNTIMED_S if one is None or other is None else abs(one - other)

    def from_middle_s(self, name: str) -> float:
        """Seconds between one of the photos and the middle of all."""
        off = self.off_s[name]
        return 0.5 * q.UNTIMED_S if off is None else abs(off)


def _fixes(time: _InTime) -> tuple[dict[str, tuple[Array, float]], dict[str, str]]:
    """The photos' own fixes, with sigma, and whose fix others have: what several have was made once, for the first."""
    own: dict[str, tuple[Array, float]] = {}
    taken_over: dict[str, str] = {}
    for p in time.photos:
        fix = _fix(p)
        if fix is not None:
            first = next((name for name, (at, _) in own.items() if _same(at, fix[0])), None)
            if first is None:
                own[p.name] = fix
            else:
                taken_over[p.name] = first
    return own, taken_over


def _walked_m(name: str, time: _InTime, own: Mapping[str, Any], taken_over: Mapping[str, str]) -> float:
    """How far a photo without a fix of its own may lie from where the fix was made, one sigma per axis."""
    if name in own:
        return 0.0
    if not own:
        return math.sqrt(2.0) * q.WALK_M_PER_S * time.from_middle_s(name)
    near = taken_over.get(name) or min(own, key=lambda n: (time.between_s(name, n), n))
    return q.WALK_M_PER_S * time.between_s(name, near)


def _stand(photos: Sequence[PhotoObservations]) -> Stand:
    """What a stand's photos share, and what each has of its own."""
    time = _InTime.of(photos)
    own, taken_over = _fixes(time)
    walked = {p.name: _walked_m(p.name, time, own, taken_over) for p in time.photos}
    # whoever may have walked on may have left the steel behind as well
    here = [p for p in time.photos if walked[p.name] <= q.SAME_STEEL_M]
    compasses = {p.name: a for p in here for a in p.headings if a.is_compass and not a.placeholder_share}
    if len(compasses) < 2:
        compasses = {}
    common_m = min((sigma for _, sigma in own.values()), default=0.0)
    common_rad = min((a.sigma_rad for a in compasses.values()), default=0.0) * _COMMON
    middle = np.mean([at for at, _ in own.values()], 0) if own else np.zeros(2)
    members = []
    for p in time.photos:
        off_s = time.from_middle_s(p.name)
        share = math.sqrt(1.0 - q.FIX_OWN_SHARE**2) * math.exp(-off_s / q.FIX_TIME_S)
        at, sigma = own.get(p.name, (None, 0.0))
        fix_own = 0.0 if at is None else math.sqrt(sigma**2 - (share * common_m) ** 2)
        # of both ends of a step a half; whoever stays moves on with the time from the middle
        variance = 0.5 * q.STEP_M**2 + 2.0 * (q.STEP_M_PER_S * off_s) ** 2 + walked[p.name] ** 2
        if at is not None:
            # by so much fixes lie farther apart than they scatter
            apart = 2.0 * (at - middle)
            variance += 0.5 * max(0.5 * float(apart @ apart) - 2.0 * fix_own**2, 0.0)
        step, compass = math.sqrt(variance), compasses.get(p.name)
        members.append(
            Member(
                photo=p.name,
                step_m=np.array([step, step, math.hypot(q.HELD_STEP_M, q.GROUND_SLOPE_SHARE * step)]),
                fix=at,
                fix_share=share,
                fix_own_m=fix_own,
                taken_over=taken_over.get(p.name),
                compass=compass,
                compass_own_rad=0.0 if compass is None else math.sqrt(compass.sigma_rad**2 - common_rad**2),
            )
        )
    weights = np.array([p.up_sigma_m**-2.0 for p in time.photos])
    return Stand(
        members=tuple(members),
        start=np.mean([p.start[3:6] for p in time.photos], 0),
        up_m=float(weights @ [p.up_m for p in time.photos] / weights.sum()),
        up_sigma_m=min(p.up_sigma_m for p in time.photos),
        fix_sigma_m=common_m or None,
        compass_sigma_rad=common_rad or None,
    )


#: the common part of a compass's error, as a share of its sigma
_COMMON = math.sqrt(1.0 - q.COMPASS_OWN_SHARE**2)
