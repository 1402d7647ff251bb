"""Why a site's readings differ from its photos: every explanation held against all antennas at once.

Each explanation says what the readings should be, given the photos' azimuths; how probable the readings are under it
is a multivariate normal density with the estimates' joint covariance and the readings' own uncertainties. What an
explanation leaves open (an angle common to all, how far a wrong reading is off) is integrated out, which makes a vague
explanation pay for its vagueness. With a prior for each (`photoaz.quantities`), Bayes' theorem gives their
probabilities (H. Jeffreys, Theory of Probability, 1961, chapter V; R. E. Kass, A. E. Raftery, Bayes factors, JASA 90
(1995) 773).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from photoaz.angles import Array, difference_deg
from photoaz.judgement.beliefs import MOST_PARTS, fewer
from photoaz.judgement.conformity import probability_out
from photoaz.judgement.exchanges import swaps_of
from photoaz.judgement.fault_search import FaultState, azimuths_given, search
from photoaz.judgement.reading_faults import Case, Facts, Kind, facts_of, faults_of, references_of
from photoaz.judgement.reasons import odds, site_causes_sentence
from photoaz.priors import Priors
from photoaz.quantities import CAUSE_LISTED, CAUSE_NAMED, CAUSES_APART, K95
from photoaz.register.model import Antenna
from photoaz.result import Alternative, Cause, JudgedReading, LikelyCause, SiteCauses


def likely_causes(
    cases: Sequence[Case],
    estimates_covariance_deg2: Array,
    others: Sequence[tuple[Antenna, float]] = (),
    priors: Priors | None = None,
    covariance_known_deg2: Array | None = None,
    *,
    alone: bool = True,
) -> Explained:
    """What explains a site's readings, by comparing all explanations over all its antennas.

    Parameters
    ----------
    cases : the n antennas that have a reading and an estimate. estimates_covariance_deg2 : (n, n), joint covariance of
        the estimates. others : the site's other antennas with their true design azimuths [deg], which an exchanged
        reading may be of. priors : what is known of antennas and readings in general. covariance_known_deg2 : (n, n),
        of the azimuths with what is known of antennas; the estimates' where not given. alone : tell of each reading as
        well how probably the photos alone bear it out; without that it takes half the time.

    Returns
    -------
    Explained : nothing depends on the cases' order.

    Raises
    ------
    ValueError : a covariance of another shape, uncertainties that are none.
    """
    n = len(cases)
    v = np.asarray(estimates_covariance_deg2, float)
    if v.shape != (n, n):
        raise ValueError("the covariance needs a row and a column for each antenna")
    if n == 0:
        return Explained(readings={}, azimuths={}, causes=SiteCauses(causes=()))
    # one order inside, so that sums come out the same to the last bit
    order = sorted(range(n), key=lambda k: cases[k].antenna.antenna_id)
    others = sorted(others, key=lambda x: x[0].antenna_id)
    some, priors = [cases[k] for k in order], priors or Priors()
    known = v if covariance_known_deg2 is None else np.asarray(covariance_known_deg2, float)
    in_order = np.ix_(order, order)
    explanations = _Explanations(facts_of(some, known[in_order], others, priors))
    told = explanations.readings()
    if alone:
        by_photos = _Explanations(facts_of(some, v[in_order], others, priors, by_design=False)).right()
        told = {n: replace(reading, p_right_photos_alone=by_photos[n]) for n, reading in told.items()}
    readings = {n: told[n] for n in (c.antenna.antenna_id for c in cases)}
    causes = explanations.named(readings)
    return Explained(
        readings=readings,
        azimuths=explanations.azimuths(),
        causes=SiteCauses(causes=causes, sentence=site_causes_sentence(readings, causes)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """readings: by antenna_id, with what may explain each. causes: those named, taken together.

    azimuths: by antenna_id what is believed of the azimuth by photos, readings and what is known in general.
    """

    readings: Mapping[str, JudgedReading]
    azimuths: Mapping[str, tuple[Alternative, ...]]
    causes: SiteCauses


#: what is at work where a reading says where its antenna points
_RIGHT: tuple[tuple[Kind, ...], ...] = ((), ("other way",))
#: what makes a reading say nothing of the azimuth
_TELLS_NOTHING = {"reading_wrong", "antenna_turned"}
#: states that are told one by one, the most probable; those of so small a probability, all together, are left out
_MOST_STATES, _UNTOLD = 80, 1e-3


class _Explanations:
    """What a site's states say of its readings: their weights, and which causes are at work in which reading."""

    def __init__(self, facts: Facts) -> None:
        self.facts, self.references = facts, references_of(facts)
        self.swaps = swaps_of(facts, self.references)
        self.faults = [faults_of(facts, ref) for ref in self.references]
        states = search(facts, self.references, self.swaps, self.faults)
        # they come most probable first, and what the last thousandth says changes nothing
        weight = np.exp(np.array([x.log_posterior for x in states]) - states[0].log_posterior)
        told = int(np.searchsorted(np.cumsum(weight), (1.0 - _UNTOLD) * weight.sum())) + 1
        told = min(told, _MOST_STATES)
        self.states = states[:told]
        self.weight = weight[:told] / weight[:told].sum()
        self.active = [self._active(x) for x in self.states]

    @cached_property
    def given(self) -> list[tuple[Array, Array]]:
        """Azimuths and their variances under each state."""
        alike: dict[tuple[int, int], list[FaultState]] = {}
        for x in self.states:
            alike.setdefault((x.reference, x.swap), []).append(x)
        out: dict[FaultState, tuple[Array, Array]] = {}
        for (r, s), some in alike.items():
            given = azimuths_given(self.facts, self.references[r], self.swaps[s], self.faults[r], some)
            out.update(zip(some, given, strict=True))
        return [out[x] for x in self.states]

    def _active(self, state: FaultState) -> list[tuple[Kind, ...]]:
        """Of each reading the causes at work in it, the foremost first; () where nothing is."""
        kinds = {i: self.faults[state.reference].kind[k] for i, k in state.faults}
        ref, source = self.references[state.reference], self.swaps[state.swap].source
        active: list[tuple[Kind, ...]] = []
        for i in range(len(self.facts.cases)):
            own = kinds.get(i)
            out: list[Kind] = []
            if own == "reading_wrong":
                active.append((own,))
                continue
            if source[i] != i:
                out.append("sectors_swapped")
            if ref.cause is not None and ref.who[i]:
                out.append(ref.cause)
            if own == "antenna_turned" or (own == "other way" and not out):
                out.append(own)  # the reading is as the rest of the site's are, whatever became of the antenna
            elif own is not None and own != "other way":
                out.insert(0, own)
            active.append(tuple(dict.fromkeys(out)))
        return active

    def azimuths(self) -> dict[str, tuple[Alternative, ...]]:
        """What is believed of each azimuth: of every state by photos and readings, or by photos alone."""
        order = np.argsort(-self.weight, kind="stable")
        return {c.antenna.antenna_id: self._azimuth(i, order) for i, c in enumerate(self.facts.cases)}

    def _azimuth(self, i: int, states: Array) -> tuple[Alternative, ...]:
        ways: list[Alternative] = []
        nothing = 0.0
        for k in states.tolist():
            w = float(self.weight[k])
            if _TELLS_NOTHING.intersection(self.active[k][i]):
                nothing += w
            else:
                mean, variance = self.given[k]
                u95 = K95 * math.sqrt(float(variance[i]))
                ways.append(Alternative(azimuth_true_deg=float(mean[i]), u95_deg=u95, probability=w))
        ways += [replace(p, probability=nothing * p.probability) for p in self.facts.cases[i].known]
        return fewer(ways, MOST_PARTS)

    def readings(self) -> dict[str, JudgedReading]:
        """The readings by antenna_id, each with its causes, whether it is right, and what it should have been."""
        told, right = {}, self.right()
        for i, c in enumerate(self.facts.cases):
            own = [a[i] for a in self.active]
            reading = self._explained(i, own)
            corrected = None
            if reading.likely_cause is not None:
                at = next((k for k, a in enumerate(own) if reading.likely_cause in a), None)
                corrected = None if at is None else self._corrected(self.states[at], i)
            told[c.antenna.antenna_id] = replace(reading, p_right=right[c.antenna.antenna_id], corrected_deg=corrected)
        return told

    def right(self) -> dict[str, float]:
        """By antenna_id the probability that a reading says where its antenna points."""
        weighed = list(zip(self.weight, self.active, strict=True))
        right = [float(sum(w for w, a in weighed if a[i] in _RIGHT)) for i in range(len(self.facts.cases))]
        return {c.antenna.antenna_id: min(p, 1.0) for c, p in zip(self.facts.cases, right, strict=True)}

    def named(self, readings: Mapping[str, JudgedReading]) -> tuple[Cause, ...]:
        """The causes that are likely of some reading, with the probability that they are at work in all of those."""
        names = [c.antenna.antenna_id for c in self.facts.cases]
        site = []
        for cause in dict.fromkeys(x for n in names if (x := readings[n].likely_cause) is not None):
            some = [i for i, n in enumerate(names) if readings[n].likely_cause == cause]
            if cause == "antenna_turned" or len(some) == 1:  # each by itself
                together = min(next(c.probability for c in readings[names[i]].causes if c.cause == cause) for i in some)
            else:
                at_work = (all(cause in a[i] for i in some) for a in self.active)
                together = float(sum(w for w, yes in zip(self.weight, at_work, strict=True) if yes))
            site.append(Cause(cause=cause, probability=together, antennas=tuple(names[i] for i in some)))
        return tuple(sorted(site, key=lambda c: (-len(c.antennas), c.cause)))

    def _explained(self, i: int, active: Sequence[tuple[Kind, ...]]) -> JudgedReading:
        """Reading i with its causes; one is named only where it is probable and told apart from the others."""
        case = self.facts.cases[i]
        sums = _sums(case, [(float(m[i]), float(v[i])) for m, v in self.given], active, self.weight)
        # of two at work in one reading, its own comes before the whole site's
        ranked = sorted(sums.probability, key=lambda c: (-sums.own[c], c))
        listed = tuple(
            Cause(cause=c, probability=min(1.0, sums.probability[c]), antennas=(case.antenna.antenna_id,))
            for c in ranked
            if sums.probability[c] >= CAUSE_LISTED
        )
        reading = replace(case.reading, no_fault=sums.no_fault, causes=listed)
        if not ranked or sums.no_fault >= CAUSE_NAMED:
            return reading
        first, *rest = ranked
        p = sums.probability[first]
        alike = [first, *(c for c in rest if self._not_told_apart(first, c, sums, active))]
        if p >= CAUSE_NAMED and len(alike) == 1:
            return replace(reading, likely_cause=first, cause_odds=odds(min(p, 1.0)))
        # named together is whatever is about as probable
        least = max(p, sums.no_fault) / CAUSES_APART
        alike += [c for c in ranked if c not in alike and sums.probability[c] >= least]
        return replace(reading, not_told_apart=tuple(alike) if len(alike) > 1 else ())

    def _not_told_apart(
        self, first: LikelyCause, other: LikelyCause, sums: _Sums, active: Sequence[tuple[Kind, ...]]
    ) -> bool:
        """Whether the readings favour neither of two causes of one reading, nor all that is known."""
        if {first, other} & {"reading_wrong", "antenna_turned"} or not {first, other} <= sums.best.keys():
            return False
        mine, its = sums.best[first], sums.best[other]
        if first in active[its] or other in active[mine]:
            return False
        by_readings = self.states[its].log_likelihood >= self.states[mine].log_likelihood - math.log(CAUSES_APART)
        return by_readings and sums.probability[other] * CAUSES_APART >= sums.probability[first]

    def _corrected(self, state: FaultState, i: int) -> float | None:
        """Reading i as it should have been, under a state; None where that does not tell.

        Of exchanged ones that of the antenna whose reading is this one's.
        """
        swap = self.swaps[state.swap].source
        source = i
        if swap[i] != i:
            (others,) = np.nonzero(swap == i)
            others = others[others != i]
            if len(others) != 1:
                return None
            source = int(others[0])
        shift = 0.0
        faults = self.faults[state.reference]
        for at, k in state.faults:
            if at == source and faults.kind[k] != "other way":
                if faults.kind[k] in _TELLS_NOTHING:  # by an unknown angle
                    return None
                shift = float(faults.shift[k] - faults.moved[k])
        ref = self.references[state.reference]
        if ref.cause == "common_offset" and ref.who[source]:
            return None
        return float((self.facts.reading[source] - ref.shift[source] + shift) % 360.0)


@dataclass(frozen=True, slots=True)
class _Sums:
    """Of one reading: per cause the probability that it is at work, and that it is so foremost; its best state."""

    probability: dict[LikelyCause, float]
    own: dict[LikelyCause, float]
    best: dict[LikelyCause, int]
    no_fault: float


def _sums(
    case: Case, azimuths: Sequence[tuple[float, float]], active: Sequence[tuple[Kind, ...]], weight: Array
) -> _Sums:
    """azimuths : under each state, with its variance [deg^2]."""
    probability: dict[LikelyCause, float] = {}
    own: dict[LikelyCause, float] = {}
    best: dict[LikelyCause, int] = {}  # states come most probable first
    no_fault = 0.0
    for k, causes in enumerate(active):
        w = float(weight[k])
        if causes in _RIGHT:
            off = _out_of_tolerance(case, *azimuths[k])
            no_fault += w * (1.0 - off)
            for sums in (probability, own):
                sums["antenna_turned"] = sums.get("antenna_turned", 0.0) + w * off
            continue
        for place, cause in enumerate(causes):
            if cause != "other way":
                probability[cause] = probability.get(cause, 0.0) + w
                best.setdefault(cause, k)
                own[cause] = own.get(cause, 0.0) + (w if place == 0 else 0.0)
    return _Sums(probability, own, best, no_fault)


def _out_of_tolerance(case: Case, azimuth_deg: float, variance_deg2: float) -> float:
    """Probability that an azimuth, known with a variance, is out of its design's tolerance."""
    design, north = case.found.design.azimuth_true_deg, case.declination
    if design is None:
        return 0.0
    own = north.sigma_deg if case.antenna.design_north == "magnetic" and north is not None else 0.0
    sigma = math.sqrt(variance_deg2 + own**2)
    return probability_out(float(difference_deg(azimuth_deg, design)), sigma, case.antenna.tolerance_deg)
