"""One drawn site through the pipeline, from its facts to the judgement, and what came out beside the truth."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from photoaz.accuracy.draw import CONDITIONS, Blunder, Conditions, DrawnSite, DrawnVisit, draw_site, photos_of
from photoaz.angles import azimuth_deg, difference_deg, wrap_deg
from photoaz.estimate.panels import PanelToMeasure, PhotoPanels
from photoaz.estimate.report import SeenPhoto, site_result
from photoaz.judgement.judge import judge_antenna, judge_site
from photoaz.judgement.visits import turns_between, visits_of
from photoaz.network.adjust import AdjustmentError, linearise, w_tests
from photoaz.network.compass import is_compass
from photoaz.network.observations import Box, Observation
from photoaz.network.site import build
from photoaz.network.solution import NetworkSolution, solve_network
from photoaz.network.stands import FIX, STEP
from photoaz.quantities import K95, W_CRITICAL
from photoaz.register.model import Antenna, Site
from photoaz.result import AntennaResult, SiteResult

#: designs laid about each estimate, to see what a probability of being out of tolerance is worth
DESIGNS = 4
#: an azimuth that is told is the true one if it lies no more than so many of its standard uncertainties off
WITHIN = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AntennaOutcome:
    """One antenna's answer. views: photos that show it; lens_mm: the longest of their lenses. as_hung: how it hangs is
    a draw of the priors, not what a turn between visits made of it. blundered: a standpoint or landmark of its own
    photos is wrong; wrong: so many of its outlines are. told_sigma_deg: of the azimuth told if that is the true one.
    ways: of each azimuth that the photos allow its probability and whether it is the true one, the chosen one first.
    outlines: of each its probability of being right by all photos, by its own fit, and whether it is. design: of the
    register's design. designs: of designs laid at random about the estimate, the probability of being out by the photos
    alone, and whether it is. reading: its probability of being right, and whether it is.
    """

    antenna: str
    views: int
    as_hung: bool
    lens_mm: float
    width_px: float
    landmark: bool
    blundered: bool
    wrong: int
    error_deg: float
    u95_deg: float
    told_sigma_deg: float
    ambiguous: bool
    ways: tuple[tuple[float, bool], ...]
    downtilt: tuple[float, float]
    outlines: tuple[tuple[float, float, bool], ...]
    design: DesignOutcome
    designs: tuple[tuple[float, bool], ...]
    reading: tuple[float, bool] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignOutcome:
    """What was said of a design, and whether the antenna is out of its tolerance."""

    decision: str
    p_out: float
    p_out_photos_alone: float
    out: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class BlunderOutcome:
    """A wrong fact: kind, whether it was named, the probability by which the w-test should have found it."""

    kind: str
    size: float
    found: bool
    power: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoOutcome:
    """A photo's heading and its compass (probability of being disturbed, and whether it is; None without one)."""

    error_deg: float
    u95_deg: float
    compass: tuple[float, bool] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnOutcome:
    """An antenna seen by two visits: by how much it turned, by how much they say, U95, whether they say that it did."""

    true_deg: float
    change_deg: float
    u95_deg: float
    own: bool
    said: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What one site gave. tests: per kind of observation, how many were tested and how many right ones were named
    wrong. built_off: of the first visit the probability that the whole site is off its design by one angle, and whether
    it is. failed: visits whose adjustment had no solution."""

    number: int
    conditions: str
    antennas: tuple[AntennaOutcome, ...]
    photos: tuple[PhotoOutcome, ...]
    tests: Mapping[str, tuple[int, int]]
    blunders: tuple[BlunderOutcome, ...]
    turns: tuple[TurnOutcome, ...]
    built_off: tuple[float, bool] | None
    failed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """Sites to be drawn and solved: their numbers."""

    seed: int
    numbers: tuple[int, ...]


def trials(task: Task) -> tuple[Outcome, ...]:
    """Draw and solve the sites of a task; each depends on the seed and its own number alone."""
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1, "blas"):
        return tuple(trial(task.seed, n) for n in task.numbers)


def conditions_of(number: int) -> Conditions:
    """Of four sites two have all data as stated, one has tails, one blunders too."""
    return CONDITIONS[max(number % 4 - 1, 0)]


def trial(seed: int, number: int, conditions: Conditions | None = None) -> Outcome:
    """One site. Every fourth is visited twice. conditions: those of its number where None."""
    rng = np.random.default_rng([seed, number])
    conditions = conditions or conditions_of(number)
    visits = 2 if number // 4 % 4 == 0 else 1
    drawn = draw_site(rng, f"S{number}", conditions, visits)
    antennas: list[AntennaOutcome] = []
    photos: list[PhotoOutcome] = []
    blunders: list[BlunderOutcome] = []
    tests: dict[str, tuple[int, int]] = {}
    solutions: list[SiteResult | None] = []
    failed = 0
    for visit in drawn.visits:
        solutions.append(None)
        seen = [a for a in drawn.scene.antennas if photos_of(visit, a.name)]
        if not seen:
            continue
        try:
            network = build(visit.photos, seen, drawn.scene.site_sigma_m, drawn.scene.head)
            chosen = solve_network(network)
        except AdjustmentError:
            failed += 1
            continue
        solution = _solution(drawn, visit, chosen)
        solutions[-1] = solution
        antennas += _antennas(rng, drawn, visit, solution)
        photos += _photos(visit, chosen, solution)
        blunders += [b for w in visit.blunders if (b := _blunder(w, chosen)) is not None]
        for kind, (n, wrong) in _tests(visit, chosen).items():
            before = tests.get(kind, (0, 0))
            tests[kind] = (before[0] + n, before[1] + wrong)
    return Outcome(
        number=number,
        conditions=conditions.name,
        antennas=tuple(antennas),
        photos=tuple(photos),
        tests=tests,
        blunders=tuple(blunders),
        turns=_turns(drawn, solutions),
        built_off=None if not solutions or solutions[0] is None else (solutions[0].site_error or 0.0, drawn.built_off),
        failed=failed,
    )


def _solution(drawn: DrawnSite, visit: DrawnVisit, solved: NetworkSolution) -> SiteResult:
    seen = {
        p.name: SeenPhoto(
            record=visit.records[p.name],
            north=None,
            panels=PhotoPanels(to_measure=tuple(PanelToMeasure(antenna_id=a) for a in p.boxes)),
        )
        for p in visit.photos
    }
    names = [p.name for p in visit.photos]
    return site_result(drawn.site, drawn.site.antennas, names, seen, {}, solved, outlook=False)


# longer than most: a record of many fields, each from another part of the answer
def _antennas(
    rng: np.random.Generator, drawn: DrawnSite, visit: DrawnVisit, solution: SiteResult
) -> list[AntennaOutcome]:
    day = next(iter(visit.records.values())).taken
    dates = {a.antenna_id: day.local.date() if day and day.local else None for a in drawn.site.antennas}
    judged = judge_site(drawn.site, solution, dates).antennas
    register = {a.antenna_id: a for a in drawn.site.antennas}
    out = []
    for a in solution.antennas:
        if a.azimuth_true_deg is None or a.u95_deg is None or a.own_u95_deg is None:
            continue
        name, truth = a.antenna_id, visit.azimuth_deg[a.antenna_id]
        mine = {p.name for p in photos_of(visit, name)}
        row, told = register[name], judged[name]
        off = abs(difference_deg(truth, row.design_azimuth_deg))
        r = told.reading
        out.append(
            AntennaOutcome(
                antenna=name,
                views=len(mine),
                as_hung=visit is drawn.visits[0],
                lens_mm=max(visit.lens_mm[n] for n in mine),
                width_px=max(v.width_px for v in a.evidence),
                landmark=any(p.landmarks for p in visit.photos),
                blundered=any(b.photo in mine for b in visit.blunders),
                wrong=sum((n, name) in visit.wrong for n in mine),
                error_deg=float(difference_deg(a.azimuth_true_deg, truth)),
                u95_deg=a.u95_deg,
                told_sigma_deg=a.own_u95_deg / K95,
                ambiguous=a.status == "ambiguous",
                ways=_ways(a, truth),
                downtilt=(float((a.downtilt_deg or 0.0) - visit.downtilt_deg[name]), float(a.downtilt_u95_deg or 0.0)),
                outlines=tuple(
                    (v.p_right, v.p_right_alone, (v.photo, name) not in visit.wrong)
                    for v in a.evidence
                    if v.p_right is not None and v.p_right_alone is not None
                ),
                design=DesignOutcome(
                    decision=str(told.design.decision),
                    p_out=float(told.design.p_out_of_tolerance or 0.0),
                    p_out_photos_alone=float(told.design.p_out_photos_alone or 0.0),
                    out=bool(off > row.tolerance_deg),
                ),
                designs=_designs(rng, drawn.site, row, a, truth),
                reading=None if r is None or r.p_right is None else (r.p_right, drawn.readings_right[name]),
            )
        )
    return out


def _ways(a: AntennaResult, truth_deg: float) -> tuple[tuple[float, bool], ...]:
    """The azimuths that the photos allow, the told one first: how probable each is, and whether it is the true one.

    The true one is the nearest, if it lies within WITHIN standard uncertainties of the truth; else none of them is.
    """
    told = a.azimuth_true_deg or 0.0, a.probability or 0.0, a.own_u95_deg or 0.0
    allowed = [told, *((x.azimuth_true_deg, x.probability, x.u95_deg) for x in a.alternatives)]
    off = [abs(difference_deg(azimuth, truth_deg)) / (u95 / K95) for azimuth, _, u95 in allowed]
    nearest = int(np.argmin(off))
    return tuple((p, n == nearest and off[n] <= WITHIN) for n, (_, p, _) in enumerate(allowed))


def _designs(
    rng: np.random.Generator, site: Site, row: Antenna, a: AntennaResult, truth_deg: float
) -> tuple[tuple[float, bool], ...]:
    """Of designs laid about an estimate, whatever its error, the probability of being out, and whether the truth is.

    So laid designs are none that anybody knows anything of: by the photos alone.
    """
    out = []
    for _ in range(DESIGNS):
        reach = min(row.tolerance_deg + 2.0 * (a.u95_deg or 0.0), 180.0)
        design = float(azimuth_deg((a.azimuth_true_deg or 0.0) - rng.uniform(-reach, reach)))
        told = judge_antenna(replace(row, design_azimuth_deg=design, reading=None), site, a, None).design
        beyond = bool(abs(difference_deg(truth_deg, design)) > row.tolerance_deg)
        out.append((float(told.p_out_photos_alone or 0.0), beyond))
    return tuple(out)


def _photos(visit: DrawnVisit, chosen: NetworkSolution, solution: SiteResult) -> list[PhotoOutcome]:
    out = []
    for p in solution.photos:
        if p.heading_true_deg is None or p.heading_u95_deg is None:
            continue
        truth = float(np.degrees(visit.heading_rad[p.photo]))
        compass = None
        if p.photo in chosen.posterior.disturbed:
            compass = chosen.posterior.disturbed[p.photo], p.photo in visit.disturbed
        error = float(wrap_deg(p.heading_true_deg - truth))
        out.append(PhotoOutcome(error_deg=error, u95_deg=p.heading_u95_deg, compass=compass))
    return out


# ---- tests of single observations ------------------------------------------------------------------------------------


def _kind(o: Observation) -> str | None:
    """How the page calls a tested observation; None for those that are not tested, for compasses and outlines."""
    if not o.testable or is_compass(o) or isinstance(o, Box):
        return None
    return "standpoint" if o.source in (FIX, STEP) else "landmark" if o.source == "landmark" else "attitude"


def _of_fix(chosen: NetworkSolution, photo: str) -> int | None:
    """The first unknown of the observation that a wrong standpoint of a photo is in: its stand's, if it is of one."""
    layout = chosen.network.layout
    if photo not in layout.photos:
        return None
    stand = next((s.name for s in chosen.network.stands if any(m.photo == photo for m in s.members)), None)
    at = layout.photo(photo, "east") if stand is None else layout.stand(stand, "fix_east")
    return int(at[0])


def _wrong(visit: DrawnVisit, o: Observation, chosen: NetworkSolution) -> bool:
    """Whether an observation is one of the visit's blunders."""
    return any(
        (b.kind == "standpoint" and o.source == FIX and int(o.index[0]) == _of_fix(chosen, b.photo))
        or (b.kind == "landmark" and o.source == "landmark" and b.what in o.label)
        for b in visit.blunders
    )


def _tests(visit: DrawnVisit, chosen: NetworkSolution) -> dict[str, tuple[int, int]]:
    """Per kind: how many right observations were tested, and how many of them were left out."""
    w = w_tests(chosen.observations, chosen.adjusted)
    out: dict[str, tuple[int, int]] = {}
    tested = [(o, False) for o, v in zip(chosen.observations, w, strict=True) if np.isfinite(v)]
    for o, named in [*tested, *((o, True) for o in chosen.left_out)]:
        kind = _kind(o)
        if kind is None or _wrong(visit, o, chosen):
            continue
        n, wrong = out.get(kind, (0, 0))
        out[kind] = (n + 1, wrong + int(named))
    return out


def _blunder(b: Blunder, chosen: NetworkSolution) -> BlunderOutcome | None:
    """Whether a blunder was named, and with which probability its test should have named it.

    A bias of the whitened rows shows in their test, chi-square of m degrees of freedom, with the noncentrality b^T Q b,
    Q the cofactor of the residuals (Baarda 1968; Foerstner and Wrobel 2016, 4.6).
    """
    from scipy.stats import chi2, ncx2, norm

    fix = _of_fix(chosen, b.photo)
    if fix is None:
        return None
    # the blunder's own observation, whether it is still in or was left out
    mine = [
        o
        for o in (*chosen.observations, *chosen.left_out)
        if (b.kind == "landmark" and o.testable and o.label == f"landmark {b.what} in {b.photo}")
        or (b.kind == "standpoint" and o.source == FIX and int(o.index[0]) == fix)
    ]
    if not mine:
        return None
    o = mine[0]
    out = any(o is x for x in chosen.left_out)
    found = out or (b.kind == "landmark" and any(b.what in x.label for x in chosen.left_out))
    _, j, _ = linearise([o], chosen.adjusted.x)
    spread = j @ chosen.adjusted.covariance @ j.T
    eye = np.eye(len(j))
    # with the observation out, what the rest predicts is as uncertain as that; with it in, less
    q = np.linalg.inv(eye + spread) if out else eye - spread
    values, vectors = np.linalg.eigh(0.5 * (q + q.T))
    ok = values > 1e-4
    bias = b.bias if len(b.bias) == len(j) else np.zeros(len(j))
    noncentrality = float((values[ok] * (vectors.T @ bias)[ok] ** 2).sum())
    m = int(ok.sum())
    power = float(ncx2.sf(chi2.isf(2.0 * norm.sf(W_CRITICAL), m), m, noncentrality)) if m else 0.0
    return BlunderOutcome(kind=b.kind, size=b.size, found=found, power=power)


# ---- two visits ------------------------------------------------------------------------------------------------------


def _turns(drawn: DrawnSite, solutions: list[SiteResult | None]) -> tuple[TurnOutcome, ...]:
    if len(solutions) < 2 or solutions[0] is None or solutions[1] is None:
        return ()
    days = {n: r.taken.local.date() for v in drawn.visits for n, r in v.records.items() if r.taken and r.taken.local}
    before, after = visits_of(days)
    first, second = drawn.visits[0].azimuth_deg, drawn.visits[1].azimuth_deg
    return tuple(
        TurnOutcome(
            true_deg=float(difference_deg(second[t.antenna_id], first[t.antenna_id])),
            change_deg=t.change_deg,
            u95_deg=t.u95_deg,
            own=t.own,
            said=t.turned,
        )
        for t in turns_between(solutions[0], solutions[1], before, after)
    )
