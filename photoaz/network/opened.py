"""An adjusted network opened again: what may be wrong in it taken out as pieces of evidence, the rest one normal.

An outline's part that tells the azimuth is one row of its whitened residuals, along j / |j| with j their derivative by
the azimuth: a wrong outline is one whose azimuth is off by an unknown angle. The rows orthogonal to that, of its place
and size, count as far as the outline is believed beforehand: of what is normal with probability p, and else tells next
to nothing, the equations of A. P. Dempster, N. M. Laird, D. B. Rubin, J. Royal Statistical Society B 39 (1977) 1 weigh
the squares with p. A compass is one row by itself, and what those of a stand share another. How antennas hang is a
piece of evidence as well, of an azimuth less the angle by which a whole site may be off.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import UNKNOWN_RAD, wrap_rad
from photoaz.naming.model import AntennaPriors
from photoaz.network.adjust import Adjusted, inverse, linearise
from photoaz.network.compass import CompassError, compass_errors, is_compass
from photoaz.network.hypotheses import Part, Piece
from photoaz.network.observations import Box, Observation
from photoaz.network.parameters import Layout
from photoaz.network.site import PhotoObservations, SiteNetwork, azimuth_of_mode, azimuths_of_modes
from photoaz.network.surrounded import SurroundingsSeen, match_piece
from photoaz.priors import Priors
from photoaz.surroundings.corners import UNKNOWNS
from photoaz.vision.evidence import TILT_SIGMA_RAD, BoxMode

Array = NDArray[Any]

#: up to here an outline is linear to a twentieth of a degree in the azimuth (found at drawn sites)
LINEAR_RAD = math.radians(5.0)
#: right outlines of one antenna from standpoints nearer to each other than this, as seen from it, err together: their
#: correlation in 2351 pairs of rendered heads (0.19; from other standpoints, 3440 pairs, 0.00)
NEIGHBOURS_RAD, NEIGHBOURS_CORRELATED = math.radians(20.0), 0.19
#: kinds of pieces
OUTLINE, COMPASS_PIECE, HUNG, SITE_ERROR = "outline", "compass", "hung", "site error"
#: which part of the site's piece is that with an error
BUILT_OFF = 1
#: standard uncertainty [rad] of what is exact
_EXACT_RAD = 1e-5
#: where of a box's unknowns (photo 9, antenna 9, site 2) its azimuth stands
_AZIMUTH = 9


@dataclass(frozen=True, slots=True)
class Group:
    """An unknown with its own evidence: an antenna's azimuth, a photo's heading, a stand's or the site's error.

    name: of the antenna, photo or stand. row: the unknown's. at_rad: the adjusted value, which the row is off from.
    """

    name: str
    row: int
    at_rad: float
    pieces: tuple[Piece, ...]


@dataclass(frozen=True, slots=True)
class Opened:
    """rows' mean (K,) and covariance (K, K) without all pieces. stands: the compass errors that photos taken moments
    apart share. hung: per antenna how it hangs; site: the site's error.
    """

    mean: Array
    covariance: Array
    antennas: tuple[Group, ...]
    photos: tuple[Group, ...]
    stands: tuple[Group, ...]
    site: Group
    hung: Mapping[str, Piece]


class _Rows:
    """Linear combinations of the unknowns, gathered one by one."""

    def __init__(self, size: int) -> None:
        self.size = size
        self.picked: list[Array] = []

    def add(self, *terms: tuple[Array | int, Array | float]) -> int:
        """A row as the sum of terms (index, coefficient); its number."""
        row = np.zeros(self.size)
        for index, coefficient in terms:
            row[index] += coefficient
        self.picked.append(row)
        return len(self.picked) - 1


# longer than most: one pass that takes the network apart
def opened(
    network: SiteNetwork,
    adjusted: Adjusted,
    observations: Sequence[Observation],
    choice: Mapping[tuple[str, str], int],
    priors: Priors,
) -> Opened:
    """Take out of an adjusted network what may be wrong. Each row is off its adjusted value."""
    x, layout = adjusted.x, network.layout
    size = len(x)
    normal, side = np.zeros((size + 1, size + 1)), np.zeros(size + 1)

    def count(index: Array, j: Array, r: Array) -> None:
        normal[np.ix_(index, index)] += j.T @ j
        side[index] -= j.T @ r

    for o, rows in zip(observations, adjusted.rows, strict=True):
        if not (isinstance(o, (Box, SurroundingsSeen)) or is_compass(o)):
            count(o.index, adjusted.jacobian[rows][:, o.index], adjusted.residual[rows])
    azimuth = {a.name: int(layout.antenna(a.name, "azimuth")[0]) for a in network.antennas}
    heading = {p.name: int(layout.photo(p.name, "heading")[0]) for p in network.photos}
    errors = compass_errors(network, priors.compasses)
    for k in (*azimuth.values(), *heading.values(), *(e.index[0] for e in errors if _of_stand(e))):
        normal[k, k] += 1.0 / UNKNOWN_RAD**2
    # the site's error is an unknown of its own, the last
    error_rad = math.radians(priors.sites.error_sigma_deg)
    normal[size, size] = 1.0 / error_rad**2
    picked = _Rows(size + 1)
    antenna_row = {name: picked.add((k, 1.0)) for name, k in azimuth.items()}
    photo_row = {name: picked.add((k, 1.0)) for name, k in heading.items()}
    compasses: dict[str, tuple[Piece, ...]] = {}
    stands: list[Group] = []
    for e in errors:
        k = e.index[0]
        n = photo_row[e.owner] if e.index == (heading[e.owner],) else picked.add((np.array(e.index), 1.0))
        if _of_stand(e):
            stands.append(Group(e.owner, n, float(x[k]), (_compass(e, n, x),)))
        else:
            compasses[e.owner] = (_compass(e, n, x),)
    hung_row = {name: picked.add((k, 1.0), (size, -1.0)) for name, k in azimuth.items()}
    error_row = picked.add((size, 1.0))
    outlines: dict[str, list[Piece]] = {name: [] for name in azimuth}
    for p in sorted(network.photos, key=lambda p: p.name):
        for name, modes in p.boxes.items():
            chosen = choice[p.name, name]
            box = network.box(p, name, modes[chosen])
            # the adjustment may rest at another outline that is wrong: this one is linear only near what it tells
            told = azimuth_of_mode(p, modes[chosen], x[layout.photo(p.name)[:3]])
            moved = float(wrap_rad(told - x[azimuth[name]]))
            moved = moved if abs(moved) > LINEAR_RAD else 0.0
            r, jacobian, _ = linearise([box], x + moved * (np.arange(size) == azimuth[name]))
            j = jacobian[:, box.index]
            strength = float(np.linalg.norm(j[:, _AZIMUTH]))
            if strength > 0.0:
                u = j[:, _AZIMUTH] / strength
                telling = u @ j / strength
                row = {name: picked.add((box.index, telling))}
                for other in azimuth:
                    if any(other == n for n, _ in p.names.get(name, ())):
                        swap = (azimuth[name], -1.0), (azimuth[other], 1.0)
                        row[other] = picked.add((box.index, telling), *swap)
                said = moved - float(u @ r) / strength
                alike = 1.0 + NEIGHBOURS_CORRELATED * (_neighbours(network.photos, x, layout, p, name) - 1)
                piece = _outline(
                    p,
                    name,
                    chosen,
                    row,
                    (said, float(np.sqrt(alike)) / strength),
                    x[layout.photo(p.name)[:3]],
                    {n: float(x[k] - x[azimuth[name]]) for n, k in azimuth.items()},
                )
                outlines[name].append(piece)
                believed = math.sqrt(sum(math.exp(part.ln_weight) for part in piece.parts[: piece.right]))
                j, r = believed * (j - np.outer(u, u @ j)), believed * (r - u * (u @ r))
            count(box.index, j, r)
    covariance = inverse(normal)
    matches: dict[str, tuple[Piece, ...]] = {}
    for p in network.photos:
        if p.laid is not None:
            index = layout.photo(p.name, *UNKNOWNS)
            known = covariance[np.ix_(index, index)]
            matches[p.name] = (match_piece(p.laid, p.name, index, x[index], known, picked.add),)
    rows_of = np.stack(picked.picked)
    return Opened(
        mean=rows_of @ (covariance @ side),
        covariance=rows_of @ covariance @ rows_of.T,
        antennas=tuple(Group(n, row, float(x[azimuth[n]]), tuple(outlines[n])) for n, row in antenna_row.items()),
        photos=tuple(
            Group(n, row, float(x[heading[n]]), (*compasses.get(n, ()), *matches.get(n, ())))
            for n, row in photo_row.items()
        ),
        stands=tuple(stands),
        site=Group("", error_row, 0.0, (_site_error(error_row, error_rad, priors),)),
        hung={
            a.name: _hung(a, hung_row[a.name], float(x[azimuth[a.name]]), priors, unsure=_unsure(network, a.name))
            for a in network.antennas
        },
    )


def _neighbours(
    photos: Sequence[PhotoObservations], x: Array, layout: Layout, photo: PhotoObservations, antenna: str
) -> int:
    """How many photos show an antenna from about where a photo does, itself among them.

    Of errors that correlate by r, the mean of n has 1 + r (n - 1) times the variance of independent ones.
    """

    def bearing(p: PhotoObservations) -> float:
        way = x[layout.photo(p.name, "east", "north")] - x[layout.site()]
        return float(np.arctan2(way[0], way[1]))

    here = bearing(photo)
    return sum(antenna in p.boxes and abs(float(wrap_rad(bearing(p) - here))) < NEIGHBOURS_RAD for p in photos)


def _outline(
    photo: PhotoObservations,
    antenna: str,
    chosen: int,
    row: Mapping[str, int],
    said: tuple[float, float],
    attitude: Array,
    off: Mapping[str, float],
) -> Piece:
    """An antenna's outline in a photo as a piece of evidence.

    row: of the antenna, and of those that it may be instead. said: what the chosen mode states of the row, and its
    sigma. off: each antenna's adjusted azimuth off this one's [rad].
    """
    modes: tuple[BoxMode, ...] = photo.boxes[antenna]
    cost = np.array([m.cost for m in modes])
    share = np.exp(-0.5 * (cost - cost.min()))
    share /= share.sum()
    azimuth, sigma = azimuths_of_modes(photo, modes, attitude, TILT_SIGMA_RAD)
    apart = wrap_rad(azimuth - azimuth[chosen])
    others = {n: p for n, p in photo.names.get(antenna, ()) if p > 0.0}
    name_right = max(1.0 - sum(others.values()), 1e-6)
    parts: list[Part] = []
    for name, p_name in ((antenna, name_right), *((n, p) for n, p in others.items() if n is not None and n in row)):
        for m in range(len(modes)):
            if modes[m].p_right * share[m] * p_name > 0.0:
                ln = math.log(p_name * modes[m].p_right * float(share[m]))
                value = said[0] + float(apart[m]) - off[name]
                parts.append(Part(ln, row[name], value, said[1] if m == chosen else float(sigma[m])))
        if name == antenna:
            of_right = len(parts)
    # of none of these antennas, or anything at all: it says nothing of any azimuth
    nothing = sum(p for n, p in others.items() if n not in row)
    for rival in dict.fromkeys(m.rival for m in modes):
        of = [k for k, m in enumerate(modes) if m.rival == rival]
        first = chosen if chosen in of else min(of, key=lambda k: modes[k].cost)
        not_right = float(share[of].sum()) * (1.0 - modes[first].p_right)
        wrong, flat = name_right * not_right, 1.0
        for of_wrong in modes[first].wrong:
            flat -= of_wrong.share
            if wrong * of_wrong.share > 0.0:
                value = said[0] + float(apart[first]) + of_wrong.off_rad
                parts.append(Part(math.log(wrong * of_wrong.share), row[antenna], value, of_wrong.sigma_rad))
        nothing += wrong * flat + not_right * sum(p for n, p in others.items() if n in row)
    if nothing > 0.0:
        parts.append(Part(math.log(nothing), row[antenna]))
    return Piece(OUTLINE, photo.name, tuple(parts), of_right)


def _of_stand(error: CompassError) -> bool:
    """Whether it is the error that a stand's photos share."""
    return len(error.photos) > 1


def _compass(error: CompassError, row: int, x: Array) -> Piece:
    """A compass's error as a piece of evidence: good, or disturbed (or never read)."""
    value = float(wrap_rad(error.said_rad - float(x[list(error.index)].sum())))
    parts = tuple(Part(math.log(share), row, value, sigma) for share, sigma in error.parts)
    return Piece(COMPASS_PIECE, error.owner, parts)


def _unsure(network: SiteNetwork, antenna: str) -> bool:
    """Whether in no photo it is told which panel an antenna is."""
    return all(antenna in p.unsure for p in network.photos if antenna in p.boxes)


def _hung(antenna: AntennaPriors, row: int, at_rad: float, priors: Priors, *, unsure: bool) -> Piece:
    """How an antenna hangs: as designed, turned by some tens of degrees, anywhere.

    unsure: which of several panels it is nobody knows, and that one of them hangs as designed does not tell.
    """
    if unsure or not (antenna.design_known and antenna.own):
        return Piece(HUNG, None, (Part(0.0, row),))
    known = priors.antennas
    turned, anywhere = known.turned_share, known.turned_anywhere_share
    value = float(wrap_rad(antenna.design_rad - at_rad))
    return Piece(
        HUNG,
        None,
        (
            Part(math.log(1.0 - turned), row, value, known.as_designed_spread * antenna.tolerance_rad),
            Part(math.log(turned * (1.0 - anywhere)), row, value, math.radians(known.turned_sigma_deg)),
            Part(math.log(turned * anywhere), row),
        ),
    )


def _site_error(row: int, sigma_rad: float, priors: Priors) -> Piece:
    """Whether all antennas of the site are off by one angle; the row's own distribution is what it is if they are."""
    # a part's weight is its prior over the density of what it states: for none the angle is exactly 0
    density = math.log(math.sqrt(2.0 * math.pi) * math.hypot(sigma_rad, _EXACT_RAD))
    share = priors.sites.error_share
    none = Part(math.log(1.0 - share) + density, row, 0.0, _EXACT_RAD)
    return Piece(SITE_ERROR, None, (none, Part(math.log(share) + math.log(2.0 * math.pi), row)))
