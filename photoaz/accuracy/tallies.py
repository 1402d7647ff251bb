"""Outcomes counted: how often what was stated came true, and how far off that may be by chance."""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from photoaz.accuracy.draw import AS_STATED, CONDITIONS, WITH_BLUNDERS
from photoaz.accuracy.trial import AntennaOutcome, DesignOutcome, Outcome, TurnOutcome
from photoaz.quantities import K95

#: two-sided probability with which a sound figure is called out of line: of a page's hundred and fifty figures every
#: seventh page has one by chance
FAILS = 1e-3
#: edges of the bins of a stated probability
BINS = (0.0, 0.05, 0.2, 0.5, 0.8, 0.95, 1.0)
LENSES = ((20.0, 40.0, "26 mm"), (40.0, 60.0, "52 mm"), (60.0, 90.0, "77 mm"), (90.0, 200.0, "120 mm"))
WIDTHS = ((0.0, 20.0, "12 to 20 px"), (20.0, 40.0, "20 to 40 px"), (40.0, 80.0, "40 to 80 px"), (80.0, 1e9, "80 px up"))
RATIOS = ((0.0, 0.5), (0.5, 1.0), (1.0, 2.0), (2.0, 3.0), (3.0, math.inf))
POWERS = ((0.0, 0.05), (0.05, 0.5), (0.5, 0.95), (0.95, 1.001))


@dataclass(frozen=True, slots=True)
class Share:
    """hits of n, and what was stated for them on average. low, high: what the share may be if it is as observed, the
    sites being independent and what is of one site alike (FAILS two-sided)."""

    name: str
    n: int
    hits: int
    stated: float
    low: float
    high: float

    @property
    def observed(self) -> float:
        return self.hits / self.n if self.n else math.nan

    @property
    def out_of_line(self) -> bool:
        """Stated and observed differ by more than chance."""
        return self.n > 0 and math.isfinite(self.stated) and not self.low <= self.stated <= self.high


def share(name: str, cases: Iterable[tuple[int, bool, float]]) -> Share:
    """Of cases (site number, whether it came true, stated probability)."""
    told = list(cases)
    if not told:
        return Share(name, 0, 0, math.nan, math.nan, math.nan)
    stated = float(np.mean([p for _, _, p in told]))
    hits = sum(hit for _, hit, _ in told)
    low, high = interval([(site, float(hit)) for site, hit, _ in told])
    return Share(name, len(told), hits, stated, low, high)


def interval(cases: Sequence[tuple[int, float]]) -> tuple[float, float]:
    """Clopper and Pearson's interval of a share, its number of cases reduced by as much as those of one site are alike.

    Reduced by the design effect of clusters: the variance of the share with sites as units over the binomial one
    (Kish, Survey Sampling, 1965, ch. 8); at least 1. With fewer cases so counted: E. L. Korn, B. I. Graubard, Survey
    Methodology 24 (1998) 193. Exact where hardly any case comes true, as with false alarms.
    """
    from scipy.stats import beta

    n = len(cases)
    p = sum(hit for _, hit in cases) / n
    off: dict[int, float] = defaultdict(float)
    for site, hit in cases:
        off[site] += hit - p
    binomial = p * (1.0 - p) * n
    effect = max(1.0, sum(v * v for v in off.values()) / binomial) if binomial > 0.0 else n / len(off)
    m = n / effect
    low = float(beta.ppf(FAILS / 2.0, p * m, (1.0 - p) * m + 1.0)) if p > 0.0 else 0.0
    high = float(beta.isf(FAILS / 2.0, p * m + 1.0, (1.0 - p) * m)) if p < 1.0 else 1.0
    return low, high


@dataclass(frozen=True, slots=True)
class Coverage:
    """How often U95 held the truth, and how large errors and U95 are in the middle [deg].

    score_deg: mean interval score of the 95 % interval (T. Gneiting, A. E. Raftery, JASA 102 (2007) 359, eq. 43).
    spread: 1.4826 times the median of errors over what they are stated to be if the azimuth told is the true one, in
    size; 1 for normal ones, of which none is wrong.
    """

    held: Share
    median_error_deg: float
    median_u95_deg: float
    score_deg: float
    spread: float


def interval_score(error_deg: float, u95_deg: float) -> float:
    """The interval's width, and 2 / 0.05 times how far the truth lies outside of it."""
    return 2.0 * u95_deg + 40.0 * max(0.0, abs(error_deg) - u95_deg)


def _coverage(name: str, some: Sequence[tuple[int, float, float, float]], *, promised: bool = True) -> Coverage:
    """Of (site number, error, U95, standard uncertainty). promised: U95 says so of such cases."""
    held = share(name, ((site, abs(e) <= u, 0.95 if promised else math.nan) for site, e, u, _ in some))
    if not some:
        return Coverage(held, math.nan, math.nan, math.nan, math.nan)
    _, error, u95, sigma = np.array(some, float).T
    return Coverage(
        held,
        float(np.median(np.abs(error))),
        float(np.median(u95)),
        float(np.mean([interval_score(e, u) for _, e, u, _ in some])),
        float(1.4826 * np.median(np.abs(error) / sigma)),
    )


def _ranges(
    edges: Iterable[tuple[float, float, str]], value: Callable[[AntennaOutcome], float]
) -> list[tuple[str, Callable[[AntennaOutcome], bool]]]:
    """A kind of antenna for each range of a value: its name, and who is of it."""

    def within(low: float, high: float) -> Callable[[AntennaOutcome], bool]:
        return lambda a: low <= value(a) < high

    return [(name, within(low, high)) for low, high, name in edges]


def coverages(outcomes: Sequence[Outcome]) -> list[tuple[str, list[Coverage]]]:
    """Coverage of azimuths, group by group: by conditions, and among those as stated by everything else."""

    def rows(
        conditions: str, kinds: Iterable[tuple[str, Callable[[AntennaOutcome], bool]]], *, promised: bool = True
    ) -> list[Coverage]:
        of = [(o.number, a) for o in outcomes if o.conditions == conditions for a in o.antennas]
        told = {n: [(k, a.error_deg, a.u95_deg, a.told_sigma_deg) for k, a in of if keep(a)] for n, keep in kinds}
        return [_coverage(name, some, promised=promised) for name, some in told.items()]

    blunders = (("one is wrong", lambda a: a.blundered), ("none is", lambda a: not a.blundered))
    wrong = (
        ("all right", lambda a: a.wrong == 0),
        ("some wrong", lambda a: 0 < a.wrong < a.views),
        ("all wrong", lambda a: a.wrong == a.views),
    )
    views = ((1, 2, "1"), (2, 3, "2"), (3, 4, "3"), (4, math.inf, "4 and more"))
    groups = (
        ("photos that show the antenna", _ranges(views, lambda a: a.views)),
        ("longest lens", _ranges(LENSES, lambda a: a.lens_mm)),
        ("width in the picture", _ranges(WIDTHS, lambda a: a.width_px)),
        ("a landmark in one of the photos", [("yes", lambda a: a.landmark), ("no", lambda a: not a.landmark)]),
        ("other ways to fit", [("ambiguous", lambda a: a.ambiguous), ("not ambiguous", lambda a: not a.ambiguous)]),
    )
    stated = AS_STATED.name
    return [
        ("conditions", [row for c in CONDITIONS for row in rows(c.name, [(c.name, lambda _: True)])]),
        (
            f"{WITH_BLUNDERS.name}: standpoint or landmark of the antenna's own photos",
            rows(WITH_BLUNDERS.name, blunders),
        ),
        # what is true nobody knows beforehand: 95 % is promised of all three together
        ("as stated: the antenna's outlines in truth (no promise of each)", rows(stated, wrong, promised=False)),
        *((f"as stated: {group}", rows(stated, kinds)) for group, kinds in groups),
    ]


def other_coverages(outcomes: Sequence[Outcome]) -> list[Coverage]:
    """Of downtilts and of photos' headings, all as stated."""
    clean = [o for o in outcomes if o.conditions == AS_STATED.name]
    tilts = [(o.number, *a.downtilt) for o in clean for a in o.antennas]
    headings = [(o.number, p.error_deg, p.u95_deg) for o in clean for p in o.photos]
    return [
        _coverage("downtilt", [(n, e, u, u / K95) for n, e, u in tilts]),
        _coverage("heading of a photo", [(n, e, u, u / K95) for n, e, u in headings]),
    ]


def bins(cases: Sequence[tuple[int, bool, float]]) -> list[Share]:
    """A reliability table: cases (site, came true, stated probability) by what was stated."""
    out = []
    for low, high in itertools.pairwise(BINS):
        mine = [c for c in cases if low <= c[2] < high or (high == 1.0 and c[2] == 1.0)]
        if mine:
            out.append(share(f"{low:g} to {high:g}", mine))
    return out


def _conditioned(outcomes: Sequence[Outcome], conditions: str) -> list[Outcome]:
    return [o for o in outcomes if o.conditions == conditions]


def of_ways(outcomes: Sequence[Outcome], conditions: str = AS_STATED.name) -> list[Share]:
    """Probabilities of the ways of antennas that have more than one."""
    some = _conditioned(outcomes, conditions)
    return bins([(o.number, true, p) for o in some for a in o.antennas if len(a.ways) > 1 for p, true in a.ways])


def of_compasses(outcomes: Sequence[Outcome], conditions: str = AS_STATED.name) -> list[Share]:
    """Probabilities of compasses being disturbed. A compass is of two kinds, and what is a small error of the
    disturbed kind nobody can tell: the probabilities are to be right on average all the same."""
    some = _conditioned(outcomes, conditions)
    return bins([(o.number, p.compass[1], p.compass[0]) for o in some for p in o.photos if p.compass is not None])


def of_outlines(outcomes: Sequence[Outcome], conditions: str = AS_STATED.name, *, alone: bool = False) -> list[Share]:
    """Probabilities of outlines being right: by all photos of the site, or by their own fit alone."""
    some = _conditioned(outcomes, conditions)
    return bins([(o.number, right, p[alone]) for o in some for a in o.antennas for *p, right in a.outlines])


def of_laid_designs(outcomes: Sequence[Outcome], conditions: str = AS_STATED.name) -> list[Share]:
    """Probabilities of being out of tolerance by the photos alone, of designs laid about the estimates."""
    some = _conditioned(outcomes, conditions)
    return bins([(o.number, out, p) for o in some for a in o.antennas for p, out in a.designs])


def _designs(outcomes: Sequence[Outcome], conditions: str) -> list[tuple[int, DesignOutcome]]:
    """The register's own designs, of antennas that hang as is known in general."""
    return [(o.number, a.design) for o in _conditioned(outcomes, conditions) for a in o.antennas if a.as_hung]


def of_designs(outcomes: Sequence[Outcome], conditions: str = AS_STATED.name) -> list[Share]:
    """Probabilities of being out of tolerance, of the register's own designs, by all that is known."""
    return bins([(n, d.out, d.p_out) for n, d in _designs(outcomes, conditions)])


def of_designs_by_photos(outcomes: Sequence[Outcome], conditions: str = AS_STATED.name) -> list[Share]:
    """The same by the photos alone."""
    return bins([(n, d.out, d.p_out_photos_alone) for n, d in _designs(outcomes, conditions)])


def of_readings(outcomes: Sequence[Outcome], conditions: str = AS_STATED.name) -> list[Share]:
    """Probabilities of readings being right, by all that is known."""
    some = _conditioned(outcomes, conditions)
    told = [(o.number, a.reading) for o in some for a in o.antennas if a.as_hung]
    return bins([(n, r[1], r[0]) for n, r in told if r is not None])


def of_sites(outcomes: Sequence[Outcome]) -> list[Share]:
    """Probabilities of whole sites being built off by one angle: all as stated or with tails."""
    some = [(o.number, o.built_off) for o in outcomes if o.conditions != WITH_BLUNDERS.name]
    return bins([(n, b[1], b[0]) for n, b in some if b is not None])


def decisions(outcomes: Sequence[Outcome]) -> list[Share]:
    """Of the register's own designs: those accepted although out, those rejected although in; stated: their risk."""
    out = []
    for c in CONDITIONS:
        told = _designs(outcomes, c.name)
        yes = [(n, d.out, d.p_out) for n, d in told if d.decision == "accept"]
        no = [(n, not d.out, 1.0 - d.p_out) for n, d in told if d.decision == "reject"]
        out += [share(f"{c.name}: accepted, yet out", yes), share(f"{c.name}: rejected, yet in", no)]
    return out


def decided_share(outcomes: Sequence[Outcome], conditions: str = AS_STATED.name) -> float:
    """Of the register's own designs, how many are accepted or rejected."""
    told = [d.decision != "undecided" for _, d in _designs(outcomes, conditions)]
    return float(np.mean(told)) if told else math.nan


def false_alarms(outcomes: Sequence[Outcome], *, wrong_outlines: bool) -> list[Share]:
    """Right observations that were left out, at sites with wrong outlines or without; no blunders, nor tails.

    Stated: the tests' own probability of that, where all else is right.
    """
    from scipy.stats import norm

    from photoaz.quantities import W_CRITICAL

    out = []
    level = 2.0 * float(norm.sf(W_CRITICAL))
    some = [o for o in _conditioned(outcomes, AS_STATED.name) if any(a.wrong for a in o.antennas) is wrong_outlines]
    for kind in ("attitude", "standpoint", "landmark"):
        cases = []
        for o in some:
            n, wrong = o.tests.get(kind, (0, 0))
            cases += [(o.number, k < wrong, level) for k in range(n)]
        out.append(share(kind, cases))
    return out


def detections(outcomes: Sequence[Outcome]) -> list[Share]:
    """Blunders that were named, kind by kind, by how probable that should have been."""
    out = []
    for kind in ("standpoint", "landmark"):
        told = [(o.number, b.found, b.power) for o in outcomes for b in o.blunders if b.kind == kind]
        for low, high in POWERS:
            name = f"{kind}, power {low:g} to {min(high, 1.0):g}"
            out.append(share(name, [c for c in told if low <= c[2] < high]))
    return out


def _turn_rows(outcomes: Sequence[Outcome]) -> list[tuple[int, TurnOutcome]]:
    clean = _conditioned(outcomes, AS_STATED.name) + _conditioned(outcomes, CONDITIONS[1].name)
    return [(o.number, t) for o in clean for t in o.turns]


def turns(outcomes: Sequence[Outcome]) -> tuple[list[Share], list[Share]]:
    """Between two visits, without blunders: how often U95 of a change held it and antennas that did not turn were said
    to have turned, each where the change is the antenna's own and where it is not; and the turns that were seen, by
    their size over the change's U95."""
    from scipy.stats import norm

    from photoaz.quantities import W_CRITICAL

    level = 2.0 * float(norm.sf(W_CRITICAL))
    told = _turn_rows(outcomes)
    first = []
    for own, name in ((True, "three and more antennas"), (False, "one or two antennas")):
        mine = [(s, t) for s, t in told if t.own is own]
        still = [(s, t) for s, t in mine if t.true_deg == 0.0]
        held = [(s, abs(t.change_deg - t.true_deg) <= t.u95_deg, 0.95) for s, t in mine]
        first.append(share(f"{name}: U95 holds the change", held))
        first.append(share(f"{name}: said to have turned, yet did not", [(s, t.said, level) for s, t in still]))
    second = []
    for low, high in RATIOS:
        some = [(s, t.said, math.nan) for s, t in told if t.true_deg and low <= abs(t.true_deg) / t.u95_deg < high]
        second.append(share(f"{low:g} to {high:g} U95" if math.isfinite(high) else f"over {low:g} U95", some))
    return first, second
