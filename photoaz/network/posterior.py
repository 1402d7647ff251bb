"""One posterior for a site: which outlines are wrong, which compasses disturbed, which antennas turned, weighed once.

By the photos alone; and with what is known of antennas in general: that most hang as designed, and that a whole site is
sometimes built to a wrong north. Each antenna's marginal goes through all states of its own evidence; that of the
others reaches it through the headings that it shares with them, as a mixture of a few states.

Which panel is which antenna is weighed with all that is known, also where azimuths are told by the photos alone. That
an antenna may point anywhere is no evidence that a panel which points as its neighbour does is the neighbour's.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import wrap_rad
from photoaz.network.adjust import Adjusted, variance_shares
from photoaz.network.compass import DISTURBED
from photoaz.network.hypotheses import Piece, States, weigh, weigh_all_but_one, weigh_for
from photoaz.network.mixture import Mixture, Peak
from photoaz.network.observations import Observation
from photoaz.network.opened import BUILT_OFF, COMPASS_PIECE, OUTLINE, Group, opened
from photoaz.network.site import BOX_SOURCE, SiteNetwork
from photoaz.network.surrounded import SURROUNDINGS
from photoaz.priors import Priors
from photoaz.quantities import SHAPE_SIGMA_RAD

Array = NDArray[Any]

#: states kept of an unknown's own evidence, and of the joint answer; while others' evidence is weighed (melted) so
#: many pieces times states, within limits
MOST_OWN, MOST_JOINT = 1000, 48
MOST_OF_OTHERS, LEAST_STATES, MOST_STATES = 1500, 16, 48
#: parts of a mixture that are kept, and of one without a view
MOST_PARTS, MOST_PARTS_WITHOUT = 48, 8
#: a state holds an azimuth that is told where it is no farther from it than so many sigmas
NEAR_SIGMAS = 3.0
#: pieces open to doubt at most: of the others, the surest ones, the likeliest part is taken
MOST_OPEN = 60


@dataclass(frozen=True, slots=True)
class Marginal:
    """What a site says of one angle [rad]. parts: of each own piece of evidence the probabilities of its parts.

    without: what it would say without each photo's outline, where its outlines contradict each other. names: of each
    set of own pieces that are another antenna's the probability that it is these.
    """

    mixture: Mixture
    pieces: tuple[Piece, ...] = ()
    parts: tuple[Array, ...] = ()
    without: Mapping[str, Mixture] = field(default_factory=dict)
    names: Mapping[frozenset[int], float] = field(default_factory=dict)

    def turned(self, by_rad: float, common_rad: float) -> Marginal:
        """Turned by an angle, with an independent error more that all of it has."""
        without = {k: m.moved(by_rad).widened(common_rad) for k, m in self.without.items()}
        return replace(self, mixture=self.mixture.moved(by_rad).widened(common_rad), without=without)

    @property
    def told(self) -> Peak:
        """The value that is told: the most probable one."""
        return self.mixture.peaks()[0]

    @property
    def u95_rad(self) -> float:
        """Half-width of the interval about the value told that holds 95 % of all that is possible."""
        return self.mixture.u95_about(self.told.azimuth_rad)


@dataclass(frozen=True, slots=True)
class Joint:
    """A site's azimuths together: states' weights (S,), azimuths (S, A) and covariances (S, A, A) [rad]."""

    weight: Array
    azimuth_rad: Array
    covariance_rad2: Array

    def about(self, told: Sequence[Peak]) -> Array:
        """Covariance (A, A) [rad^2] of the azimuths if each is the one told: of every two by the states that hold them.

        Their variances are the told ones' own.
        """
        sigma = np.array([p.sigma_rad for p in told])
        off = wrap_rad(self.azimuth_rad - np.array([p.azimuth_rad for p in told]))
        near = np.abs(off) < NEAR_SIGMAS * np.maximum(sigma, np.sqrt(np.einsum("sii->si", self.covariance_rad2)))
        both = self.weight[:, None, None] * near[:, :, None] * near[:, None, :]
        moments = self.covariance_rad2 + off[:, :, None] * off[:, None, :]
        total = both.sum(0)
        covariance = np.divide((both * moments).sum(0), total, out=np.zeros_like(total), where=total > 0.0)
        spread = np.sqrt(np.maximum(np.diag(covariance), 1e-12))
        values, vectors = np.linalg.eigh(covariance / np.outer(spread, spread))
        correlation = (vectors * np.maximum(values, 1e-6)) @ vectors.T
        unit = np.sqrt(np.diag(correlation))
        out: Array = correlation / np.outer(unit, unit) * np.outer(sigma, sigma)
        return out


@dataclass(frozen=True, slots=True, kw_only=True)
class SitePosterior:
    """antennas, headings: by the photos alone; antennas_known: with what is known of antennas in general as well.

    joint_known: all antennas together, in the network's order, with that. outlines: per antenna and photo the
    probability that the outline is right, by the photos alone; disturbed: likewise per photo that its compass is.
    matched: per photo laid over the map the probabilities of its peaks, and last that none is right.
    site_error: probability that the whole site is off its design by one angle.
    """

    antennas: Mapping[str, Marginal]
    headings: Mapping[str, Marginal]
    antennas_known: Mapping[str, Marginal]
    joint_known: Joint
    outlines: Mapping[str, Mapping[str, float]]
    disturbed: Mapping[str, float]
    matched: Mapping[str, Array]
    site_error: float


def posterior_of(
    network: SiteNetwork,
    adjusted: Adjusted,
    observations: Sequence[Observation],
    choice: Mapping[tuple[str, str], int],
    declination: Mapping[str, float],
    priors: Priors,
) -> SitePosterior:
    """Weigh all hypotheses of an adjusted site.

    Parameters
    ----------
    network, adjusted, observations, choice : as `NetworkSolution` has them; what was left out stays so. declination :
        what one sigma of the declination model turns antennas and headings by [rad]. priors : what is known of
        antennas, sites and compasses in general.
    """
    site = opened(network, adjusted, observations, choice, priors)
    begin = States.begin(site.mean, site.covariance)
    # in one order, so that the order of files and rows changes nothing
    in_name = [sorted(some, key=lambda g: g.name) for some in (site.antennas, site.photos, site.stands)]
    general = {site.site.row}.union(*(p.rows for p in (*site.hung.values(), *site.site.pieces)))
    begin, (antennas, photos, stands) = _sure_ones_taken(begin, in_name, general)
    hung = tuple(replace(g, pieces=(*g.pieces, site.hung[g.name])) for g in antennas)
    known = _marginals(begin, (*hung, *photos, *stands, site.site))
    alone = _marginals(begin, (*antennas, *photos, *stands), {g.row: known[g.row].names for g in antennas})
    common = {g.name: float(np.hypot(SHAPE_SIGMA_RAD, declination.get(g.name, 0.0))) for g in antennas}
    # what outlines tell of a heading suffers from the shape of bodies as azimuths do
    for g in photos:
        shares = variance_shares(observations, adjusted, int(network.layout.photo(g.name, "heading")[0]))
        by_outlines = shares.get(BOX_SOURCE, 0.0) / sum(shares.values())
        common[g.name] = float(np.hypot(by_outlines * SHAPE_SIGMA_RAD, declination.get(g.name, 0.0)))

    def told(g: Group, some: Mapping[int, Marginal]) -> Marginal:
        return some[g.row].turned(g.at_rad, common[g.name])

    by_photos = {g.name: told(g, alone) for g in antennas}
    in_order = sorted(antennas, key=lambda g: network.layout.antennas.index(g.name))
    headings = {g.name: told(g, alone) for g in photos}
    return SitePosterior(
        antennas=by_photos,
        headings=headings,
        antennas_known={g.name: told(g, known) for g in antennas},
        joint_known=_joint(begin, in_order, (*hung, *photos, *stands, site.site), common),
        outlines={name: _right(m) for name, m in by_photos.items()},
        disturbed=_disturbed(network, headings, {g.name: alone[g.row] for g in stands}),
        matched={
            str(p.photo): parts
            for m in headings.values()
            for p, parts in zip(m.pieces, m.parts, strict=True)
            if p.kind == SURROUNDINGS
        },
        site_error=float(known[site.site.row].parts[0][BUILT_OFF]),
    )


def _disturbed(
    network: SiteNetwork, headings: Mapping[str, Marginal], stands: Mapping[str, Marginal]
) -> dict[str, float]:
    """By photo, the probability that its compass is disturbed: by itself, or with those of its stand."""
    fine = {name: 1.0 - _bad(m) for name, m in headings.items() if m.pieces and m.pieces[0].kind == COMPASS_PIECE}
    for s in network.stands:
        for m in s.members:
            if m.compass is not None:
                fine[m.photo] *= 1.0 - _bad(stands[s.name])
    return {name: 1.0 - p for name, p in fine.items()}


def _bad(m: Marginal) -> float:
    """The probability that a compass's error, the first piece, is one of a disturbed one."""
    # of a piece taken for sure only the likeliest part is left, which is the good one
    return float(m.parts[0][DISTURBED]) if len(m.parts[0]) > DISTURBED else 0.0


def _right(m: Marginal) -> dict[str, float]:
    """By photo, the probability that an antenna's outline is right."""
    both = zip(m.pieces, m.parts, strict=True)
    return {str(p.photo): float(parts[: p.right].sum()) for p, parts in both if p.kind == OUTLINE}


#: per row of an unknown, as `Marginal.names`
_Names = Mapping[int, Mapping[frozenset[int], float]]


def _marginals(begin: States, groups: Sequence[Group], names: _Names | None = None) -> dict[int, Marginal]:
    """The marginal of each group's unknown, by its row. names: as known of some; otherwise as these groups tell."""
    return dict(_split(begin, groups, names or {}))


def _split(states: States, groups: Sequence[Group], names: _Names) -> Iterator[tuple[int, Marginal]]:
    """Each half of the groups with the other half's evidence weighed, down to single ones."""
    if len(groups) == 1:
        yield groups[0].row, _own(states, groups[0], names.get(groups[0].row, {}))
        return
    half = len(groups) // 2
    first, second = groups[:half], groups[half:]
    yield from _split(_with_evidence(states, second, first), first, names)
    yield from _split(_with_evidence(states, first, second), second, names)


def _with_evidence(states: States, of: Sequence[Group], for_: Sequence[Group]) -> States:
    """The evidence of some groups weighed, for others: states are melted by what these others need."""
    pieces = [p for g in of for p in g.pieces]
    most = min(max(MOST_OF_OTHERS // max(len(pieces), 1), LEAST_STATES), MOST_STATES)
    return weigh_for(states, pieces, _rows_of(for_), [g.row for g in for_], most=most)


def _rows_of(groups: Sequence[Group]) -> set[int]:
    return {g.row for g in groups}.union(*(p.rows for g in groups for p in g.pieces))


def _own(states: States, group: Group, names: Mapping[frozenset[int], float]) -> Marginal:
    """An unknown's marginal: all states of its own evidence, on all that the others left open."""
    begin = states.of_rows(_rows_of([group]))
    states = weigh(begin, group.pieces, most=MOST_OWN, wanted=[group.row])
    named = _of_others(states, group)
    if names:
        states = _as_named(states, named, names)
    weight = states.weight
    parts = []
    for k, piece in enumerate(group.pieces):
        parts.append(np.bincount(states.picked[:, k], weight, minlength=len(piece.parts)))
    mixture = _mixture(states, group.row).with_fewer(MOST_PARTS)
    out = Marginal(mixture, group.pieces, tuple(parts), names=_by_names(named, weight))
    if min(_right(out).values(), default=1.0) >= 0.5:
        return out
    outlines = [k for k, piece in enumerate(group.pieces) if piece.kind == OUTLINE]
    fewer = weigh_all_but_one(begin, group.pieces, outlines, most=MOST_OWN, wanted=[group.row])
    without = {
        str(group.pieces[k].photo): _mixture(fewer[k], group.row).with_fewer(MOST_PARTS_WITHOUT) for k in outlines
    }
    return replace(out, without=without)


def _of_others(states: States, group: Group) -> list[frozenset[int]]:
    """Of each state, the group's outlines, by their numbers, that are another antenna's by it."""
    out: list[frozenset[int]] = [frozenset()] * len(states)
    for k, piece in enumerate(group.pieces):
        others = [n for n, part in enumerate(piece.parts) if part.row != piece.parts[0].row]
        if piece.kind == OUTLINE and others:
            for s in np.flatnonzero(np.isin(states.picked[:, k], others)).tolist():
                out[s] = out[s] | {k}
    return out


def _by_names(named: Sequence[frozenset[int]], weight: Array) -> dict[frozenset[int], float]:
    """The weights (S,) of states that name alike, together."""
    out = dict.fromkeys(named, 0.0)
    for some, w in zip(named, weight.tolist(), strict=True):
        out[some] += w
    return out


def _as_named(states: States, named: Sequence[frozenset[int]], names: Mapping[frozenset[int], float]) -> States:
    """States that are as probable as they were beside those that name alike, and together as their names are."""
    total = _by_names(named, states.weight)
    if not any(names.get(some, 0.0) * w > 0.0 for some, w in total.items()):
        return states
    with np.errstate(divide="ignore"):
        more = np.log([names.get(some, 0.0) / max(total[some], 1e-300) for some in named])
    return replace(states, ln_weight=states.ln_weight + more)


def _mixture(states: States, row: int) -> Mixture:
    """What states say of a row."""
    at = states.place[row]
    return Mixture(states.weight, states.mean[:, at], np.sqrt(np.maximum(states.covariance[:, at, at], 1e-12)))


def _joint(begin: States, antennas: Sequence[Group], groups: Sequence[Group], common: Mapping[str, float]) -> Joint:
    """All azimuths together, given all evidence: as many states as matter to them."""
    rows = [g.row for g in antennas]
    states = weigh_for(begin, [p for g in groups for p in g.pieces], rows, rows, most=MOST_JOINT)
    at = np.array([states.place[r] for r in rows])
    own = np.array([common[g.name] for g in antennas])
    covariance = states.covariance[:, at[:, None], at] + np.diag(np.maximum(own**2, 0.0))
    return Joint(states.weight, states.mean[:, at] + np.array([g.at_rad for g in antennas]), covariance)


def _sure_ones_taken(
    begin: States, kinds: Sequence[Sequence[Group]], general: set[int]
) -> tuple[States, tuple[tuple[Group, ...], ...]]:
    """At large sites the surest pieces taken at their likeliest part, so that no more than MOST_OPEN stay open.

    general: rows that are needed besides those of the groups and their open pieces; others are forgotten. How sure a
    piece is: by the odds of its other parts, all other pieces at their likeliest.
    """
    groups = [g for some in kinds for g in some]
    pieces = [(k, p) for k, g in enumerate(groups) for p in g.pieces]
    if len(pieces) <= MOST_OPEN:
        return begin, tuple(tuple(some) for some in kinds)
    likeliest = [int(np.argmax([part.ln_weight for part in p.parts])) for _, p in pieces]
    taken = [replace(p, parts=(p.parts[n],)) for (_, p), n in zip(pieces, likeliest, strict=True)]
    settled = weigh(begin, taken, most=1)
    odds = np.array([_odds(settled, p, n) for (_, p), n in zip(pieces, likeliest, strict=True)])
    sure = set(np.argsort(odds, kind="stable")[: len(pieces) - MOST_OPEN].tolist())
    open_: list[list[Piece]] = [[] for _ in groups]
    for n, (k, p) in enumerate(pieces):
        if n in sure:  # a piece of one part keeps its place, and changes nothing any more
            part = replace(p.parts[likeliest[n]], row=groups[k].row, sigma=np.inf, further=(), counted=0.0)
            p = replace(p, parts=(part,), right=int(likeliest[n] < p.right))
        open_[k].append(p)
    opened_groups = [replace(g, pieces=tuple(some)) for g, some in zip(groups, open_, strict=True)]
    begin = weigh(begin, [taken[k] for k in sorted(sure)], most=1, wanted=general | _rows_of(opened_groups))
    begin = begin.of_rows(begin.place)
    out = iter(opened_groups)
    return begin, tuple(tuple(next(out) for _ in some) for some in kinds)


def _odds(settled: States, piece: Piece, likeliest: int) -> float:
    """Odds of a piece's other parts against its likeliest one, which is part of the one state `settled`."""
    if any(part.further for part in piece.parts):
        return math.inf  # what states several rows is not looked at by one of them
    part = piece.parts[likeliest]
    at = settled.place[part.row]
    variance = float(settled.covariance[0, at, at])
    # the row without what the likeliest part says of it
    information = max(1.0 / variance - 1.0 / part.sigma**2, 1e-6)
    mean = (float(settled.mean[0, at]) / variance - part.value / part.sigma**2) / information
    one = States.begin(np.array([mean]), np.array([[1.0 / information]]))
    same = tuple(replace(p, row=0) for p in piece.parts)  # of other rows nothing is known here: as if of this one
    states = weigh(one, [replace(piece, parts=same)], most=len(same))
    p = np.bincount(states.picked[:, 0], states.weight, minlength=len(same))
    return float((1.0 - p[likeliest]) / max(p[likeliest], 1e-12))
