"""What an archive says itself of its antennas, compasses and readings, for people who want priors of their own.

Empirical Bayes (B. Efron, Large-Scale Inference, 2010, ch. 1, from memory). How antennas hang is fitted by maximum
likelihood to what was measured, each antenna with its own uncertainty, by expectation and maximisation (A. Dempster et
al., J. Royal Stat. Soc. B 39 (1977) 1): verdicts are not counted. Shares are given with Jeffreys' prior; where it is
certain of each one what it is, their distribution is the beta distribution of as many as were seen.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from photoaz.angles import Array
from photoaz.judgement.beliefs import by_photos, deviations
from photoaz.judgement.conformity import Part, not_measured
from photoaz.judgement.reasons import in_words
from photoaz.priors import Priors
from photoaz.result import JudgedReading, LikelyCause, SiteResult
from photoaz.wording import percent

#: fewer antennas, photos, sites or readings say nothing
LEAST = 20
#: a spread is told of so many antennas, in all
LEAST_SPREAD = 3.0
#: faults of a site's readings, and of single ones, with their keys in a file of priors
OF_SITES: Mapping[LikelyCause, str] = {
    "declination_omitted": "declination_omitted_share",
    "grid_for_true": "grid_for_true_share",
    "common_offset": "common_offset_share",
}
OF_READINGS: Mapping[LikelyCause, str] = {
    "reversed_180": "reversed_share",
    "digits_transposed": "digits_transposed_share",
    "reading_wrong": "wrong_share",
}
_ROUNDS = 500
_STEPS = 2001  # of a share's distribution
_CHUNK = 2000
#: antennas that hang as designed are not told to hang closer than this part of the tolerance
_CLOSEST = 0.02
#: what is turned by less (one sigma) scatters, and is not turned (common practice, no source)
_TURNED_LEAST_DEG = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """A share of n: its mean, and the interval that holds it with 95 %."""

    share: float
    low: float
    high: float
    n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What an archive tells. turned: of antennas, the share not as designed; turned_sigma_deg: by how much, None where
    too few are turned to say; as_designed_spread: of the others, as a part of the tolerance. disturbed: compasses.
    faults: of sites or readings, by the cause's key in a file of priors. None where there is too little to tell it.
    """

    turned: Share
    turned_sigma_deg: float | None
    as_designed_spread: float
    disturbed: Share | None = None
    faults: Mapping[str, Share] = field(default_factory=dict)

    def values(self) -> dict[str, dict[str, tuple[float, str]]]:
        """Table, key, value and how well it is known, as a file of priors has them."""

        def said(s: Share, what: str) -> tuple[float, str]:
            return s.share, f"{s.low:.2g} to {s.high:.2g}, of {s.n} {what}"

        out: dict[str, dict[str, tuple[float, str]]] = {"antennas": {"turned_share": said(self.turned, "antennas")}}
        if self.turned_sigma_deg is not None:
            out["antennas"]["turned_sigma_deg"] = self.turned_sigma_deg, ""
        out["antennas"]["as_designed_spread"] = self.as_designed_spread, ""
        if self.disturbed is not None:
            out["compasses"] = {"disturbed_share": said(self.disturbed, "photos")}
        if self.faults:
            kind = dict.fromkeys(OF_SITES.values(), "sites") | dict.fromkeys(OF_READINGS.values(), "readings")
            out["readings"] = {key: said(s, kind[key]) for key, s in self.faults.items()}
        return out

    def text(self) -> str:
        """For people, in one line each."""
        spread = f"the others hang within ± {100.0 * self.as_designed_spread:.0f} % of their tolerance (one sigma)"
        far = "" if self.turned_sigma_deg is None else f", by some {self.turned_sigma_deg:.0f}°"
        lines = [f"{_words(self.turned)} antennas turned{far}; {spread}"]
        if self.disturbed is not None:
            lines.append(f"{_words(self.disturbed)} photos with a disturbed compass")
        for cause, key in (*OF_SITES.items(), *OF_READINGS.items()):
            if key in self.faults:
                of = "sites" if cause in OF_SITES else "readings"
                lines.append(f"{_words(self.faults[key])} {of}: {in_words(cause)}")
        return "\n".join(lines)


def _words(s: Share) -> str:
    return f"{percent(s.share)} ({percent(s.low)} to {percent(s.high)}) of {s.n}"


class Archive:
    """Gathers what is needed of each site as it passes; `told` then says what the archive tells."""

    def __init__(self) -> None:
        self._antennas: list[tuple[float, tuple[Part, ...]]] = []
        self._compasses: list[float] = []
        self._faults: dict[str, list[float]] = {key: [] for key in (*OF_SITES.values(), *OF_READINGS.values())}

    def add(self, site: SiteResult) -> None:
        """Take a judged site into account."""
        known = site.priors or Priors()
        for a in site.antennas:
            if a.design.azimuth_true_deg is not None and a.azimuth_true_deg is not None and not not_measured(a):
                photos = deviations(by_photos(a), a.design.azimuth_true_deg)
                self._antennas.append((a.design.tolerance_deg, photos))
        for p in site.photos:
            if p.p_compass_disturbed is not None:
                self._compasses.append(_odds(p.p_compass_disturbed, known.compasses.disturbed_share))
        readings = [r for a in site.antennas if (r := a.reading) is not None and r.p_right is not None]
        for cause, key in OF_READINGS.items():
            self._faults[key] += [_odds(_probability(r, cause), getattr(known.readings, key)) for r in readings]
        for cause, key in OF_SITES.items():
            if readings:
                at_work = max(_probability(r, cause) for r in readings)
                self._faults[key].append(_odds(at_work, getattr(known.readings, key)))

    def told(self) -> Told | None:
        """None where too few antennas were measured."""
        if len(self._antennas) < LEAST:
            return None
        told = hung_of(self._antennas)
        if told.turned.share * told.turned.n < LEAST_SPREAD:
            told = replace(told, turned_sigma_deg=None)
        disturbed = share_of(np.array(self._compasses)) if len(self._compasses) >= LEAST else None
        faults = {key: share_of(np.array(odds)) for key, odds in self._faults.items() if len(odds) >= LEAST}
        return replace(told, disturbed=disturbed, faults=faults)


def _probability(reading: JudgedReading, cause: LikelyCause) -> float:
    """Of a cause at work in a reading; one that is not listed has next to none."""
    return next((c.probability for c in reading.causes if c.cause == cause), 0.0)


def _odds(probability: float, prior: float) -> float:
    """How much more probable the evidence is with something than without: posterior odds over prior odds."""
    p = min(max(probability, 0.0), 1.0 - 1e-9)
    return p / (1.0 - p) * (1.0 - prior) / prior


def share_of(odds: Array) -> Share:
    """The share of those that something is true of.

    odds : (n,), of each the probability of what was seen of it if it is true, over that if it is not. Where they are 0
    or infinite the share's distribution is Jeffreys', beta(k + 1/2, n - k + 1/2).
    """
    # uniform in this angle is Jeffreys' prior for the share sin^2
    angle = (np.arange(_STEPS) + 0.5) * (0.5 * math.pi / _STEPS)
    share = np.sin(angle) ** 2
    log = np.zeros(_STEPS)
    with np.errstate(divide="ignore"):
        for some in np.array_split(odds, max(1, math.ceil(len(odds) / _CHUNK))):
            big = np.maximum(1.0, some)[:, None]
            log += np.log((1.0 - share) / big + share * (some[:, None] / big)).sum(0)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    low, high = np.interp([0.025, 0.975], np.cumsum(weight) - 0.5 * weight, angle)
    return Share(share=float(weight @ share), low=math.sin(low) ** 2, high=math.sin(high) ** 2, n=len(odds))


def hung_of(antennas: Sequence[tuple[float, Sequence[Part]]]) -> Told:
    """How antennas hang, by maximum likelihood.

    antennas : of each the tolerance [deg] and what was measured of its deviation from the design, weights to 1.
    """
    known = Priors().antennas
    parts = ((k, tolerance, x) for k, (tolerance, some) in enumerate(antennas) for x in some)
    rows = np.array([(k, t, x.deviation_deg, x.sigma_deg, x.probability) for k, t, x in parts])
    owner, tolerance, deviation, sigma, weight = rows.T
    owner = owner.astype(int)
    n = len(antennas)
    share = np.array([1.0 - known.turned_share, known.turned_share * 0.7, known.turned_share * 0.3])
    spread, turned = known.as_designed_spread, known.turned_sigma_deg

    def densities() -> Array:
        """Of what was measured, if as designed, turned, anywhere: (rows, 3)."""
        by = np.stack([spread * tolerance, np.full(len(rows), turned)], 1)
        both2 = by**2 + (sigma**2)[:, None]
        normal = np.exp(-0.5 * (deviation**2)[:, None] / both2) / np.sqrt(2.0 * math.pi * both2)
        return np.asarray(np.column_stack([normal, np.full(len(rows), 1.0 / 360.0)]) * weight[:, None])

    for _ in range(_ROUNDS):
        before = (*share, spread, turned)
        part = densities() * share
        part /= np.bincount(owner, part.sum(1), n)[owner][:, None]
        # what the true deviation is expected to be, squared, under each normal part
        by2 = np.stack([(spread * tolerance) ** 2, np.full(len(rows), turned**2)], 1)
        kept = by2 / (by2 + (sigma**2)[:, None])
        square = (kept * deviation[:, None]) ** 2 + kept * (sigma**2)[:, None]
        count = part.sum(0)
        share = count / n
        spread = max(math.sqrt(float(part[:, 0] @ (square[:, 0] / tolerance**2)) / max(count[0], 1e-9)), _CLOSEST)
        if count[1] >= 1.0:
            turned = max(math.sqrt(float(part[:, 1] @ square[:, 1]) / count[1]), _TURNED_LEAST_DEG)
        if np.allclose(before, (*share, spread, turned), rtol=1e-6, atol=1e-8):
            break
    of = np.stack([np.bincount(owner, d, n) for d in densities().T], 1)
    anywhere = float(share[2] / max(share[1] + share[2], 1e-12))
    odds = ((1.0 - anywhere) * of[:, 1] + anywhere * of[:, 2]) / np.maximum(of[:, 0], 1e-300)
    return Told(turned=share_of(odds), turned_sigma_deg=turned, as_designed_spread=spread)
