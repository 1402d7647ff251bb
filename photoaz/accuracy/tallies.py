"""Outcomes counted: how often what was stated came true, and how far off that may be by chance."""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from photoaz.accuracy.draw import AS_STATED, CONDITIONS, WITH_BLUNDERS
from photoaz.accuracy.trial import AntennaOutcome, Outcome, TurnOutcome

#: two-sided probability with which a sound figure is called out of line: of a page's hundred and fifty figures every
#: seventh page has one by chance
FAILS = 1e-3
#: edges of the bins of a stated probability
BINS = (0.0, 0.05, 0.2, 0.35, 0.5, 0.65, 0.8, 0.95, 1.0)
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
    """Wilson's interval of a share, its number of cases reduced by as much as those of one site are alike.

    Reduced by the design effect of clusters: the variance of the share with sites as units over the binomial one
    (Kish, Survey Sampling, 1965, ch. 8); at least 1.
    """
    from scipy.stats import norm

    n = len(cases)
    p = sum(hit for _, hit in cases) / n
    off: dict[int, float] = defaultdict(float)
    for site, hit in cases:
        off[site] += hit - p
    binomial = p * (1.0 - p) * n
    effect = max(1.0, sum(v * v for v in off.values()) / binomial) if binomial > 0.0 else n / len(off)
    m, z = n / effect, float(norm.isf(FAILS / 2.0))
    middle = (p + z * z / (2.0 * m)) / (1.0 + z * z / m)
    half = z / (1.0 + z * z / m) * math.sqrt(p * (1.0 - p) / m + z * z / (4.0 * m * m))
    return max(middle - half, 0.0), min(middle + half, 1.0)


@dataclass(frozen=True, slots=True)
class Coverage:
    """How often U95 held the truth, and how large errors and U95 are in the middle [deg]."""

    held: Share
    median_error_deg: float
    median_u95_deg: float


def _coverage(name: str, some: Sequence[tuple[int, float, float]]) -> Coverage:
    """Of (site number, error, U95)."""
    errors, u95 = [abs(e) for _, e, _ in some], [u for _, _, u in some]
    held = share(name, ((site, abs(e) <= u, 0.95) for site, e, u in some))
    return Coverage(held, float(np.median(errors)) if errors else math.nan, float(np.median(u95)) if u95 else math.nan)


def coverages(outcomes: Sequence[Outcome]) -> list[tuple[str, list[Coverage]]]:
    """Coverage of azimuths, group by group: by conditions, and among those as stated by everything else."""
    every = [(o, a) for o in outcomes for a in o.antennas]
    clean = [(o, a) for o, a in every if o.conditions == AS_STATED.name]
    wrong = [(o, a) for o, a in every if o.conditions == WITH_BLUNDERS.name]

    def row(name: str, some: list[tuple[Outcome, AntennaOutcome]], keep: Callable[[AntennaOutcome], bool]) -> Coverage:
        return _coverage(name, [(o.number, a.error_deg, a.u95_deg) for o, a in some if keep(a)])

    out: list[tuple[str, list[Coverage]]] = [
        (
            "conditions",
            [row(c.name, [x for x in every if x[0].conditions == c.name], lambda _: True) for c in CONDITIONS],
        )
    ]
    out.append(
        (
            f"{WITH_BLUNDERS.name}: the antenna's own photos",
            [row("hold a blunder", wrong, lambda a: a.blundered), row("hold none", wrong, lambda a: not a.blundered)],
        )
    )
    views = [row(f"{k}", clean, lambda a, k=k: a.views == k) for k in (1, 2, 3)]  # type: ignore[misc]
    out.append(("as stated: photos that show the antenna", [*views, row("4 and more", clean, lambda a: a.views > 3)]))
    out.append(
        (
            "as stated: longest lens",
            [row(n, clean, lambda a, lo=lo, hi=hi: lo <= a.lens_mm < hi) for lo, hi, n in LENSES],  # type: ignore[misc]
        )
    )
    out.append(
        (
            "as stated: width in the picture",
            [row(n, clean, lambda a, lo=lo, hi=hi: lo <= a.width_px < hi) for lo, hi, n in WIDTHS],  # type: ignore[misc]
        )
    )
    out.append(
        (
            "as stated: a landmark in one of the photos",
            [row("yes", clean, lambda a: a.landmark), row("no", clean, lambda a: not a.landmark)],
        )
    )
    out.append(
        (
            "as stated: other ways to fit",
            [row("ambiguous", clean, lambda a: a.ambiguous), row("not ambiguous", clean, lambda a: not a.ambiguous)],
        )
    )
    return out


def other_coverages(outcomes: Sequence[Outcome]) -> list[Coverage]:
    """Of downtilts and of photos' headings, all as stated."""
    clean = [o for o in outcomes if o.conditions == AS_STATED.name]
    return [
        _coverage("downtilt", [(o.number, *a.downtilt) for o in clean for a in o.antennas]),
        _coverage("heading of a photo", [(o.number, p.error_deg, p.u95_deg) for o in clean for p in o.photos]),
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


def of_designs(outcomes: Sequence[Outcome], conditions: str, ambiguous: bool | None = None) -> list[Share]:
    """Probabilities of being out of tolerance, of designs laid about the estimates."""
    some = _conditioned(outcomes, conditions)
    return bins(
        [
            (o.number, out, p)
            for o in some
            for a in o.antennas
            if ambiguous is None or a.ambiguous == ambiguous
            for p, _, out in a.designs
        ]
    )


def wrong_decisions(outcomes: Sequence[Outcome]) -> list[Share]:
    """Of designs laid about the estimates: accepted although out, rejected although in; stated: the risk itself."""
    out = []
    for c in (AS_STATED, WITH_BLUNDERS):
        told = [(o.number, p, d, is_out) for o in _conditioned(outcomes, c.name) for a in o.antennas
                for p, d, is_out in a.designs]  # fmt: skip
        out.append(share(f"{c.name}: accepted, yet out", [(s, w, p) for s, p, d, w in told if d == "accept"]))
        out.append(share(f"{c.name}: rejected, yet in", [(s, not w, 1.0 - p) for s, p, d, w in told if d == "reject"]))
    return out


def global_risks(outcomes: Sequence[Outcome]) -> list[Share]:
    """Of the register's own designs, among all antennas with stated risks: accepted although out, rejected although
    in, beside the mean of what was stated (JCGM 106, 9.5)."""
    out = []
    for c in (AS_STATED, WITH_BLUNDERS):
        told = [(o.number, *a.decided) for o in _conditioned(outcomes, c.name) for a in o.antennas]
        yes = [(s, d == "accept" and w, r) for s, d, _, w, r, _ in told if r is not None]
        no = [(s, d == "reject" and not w, r) for s, d, _, w, _, r in told if r is not None]
        out += [share(f"{c.name}: accepted, yet out", yes), share(f"{c.name}: rejected, yet in", no)]
    return out


def undecided_share(outcomes: Sequence[Outcome], conditions: str = AS_STATED.name) -> float:
    """Of the register's own designs, how many are left undecided."""
    told = [a.decided[0] == "undecided" for o in _conditioned(outcomes, conditions) for a in o.antennas]
    return float(np.mean(told)) if told else math.nan


def false_alarms(outcomes: Sequence[Outcome], conditions: str = AS_STATED.name) -> list[Share]:
    """Right observations that were left out or doubted; stated: the tests' own probability of that."""
    from scipy.stats import norm

    from photoaz.network.solution import W_CRITICAL_BOX
    from photoaz.quantities import W_CRITICAL

    out = []
    for kind in ("attitude", "standpoint", "landmark", "outline"):
        level = 2.0 * float(norm.sf(W_CRITICAL_BOX if kind == "outline" else W_CRITICAL))
        cases = []
        for o in _conditioned(outcomes, conditions):
            n, wrong = o.tests.get(kind, (0, 0))
            cases += [(o.number, k < wrong, level) for k in range(n)]
        out.append(share(kind, cases))
    return out


def detections(outcomes: Sequence[Outcome]) -> list[Share]:
    """Blunders that were named, kind by kind, by how probable that should have been."""
    out = []
    for kind in ("standpoint", "landmark", "outline"):
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
