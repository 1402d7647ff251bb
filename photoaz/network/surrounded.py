"""A photo laid over a map of what stands round, as an observation and as a piece of evidence that may be wrong.

In the network it is what its paired corners say of heading, standpoint, focal length, roll and principal point, in the
way that is likeliest. Whether that way, another one or none is right is weighed with all else of the site: each way
with all that it says, for one that looks elsewhere stood elsewhere, too.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import wrap_rad
from photoaz.network.hypotheses import Part, Piece
from photoaz.network.observations import wrap
from photoaz.network.parameters import Layout
from photoaz.surroundings.corners import UNKNOWNS
from photoaz.surroundings.match import Peak, SkylineMatch

Array = NDArray[Any]

#: what the error budget calls it
SURROUNDINGS = "surroundings"
#: peaks so near to each other say the same of a heading [rad]
ONE_HEADING_RAD = math.radians(1.5)
#: a match less probable than this is not adjusted with: all that it says is weighed afterwards
LEAST_ADJUSTED = 0.5
#: what a match tells to no better than this part of how it is known otherwise is left out
LEAST_TOLD = 0.3
#: rows are weighed as angles: one of them is a standard uncertainty of the heading, or this where that is wider, so
#: that nothing that may be lies half a turn off
ROW_RAD = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class LaidOver:
    """A photo's match with the map, the peak that the network is adjusted with, by number, and how probable that is
    with what is known of the heading otherwise.
    """

    match: SkylineMatch
    chosen: int
    probability: float

    @property
    def peak(self) -> Peak:
        """The likeliest one, which is adjusted with where it is `adjusted`."""
        return self.match.peaks[self.chosen]

    @property
    def adjusted(self) -> bool:
        """Whether it is probable enough to be adjusted with."""
        return self.probability >= LEAST_ADJUSTED


@dataclass(frozen=True, slots=True)
class SurroundingsSeen:
    """The observation that a peak makes: residual = root @ (x - value) - offset, over `corners.UNKNOWNS` of a photo."""

    photo: str
    label: str
    index: Array
    value: Array
    root: Array
    offset: Array
    source: ClassVar[str] = SURROUNDINGS
    testable: ClassVar[bool] = True

    def residual(self, x: Array) -> Array:
        """Whitened residuals (..., m) at its unknowns (..., 6)."""
        d = x - self.value
        d = np.concatenate([wrap(d[..., :1]), d[..., 1:]], -1)
        out: Array = np.einsum("ij,...j->...i", self.root, d) - self.offset
        return out


def surroundings_seen(photo: str, laid: LaidOver, layout: Layout) -> SurroundingsSeen:
    """The observation that a photo's likeliest peak makes."""
    # as few rows as unknowns: what is left over says nothing of them
    q, root = np.linalg.qr(laid.peak.root)
    label = f"surroundings of {photo}"
    return SurroundingsSeen(photo, label, layout.photo(photo, *UNKNOWNS), laid.peak.value, root, q.T @ laid.peak.offset)


def match_piece(
    laid: LaidOver, photo: str, index: Array, x: Array, known: Array, pick: Callable[[tuple[Array, Array]], int]
) -> Piece:
    """Which peak is right, if any; each states all that it tells of where the camera stood and looked.

    Parameters
    ----------
    index, x (6,), known (6, 6) : `corners.UNKNOWNS` of the photo, by number, as adjusted, and their covariance without
        any evidence that may be wrong. pick : numbers a combination of unknowns (index, coefficients).
    """
    root_known = np.linalg.cholesky(known)
    parts = []
    for peak in laid.match.peaks:
        q, root = np.linalg.qr(peak.root)
        u, tells, _ = np.linalg.svd(root @ root_known)
        # what is known better without the map is left out, the same for all that it is weighed against
        u = u[:, : max(int((tells > LEAST_TOLD).sum()), 1)]
        rows, offset = u.T @ root, u.T @ (q.T @ peak.offset)
        said, before = offset - rows @ _apart(x, peak.value), offset - rows @ _apart(peak.known, peak.value)
        # its probability was reckoned with what was known of the photo alone: that is not to be counted again
        spread = np.eye(len(rows)) + rows @ peak.known_covariance @ rows.T
        counted = -0.5 * float(
            before @ np.linalg.solve(spread, before)
            + np.linalg.slogdet(spread)[1]
            + len(rows) * math.log(2.0 * math.pi)
        )
        scale = 1.0 / np.maximum(np.abs(rows[:, 0]), 1.0 / ROW_RAD)
        stated = [
            (pick((index, k * row)), k * float(value), k)
            for k, row, value in zip(scale.tolist(), rows, said, strict=True)
        ]
        parts.append(
            Part(
                math.log(peak.probability),
                *stated[0],
                further=tuple(stated[1:]),
                counted=counted - float(np.log(scale).sum()) + math.log(2.0 * math.pi),
            )
        )
    none = max(1.0 - sum(p.probability for p in laid.match.peaks), 1e-6)
    return Piece(SURROUNDINGS, photo, (*parts, Part(math.log(none), pick((index[:1], np.ones(1))))))


def _apart(x: Array, value: Array) -> Array:
    """Differences (6,) of UNKNOWNS."""
    return np.concatenate([[float(wrap_rad(x[0] - value[0]))], x[1:] - value[1:]])


def likeliest_peak(match: SkylineMatch, headings: Sequence[tuple[float, float, float]]) -> tuple[int, float]:
    """The peak that suits what else is known of the heading, by number, and how probable it or one beside it is then.

    headings: statements of it [rad]: value, sigma, probability of being right.
    """
    ln = np.log(np.array([p.probability for p in match.peaks]))
    none = math.log(max(1.0 - float(np.exp(ln).sum()), 1e-6))
    for value, sigma, right in headings:
        for k, p in enumerate(match.peaks):
            spread = math.hypot(sigma, p.heading_sigma_rad)
            off = float(wrap_rad(p.value[0] - value))
            density = math.exp(-0.5 * (off / spread) ** 2) / (spread * math.sqrt(2.0 * math.pi))
            ln[k] += math.log(right * density * 2.0 * math.pi + (1.0 - right))
    top = max(float(ln.max()), none)
    p = np.exp(ln - top) / (np.exp(ln - top).sum() + math.exp(none - top))
    chosen = int(p.argmax())
    return chosen, float(p[one_heading(match, chosen)].sum())


def one_heading(match: SkylineMatch, chosen: int) -> Array:
    """Which peaks (n,) say the same of the heading as the chosen one."""
    first = match.peaks[chosen]
    near = max(ONE_HEADING_RAD, first.heading_sigma_rad)
    return np.array([abs(wrap_rad(p.value[0] - first.value[0])) < near for p in match.peaks])
