"""A photo laid over a map of what stands round, as an observation and as a piece of evidence that may be wrong.

In the network it is what its paired corners say of heading, standpoint, focal length, roll and principal point, in the
way that is likeliest. Whether that way, another one or none is right is weighed with all else of the site.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
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
        """The one adjusted with."""
        return self.match.peaks[self.chosen]


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


def telling_row(
    observation: SurroundingsSeen, residual: Array, jacobian: Array
) -> tuple[Array, float, float, Array, Array]:
    """A match's one row that tells the heading: its coefficients (6,), what it says there, its sigma; and what is left.

    residual (m,), jacobian (m, 6): at the adjusted unknowns. What is left: derivatives and residuals without that row.
    """
    strength = float(np.linalg.norm(jacobian[:, 0]))
    u = jacobian[:, 0] / strength
    said = -float(u @ residual) / strength
    rest = jacobian - np.outer(u, u @ jacobian), residual - u * (u @ residual)
    return u @ jacobian / strength, said, 1.0 / strength, *rest


def match_piece(laid: LaidOver, photo: str, row: int, said: float, sigma: float) -> Piece:
    """Which peak is right, if any. row: of the heading as the chosen peak tells it; said, sigma [rad]: what it says."""
    parts = []
    for k, peak in enumerate(laid.match.peaks):
        off = float(wrap_rad(peak.value[0] - laid.peak.value[0]))
        own = sigma if k == laid.chosen else 1.0 / float(np.linalg.norm(peak.root[:, 0]))
        parts.append(Part(math.log(peak.probability), row, said + off, own))
    none = max(1.0 - sum(p.probability for p in laid.match.peaks), 1e-6)
    return Piece(SURROUNDINGS, photo, (*parts, Part(math.log(none), row)))


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
