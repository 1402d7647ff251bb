"""Who is visited again, why, and what to do there: by the loss expected if nothing is done, and what a visit avoids.

Each antenna may be left, its register row corrected, records checked or evidence looked up at the desk, one more photo
taken, its azimuth read again, or the tower climbed. Which of these can help depends on the likely cause of what does
not fit: a declination left out is put right at the desk, with all the readings that lack it; exchanged readings are
looked for in labels and cabling records; what a wrong reading should be, a better one tells.

What a photo is worth is the expected value of sample information (H. Raiffa, R. Schlaifer, Applied Statistical Decision
Theory, 1961, ch. 4 and 5): over all that it may show, by its forecast uncertainty, the best decision is made with what
is then known. A site is visited once for all of its antennas, so the cost of going is shared; so is that of a climb,
now or later.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import difference_deg, format_azimuth_deg
from photoaz.errors import Fault, InputError
from photoaz.judgement.cause import in_words
from photoaz.judgement.impact import BEAMWIDTH_3DB_DEG, FLOOR_DEG, FRONT_TO_BACK_DB, SECTOR_WIDTH_DEG, Part, parts_of
from photoaz.quantities import K95
from photoaz.register.model import Antenna, Site
from photoaz.register.toml import is_finite, read_toml
from photoaz.result import Action, AntennaResult, EvidenceOption, LikelyCause, Revisit, RevisitItem, SiteResult, Where

Array = NDArray[Any]

#: the least trouble first
ACTIONS: tuple[Action, ...] = ("leave", "correct_register", "check_records", "desk", "photo", "read_again", "climb")

#: causes that say what the reading should have been
_KNOWN_SHIFT = ("declination_omitted", "declination_sign", "grid_for_true", "reversed_180", "digits_transposed")
#: ... of these, one fault of several readings, put right in one go
_OF_REFERENCE = ("declination_omitted", "declination_sign", "grid_for_true", "reversed_180", "sectors_swapped")
#: causes after which only another reading is a reading
_READ_AGAIN = ("reading_wrong", "common_offset")

_HALF = 0.5 * SECTOR_WIDTH_DEG
#: nodes of the quadratures, in standard uncertainties
_NODES = np.linspace(-5.0, 5.0, 401)
_WEIGHTS = np.exp(-0.5 * _NODES**2) / np.exp(-0.5 * _NODES**2).sum()
#: what a photo of an antenna that none shows so far is taken to give (95 %), and its distance [m]; common practice
_FIRST_PHOTO_U95_DEG, _FIRST_PHOTO_M = 3.0, 60.0
#: of an antenna of which nothing is known: spread of those out of tolerance [deg]; those within: a third of tolerance
_UNKNOWN_SIGMA_DEG = 15.0
#: kinds of evidence that say where somebody must stand
_PHOTOS = ("photo", "photo_with_landmark")


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """What things cost, in one unit, named by `unit`. The defaults are common practice, no source: set your own.

    visit: going to a site, once for all its antennas. photo: each antenna's photo or measurement from the ground there.
    climb: a crew on the tower, once for all antennas. turn: measuring, and turning where it needs it, one antenna up
    there. desk: looking something up, or correcting the register, once for one fault of several readings.
    wrong_azimuth_year: an antenna out of tolerance left so for a year; lost_db_year: with it, each dB lost where it
    loses most of boresight and sector edge (reference pattern). wrong_record_year: a reading in the register that is
    wrong, left so for a year. years: how long things stay if nothing is done. unseen_out: of antennas that no photo
    shows, the share out of tolerance.
    """

    visit: float = 250.0
    photo: float = 20.0
    climb: float = 800.0
    turn: float = 150.0
    desk: float = 15.0
    wrong_azimuth_year: float = 500.0
    lost_db_year: float = 300.0
    wrong_record_year: float = 100.0
    years: float = 1.0
    unseen_out: float = 0.1
    unit: str = "units"

    def __post_init__(self) -> None:
        for f in fields(self):
            wrong = _wrong(f.name, getattr(self, f.name))
            if wrong:
                raise ValueError(f"{f.name}: {wrong}")


def _wrong(key: str, value: object) -> str | None:
    """What is wanted of a cost, where the value is not that."""
    if key == "unit":
        return None if isinstance(value, str) and 0 < len(value) <= 20 and value.isprintable() else "1 to 20 letters"
    if not is_finite(value) or value < 0.0:
        return "a number, 0 or more"
    if key == "unseen_out" and value > 1.0:
        return "a share, 0 to 1"
    return "years above 0" if key == "years" and value == 0.0 else None


def load_costs(path: Path) -> Costs:
    """Costs from a TOML file: lines such as `visit = 300`; what it does not name stays as it is.

    Raises
    ------
    InputError : no TOML, a key that there is not, a value that is none; every such line, with key and what is wanted.
    """
    text, given = read_toml(path, what="a TOML file of costs", example="visit = 300")
    known = [f.name for f in fields(Costs)]
    faults = []
    for key, value in given.items():
        wanted = _wrong(key, value) if key in known else f"one of: {', '.join(known)}"
        if wanted:
            shown = f"{key} = {value!r}" if key in known else f"the key '{key}'"
            faults.append(Fault(file=path, line=_line_of(key, text), found=shown, wanted=wanted))
    if faults:
        raise InputError(faults)
    return Costs(**given)


def _line_of(key: str, text: str) -> int | None:
    pattern = re.compile(rf"""\s*(?:\[+\s*)?["']?{re.escape(key)}["']?\s*(?:[=.\]]|$)""")
    return next((n for n, line in enumerate(text.splitlines(), 1) if pattern.match(line)), None)


# ---- what is expected to be lost -------------------------------------------------------------------------------------


def _edge_piece(d: float) -> tuple[float, float, float]:
    """Loss at the edge as a polynomial in the deviation, of the piece that d is in."""
    k = 12.0 / BEAMWIDTH_3DB_DEG**2
    return (0.0, 2.0 * _HALF * k, k) if d < FLOOR_DEG - _HALF else (FRONT_TO_BACK_DB - k * _HALF**2, 0.0, 0.0)


def _boresight_piece(d: float) -> tuple[float, float, float]:
    return (0.0, 0.0, 12.0 / BEAMWIDTH_3DB_DEG**2) if d < FLOOR_DEG else (FRONT_TO_BACK_DB, 0.0, 0.0)


def _pieces(tolerance_deg: float) -> list[tuple[float, float, tuple[float, float, float]]]:
    """From where to where outside the tolerance the worst loss is which polynomial of the deviation [dB]."""
    edge_floor = FRONT_TO_BACK_DB - 12.0 * (_HALF / BEAMWIDTH_3DB_DEG) ** 2
    meet = BEAMWIDTH_3DB_DEG * math.sqrt(edge_floor / 12.0)  # boresight loses as much as the edge at its floor
    limits = [0.0, FLOOR_DEG - _HALF, meet, FLOOR_DEG, 180.0]
    of = [_edge_piece(0.0), _edge_piece(90.0), _boresight_piece(0.0), _boresight_piece(180.0)]
    pieces = [(max(a, tolerance_deg), b, p) for a, b, p in zip(limits, limits[1:], of, strict=False)]
    return [(a, b, p) for a, b, p in pieces if b > a]


def expected_loss(deviation_deg: Array, sigma_deg: Array, tolerance_deg: float, costs: Costs) -> Array:
    """Loss expected of leaving antennas as they are, deviations normal and wrapped: in closed form.

    Parameters
    ----------
    deviation_deg, sigma_deg : (n,) of each; sigma above 0. tolerance_deg : nothing is lost within it.

    Returns
    -------
    (n,) : years (wrong_azimuth_year P(out) + lost_db_year E[worst loss; out]), by truncated moments of the normal
    distribution up to the second.
    """
    from scipy.special import ndtr

    m, s = np.broadcast_arrays(*(np.asarray(v, float) for v in (deviation_deg, sigma_deg)))
    shape = m.shape
    m, s = np.asarray(difference_deg(m, 0.0), float).ravel(), s.ravel()
    turns = 1 if float(np.max(s, initial=0.0)) < 40.0 else 1 + math.ceil(8.0 * float(np.max(s)) / 360.0)
    a, b, side, whole, c0, c1, c2 = _terms(tolerance_deg, turns, costs.wrong_azimuth_year, costs.lost_db_year)
    u = side * m + whole
    low, high = (a - u) / s, (b - u) / s
    # tails, so that small probabilities are not lost beside 1
    sign = np.where(low > 0.0, -1.0, 1.0)
    p0 = sign * (ndtr(sign * high) - ndtr(sign * low))
    fl, fh = (np.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi) for z in (low, high))
    p1 = fl - fh
    p2 = p0 + low * fl - high * fh
    out = ((c0 + u * (c1 + c2 * u)) * p0 + s * ((c1 + 2.0 * c2 * u) * p1 + c2 * s * p2)).sum(0)
    return np.asarray(costs.years * np.maximum(out, 0.0)).reshape(shape)


@lru_cache(maxsize=256)
def _terms(tolerance_deg: float, turns: int, per_wrong: float, per_db: float) -> tuple[Array, ...]:
    """The terms of `expected_loss`, each (terms, 1): from, to, side, whole turns, and the loss as a polynomial.

    An even function: the piece on the other side is this one of the mirrored deviation.
    """
    rows = [
        (a, b, side, 360.0 * turn, per_wrong + per_db * c0, per_db * c1, per_db * c2)
        for a, b, (c0, c1, c2) in _pieces(tolerance_deg)
        for side in (1.0, -1.0)
        for turn in range(-turns, turns + 1)
    ]
    return tuple(np.array(column)[:, None] for column in np.array(rows, float).reshape(-1, 7).T)


def _out(deviation_deg: Array, sigma_deg: Array, limit_deg: float) -> Array:
    """Probability of lying further off than the limit, vectorised; as `conformity.probability_out`."""
    return expected_loss(
        deviation_deg,
        sigma_deg,
        min(limit_deg, 180.0),
        Costs(wrong_azimuth_year=1.0, lost_db_year=0.0),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Stake:
    """What is known of one antenna and what hangs on it.

    parts : of its deviation from the design, by photos and reading. tolerance_deg : about it. photo_sigma_deg : of the
        photos alone, which further evidence improves; None where that is what `parts` has. record_off_deg : the reading
        minus the design, where the reading is contradicted by the photos; None where it is not, or there is none.
        tilt_contradicted : so is the downtilt reading. cause : the likely one of what does not fit; alike : those that
        are not told apart, where none is likely. fixed_off_deg : the reading without that cause, minus the design; None
        where the cause does not tell. reading_sigma_deg : of the reading. turned : the antenna itself is likely turned,
        and out of tolerance.
    """

    parts: tuple[Part, ...]
    tolerance_deg: float
    photo_sigma_deg: float | None = None
    record_off_deg: float | None = None
    tilt_contradicted: bool = False
    cause: LikelyCause | None = None
    alike: tuple[LikelyCause, ...] = ()
    fixed_off_deg: float | None = None
    reading_sigma_deg: float = 1.0
    turned: bool = False

    @property
    def contradicted(self) -> bool:
        """Whether the register holds something that the photos contradict."""
        return self.record_off_deg is not None or self.tilt_contradicted

    def arrays(self) -> tuple[Array, Array, Array]:
        """Deviations, sigmas (no less than 0.001 degrees), probabilities (n,)."""
        return (
            np.array([p.deviation_deg for p in self.parts]),
            np.array([max(p.sigma_deg, 1e-3) for p in self.parts]),
            np.array([p.probability for p in self.parts]),
        )


def loss_now(stake: Stake, costs: Costs) -> float:
    """Expected loss if nothing is done: of the azimuth, and of a record that is wrong."""
    m, s, p = stake.arrays()
    azimuth = float(p @ expected_loss(m, s, stake.tolerance_deg, costs))
    return azimuth + float(p @ _record_loss(m, s, stake, costs))


def _record_loss(m: Array, s: Array, stake: Stake, costs: Costs) -> Array:
    # of a downtilt nothing but that it is contradicted is known here
    wrong = np.full(m.shape, float(stake.tilt_contradicted))
    if stake.record_off_deg is not None:
        wrong = np.maximum(wrong, _out(m - stake.record_off_deg, s, stake.tolerance_deg))
    return costs.years * costs.wrong_record_year * wrong


def _corrected_loss(m: Array, s: Array, p: Array, stake: Stake, costs: Costs) -> Array:
    """Of the record, once the best estimate (n, parts) -> (n,) is written into it, and the writing."""
    if stake.record_off_deg is None:
        return np.full(m.shape[:-1], costs.desk)
    best = np.take_along_axis(m, np.argmax(p, -1)[..., None], -1)
    wrong = costs.years * costs.wrong_record_year * _out(m - best, s, stake.tolerance_deg)
    out: Array = costs.desk + (p * wrong).sum(-1)
    return out


def loss_corrected(stake: Stake, costs: Costs) -> float | None:
    """Expected loss with the register corrected from the photos (the work apart); None where nothing is to correct."""
    if not stake.contradicted:
        return None
    m, s, p = stake.arrays()
    azimuth = float(p @ expected_loss(m, s, stake.tolerance_deg, costs))
    return azimuth + float(_corrected_loss(m[None], s[None], p[None], stake, costs)[0]) - costs.desk


def loss_fixed(stake: Stake, costs: Costs) -> float | None:
    """Expected loss once the likely cause is undone in the register, the work apart; None if it does not tell how."""
    if stake.fixed_off_deg is None or stake.record_off_deg is None:
        return None
    m, s, p = stake.arrays()
    azimuth = expected_loss(m, s, stake.tolerance_deg, costs)
    wrong = costs.years * costs.wrong_record_year * _out(m - stake.fixed_off_deg, s, stake.tolerance_deg)
    return float(p @ (azimuth + wrong))


def parts_with_reading(
    parts: Sequence[Part], reading_off_deg: float, reading_sigma_deg: float, right: float
) -> tuple[Part, ...]:
    """What photos and a reading together know of a deviation, the reading being right with a probability.

    Parameters
    ----------
    parts : by the photos alone, weights to 1. reading_off_deg, reading_sigma_deg : the reading minus the design, and
        its standard uncertainty, above 0. right : probability that the reading is right, in the light of the photos.

    Returns
    -------
    The photos' parts combined with the reading, with the weight `right`, by Bayes' theorem; and those alone with the
    rest of it. Parts of next to no weight are left out.
    """
    said = []
    for x in parts:
        off = float(difference_deg(reading_off_deg, x.deviation_deg))
        spread = math.hypot(x.sigma_deg, reading_sigma_deg)
        share = (x.sigma_deg / spread) ** 2
        moved = Part(
            deviation_deg=float(difference_deg(x.deviation_deg + share * off, 0.0)),
            sigma_deg=x.sigma_deg * reading_sigma_deg / spread,
            probability=x.probability,
        )
        said.append((math.log(max(x.probability, 1e-300)) - math.log(spread) - 0.5 * (off / spread) ** 2, moved))
    top = max(log for log, _ in said)
    whole = sum(math.exp(log - top) for log, _ in said)
    both = [replace(x, probability=right * math.exp(log - top) / whole) for log, x in said]
    alone = [replace(x, probability=(1.0 - right) * x.probability) for x in parts]
    kept = [x for x in (*both, *alone) if x.probability > 1e-3]
    total = sum(x.probability for x in kept)
    return tuple(replace(x, probability=x.probability / total) for x in kept)


def loss_after_evidence(stake: Stake, sigma_deg: float, climb_cost: float, costs: Costs) -> float:
    """Expected loss after evidence of standard uncertainty sigma, the best being done with whatever it shows.

    Then an antenna may be left or climbed to for `climb_cost`, and a contradicted record be left or corrected; what
    that costs is in it. Preposterior expectation over the mixture of the parts, by quadrature over what each predicts.
    """
    return _preview(stake, sigma_deg, costs).after(climb_cost)[0]


@dataclass(frozen=True, slots=True)
class _Preview:
    """What evidence may show (n,): how probable it is, and what is lost then if nobody climbs."""

    weight: Array
    left: Array

    def after(self, climb_cost: float) -> tuple[float, float]:
        """The loss expected, and the probability that the tower is climbed."""
        best = np.minimum(self.left, climb_cost)  # up there the record is put right as well
        return float(self.weight @ best), float(self.weight @ (climb_cost < self.left))


def _preview(stake: Stake, sigma_deg: float, costs: Costs) -> _Preview:
    m, s, p = stake.arrays()
    if not math.isfinite(sigma_deg):
        corrected = loss_corrected(stake, costs)
        stay = min(loss_now(stake, costs), math.inf if corrected is None else corrected + costs.desk)
        return _Preview(np.ones(1), np.array([stay]))
    spread = np.hypot(s, sigma_deg)
    shown = (m[:, None] + spread[:, None] * _NODES[None, :]).ravel()  # what the evidence may show
    weight = (p[:, None] * _WEIGHTS[None, :]).ravel()
    off = np.asarray(difference_deg(shown[:, None], m[None, :]), float)  # (shown, parts)
    log = np.log(np.maximum(p, 1e-300)) - np.log(spread) - 0.5 * (off / spread) ** 2
    post_p = np.exp(log - log.max(1, keepdims=True))
    post_p /= post_p.sum(1, keepdims=True)
    post_m = m + off * (s / spread) ** 2
    post_s = np.broadcast_to(s * sigma_deg / spread, post_m.shape)
    azimuth = (post_p * expected_loss(post_m, post_s, stake.tolerance_deg, costs)).sum(1)
    left = azimuth + (post_p * _record_loss(post_m, post_s, stake, costs)).sum(1)
    if stake.contradicted:
        left = np.minimum(left, azimuth + _corrected_loss(post_m, post_s, post_p, stake, costs))
    return _Preview(weight, left)


def evidence_sigma_deg(sigma_now_deg: float, sigma_then_deg: float) -> float:
    """Standard uncertainty of the evidence that brings one normal uncertainty to another; infinite if none does."""
    if not 0.0 < sigma_then_deg < sigma_now_deg:
        return math.inf
    return 1.0 / math.sqrt(sigma_then_deg**-2 - sigma_now_deg**-2)


# ---- the plan of a site ----------------------------------------------------------------------------------------------


def _figures(action: Action, now: float, after: float, cost: float, unit: str) -> str:
    """'expected loss 1200 now, 300 after the visit, cost 250 (units)'."""
    if action == "leave":
        return f"expected loss {_figure(now)}; whatever could be done costs more than it avoids"
    when = {
        "correct_register": "after the correction",
        "check_records": "after the correction",
        "desk": "with that",
        "photo": "after the visit",
        "read_again": "after the visit",
    }
    said = f"expected loss {_figure(now)} now, {_figure(after)} "
    return f"{said}{when.get(action, 'after the climb')}, cost {_figure(cost)} ({unit})"


def _site_revisit(items: Sequence[RevisitItem], trip: bool, unit: str) -> Revisit:
    """A site's list with its sums, its items numbered."""
    now, after = sum(i.expected_loss_now for i in items), sum(i.expected_loss_after for i in items)
    cost = sum(i.cost for i in items)
    return Revisit(
        sentence=_sentence(items, trip, now, after, cost, unit),
        trip=trip,
        expected_loss_now=now,
        expected_loss_after=after,
        cost=cost,
        loss_avoided=sum(i.loss_avoided for i in items),
        unit=unit,
        antennas=tuple(replace(item, rank=rank) for rank, item in enumerate(items, 1)),
    )


def _sentence(items: Sequence[RevisitItem], trip: bool, now: float, after: float, cost: float, unit: str) -> str:
    """What the list is ordered by, with the site's figures."""
    if not items:
        return "nobody needs to come back: no expected loss is worth a visit"
    todo = [i for i in items if i.action != "leave"]
    if not todo:
        return f"nothing that could be done avoids more than it costs (expected loss {_figure(now)})"
    goers = sum(i.action in ("photo", "read_again", "climb") for i in todo)
    going = f"one visit serves {goers}" if goers > 1 else "one visit" if trip else "no visit needed"
    return (
        f"expected loss {_figure(now)} now, {_figure(after)} after, cost {_figure(cost)} "
        f"({unit}; {going}): ordered by expected loss avoided"
    )


def _figure(value: float) -> str:
    """Two significant digits: costs are no better known."""
    if value < 0.5:
        return "0"
    step = 10 ** max(0, math.floor(math.log10(value)) - 1)
    return str(round(value / step) * step)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Way:
    """One thing that could be done; its own cost, what it needs of the site's."""

    action: Action
    loss: float
    cost: float
    trip: bool = False
    climb: bool = False
    option: EvidenceOption | None = None
    climbs_after: float = 0.0  # probability that what it shows sends somebody up


def plan_site(site: Site, result: SiteResult, costs: Costs | None = None) -> Revisit:
    """What to do about a judged site: for every antenna the action that leaves least to lose, visited once at most.

    On the list are antennas with an action, and those that are out, undecided, contradicted or unseen although
    nothing pays. Where somebody goes, or climbs, it is done once for all that gain by it: of no trip, a trip, and a
    trip with a climb, whichever costs and leaves least.
    """
    costs = costs or Costs()
    register = {a.antenna_id: a for a in site.antennas}
    stakes: dict[str, Stake] = {}
    for found in result.antennas:
        antenna = register.get(found.antenna_id)
        stake = None if antenna is None else _stake(antenna, found, costs)
        if stake is not None:
            stakes[found.antenna_id] = stake
    chosen, trip, climb = _best_plan({a.antenna_id: a for a in result.antennas}, stakes, costs)
    gains = {name: loss_now(stakes[name], costs) - way.loss - way.cost for name, way in chosen.items()}
    going = _shares(costs.visit, {name: gains[name] for name, way in chosen.items() if way.trip})
    climbing = _shares(costs.climb, {name: gains[name] for name, way in chosen.items() if way.climb})
    items = []
    for name, way in chosen.items():
        found = result.antennas[name]
        if way.action == "leave" and not _noteworthy(found):
            continue
        cost = way.cost + going.get(name, 0.0) + climbing.get(name, 0.0)
        alike = tuple(n for n, s in stakes.items() if s.cause is not None and s.cause == stakes[name].cause)
        items.append(_item(site, result, found, stakes[name], way, cost, costs, alike))
    items.sort(key=lambda i: (-round(i.loss_avoided, 6), -round(i.expected_loss_now, 6), i.antenna_id))
    return _site_revisit(items, trip or climb, costs.unit)


def _best_plan(
    estimates: Mapping[str, AntennaResult], stakes: Mapping[str, Stake], costs: Costs
) -> tuple[dict[str, _Way], bool, bool]:
    """The cheapest ways, a later climb being shared by those that evidence may send somebody up to.

    Who shares it depends on what is done now, and that on what a later climb costs each: found by turns, from a climb
    that each pays alone and from one that all pay together, the better of the two.
    """
    whole = costs.visit + costs.climb
    fixes: dict[str, int] = {}
    for s in stakes.values():
        if s.cause in _OF_REFERENCE and s.fixed_off_deg is not None:
            fixes[s.cause] = fixes.get(s.cause, 0) + 1
    previews: dict[tuple[str, float], _Preview] = {}

    def look(name: str) -> Callable[[float], _Preview]:
        def at(sigma_deg: float) -> _Preview:
            if (name, sigma_deg) not in previews:
                previews[name, sigma_deg] = _preview(stakes[name], sigma_deg, costs)
            return previews[name, sigma_deg]

        return at

    best: tuple[float, dict[str, _Way], bool, bool] | None = None
    for first in (1.0, 1.0 / max(len(stakes), 1)):
        share = dict.fromkeys(stakes, first)
        for _ in range(6):
            ways = {
                name: _ways(
                    estimates[name],
                    s,
                    costs,
                    costs.turn + whole * share[name],
                    costs.desk / fixes.get(s.cause or "", 1),
                    look(name),
                )
                for name, s in stakes.items()
            }
            total, chosen, trip, climb = _cheapest(ways, costs)
            after = {name: w.climbs_after for name, w in chosen.items() if w.climbs_after > 0.0}
            now = {name: shared_alone(p for n, p in after.items() if n != name) for name in stakes}
            settled = max((abs(now[n] - share[n]) for n in after), default=0.0) < 1e-3
            share = now
            if settled:
                break
        if best is None or total < best[0] - 1e-6:
            best = total, chosen, trip, climb
    if best is None:  # cannot be: there are two
        raise AssertionError
    return best[1], best[2], best[3]


def shared_alone(others: Iterable[float]) -> float:
    """The part of a shared cost that one pays whom others join with these probabilities: E[1 / (1 + how many do)]."""
    count = [1.0]  # probability of none, one, two ... of them
    for p in others:
        count = [a * (1.0 - p) + b * p for a, b in zip([*count, 0.0], [0.0, *count], strict=True)]
    return sum(c / (1.0 + n) for n, c in enumerate(count))


def _shares(cost: float, gains: Mapping[str, float]) -> dict[str, float]:
    """A shared cost by what each gains, so that none is charged with more than that; all alike where none gains."""
    whole = sum(gains.values())
    if whole <= 0.0:
        return dict.fromkeys(gains, cost / max(len(gains), 1))
    return {name: cost * gain / whole for name, gain in gains.items()}


def _stake(antenna: Antenna, found: AntennaResult, costs: Costs) -> Stake | None:
    design = found.design.azimuth_true_deg
    reading = found.reading
    tolerance = antenna.tolerance_deg
    if design is None:
        return None
    parts = parts_of(found, design)
    if not parts:
        within = Part(deviation_deg=0.0, sigma_deg=tolerance / 3.0, probability=1.0 - costs.unseen_out)
        out = Part(deviation_deg=0.0, sigma_deg=_UNKNOWN_SIGMA_DEG, probability=costs.unseen_out)
        return Stake(parts=(within, out), tolerance_deg=tolerance)
    off = None
    if reading is not None and reading.agrees is False:
        off = float(difference_deg(reading.azimuth_true_deg, design))
    tilt = found.downtilt_reading
    cause = None if reading is None else reading.likely_cause
    p_out = found.design.p_out_of_tolerance
    sigma = max(reading.u95_deg / K95, 1e-3) if reading is not None else 1.0
    photos, fixed = parts, None
    if reading is not None and reading.p_right is not None:
        believed, right = reading.azimuth_true_deg, reading.p_right
        if off is not None and reading.corrected_deg is not None:
            fixed = float(difference_deg(reading.corrected_deg, design))
            believed = reading.corrected_deg
            right = next((c.probability for c in reading.causes if c.cause == cause), 0.0)
        parts = parts_with_reading(photos, float(difference_deg(believed, design)), sigma, min(right, 1.0))
    return Stake(
        parts=parts,
        tolerance_deg=tolerance,
        photo_sigma_deg=max(photos, key=lambda x: x.probability).sigma_deg,
        record_off_deg=off,
        tilt_contradicted=tilt is not None and tilt.agrees is False,
        cause=cause,
        alike=reading.not_told_apart if reading is not None else (),
        fixed_off_deg=fixed,
        reading_sigma_deg=sigma,
        turned=cause == "antenna_turned" and p_out is not None and p_out > 0.5,
    )


def _ways(
    estimate: AntennaResult,
    stake: Stake,
    costs: Costs,
    later: float,
    fix: float,
    look: Callable[[float], _Preview],
) -> list[_Way]:
    """Everything that could be done about an antenna.

    later : what a climb costs it that evidence may call for on another trip. fix : its part of undoing a fault in the
    register. look : what evidence of a standard uncertainty may show.
    """
    out = [_Way(action="leave", loss=loss_now(stake, costs), cost=0.0)]
    fixed = loss_fixed(stake, costs)
    if fixed is not None:
        swapped = stake.cause == "sectors_swapped"
        out.append(_Way(action="check_records" if swapped else "correct_register", loss=fixed, cost=fix))
    else:
        # to write down where a turned antenna points, in place of where it should, puts nothing right
        corrected = None if stake.turned else loss_corrected(stake, costs)
        if corrected is not None:
            swapped = stake.cause == "sectors_swapped"
            out.append(_Way(action="check_records" if swapped else "correct_register", loss=corrected, cost=costs.desk))
    out.append(_Way(action="climb", loss=0.0, cost=costs.turn, trip=True, climb=True))
    if estimate.azimuth_true_deg is None:
        first, climbs = look(_FIRST_PHOTO_U95_DEG / K95).after(later)
        out.append(_Way(action="photo", loss=first, cost=costs.photo, trip=True, climbs_after=climbs))
        return out
    if stake.record_off_deg is not None and fixed is None and ({stake.cause, *stake.alike} & {*_READ_AGAIN}):
        loss, climbs = look(stake.reading_sigma_deg).after(later)
        out.append(_Way(action="read_again", loss=loss, cost=costs.photo, trip=True, climbs_after=climbs))
    now = stake.photo_sigma_deg or max(stake.parts, key=lambda p: p.probability).sigma_deg
    for option in estimate.next_evidence.options if estimate.next_evidence else ():
        sigma = evidence_sigma_deg(now, option.u95_then_deg / K95)
        if not math.isfinite(sigma):
            continue
        loss, climbs = look(sigma).after(later)
        action: Action = "photo" if option.needs_trip else "desk"
        cost = costs.photo if option.needs_trip else costs.desk
        trip = option.needs_trip
        out.append(_Way(action=action, loss=loss, cost=cost, trip=trip, option=option, climbs_after=climbs))
    return out


def _cheapest(ways: Mapping[str, Sequence[_Way]], costs: Costs) -> tuple[float, dict[str, _Way], bool, bool]:
    """What the ways cost and leave that together do least of both, and which; what is shared is paid once."""
    best: tuple[float, dict[str, _Way], bool, bool] | None = None
    for trip, climb, fixed in (
        (False, False, 0.0),
        (True, False, costs.visit),
        (True, True, costs.visit + costs.climb),
    ):
        chosen = {
            name: min(
                (w for w in some if (trip or not w.trip) and (climb or not w.climb)),
                key=lambda w: (round(w.loss + w.cost, 6), ACTIONS.index(w.action)),
            )
            for name, some in ways.items()
        }
        total = fixed + sum(w.loss + w.cost for w in chosen.values())
        if best is None or total < best[0] - 1e-6:
            best = total, chosen, trip, climb
    if best is None:  # cannot be: there are three
        raise AssertionError
    return best


def _noteworthy(found: AntennaResult) -> bool:
    return found.revisit or found.design.decision != "accept" or found.azimuth_true_deg is None


def _item(
    site: Site,
    result: SiteResult,
    found: AntennaResult,
    stake: Stake,
    way: _Way,
    cost: float,
    costs: Costs,
    alike: Sequence[str],
) -> RevisitItem:
    m, s, p = stake.arrays()
    now = loss_now(stake, costs)
    p_out = found.design.p_out_of_tolerance
    if p_out is None:
        p_out = float(p @ _out(m, s, stake.tolerance_deg))
    where = _where(site, result, found, way)
    return RevisitItem(
        antenna_id=found.antenna_id,
        action=way.action,
        instruction=_instruction(found, stake, way, where.words, alike),
        reasons=tuple(_reasons(found, p_out)),
        expected_loss_now=now,
        expected_loss_after=way.loss,
        cost=cost,
        loss_avoided=now - way.loss - cost,
        figures=_figures(way.action, now, way.loss, cost, costs.unit),
        bring=_bring(way),
        where=where,
        u95_then_deg=_u95_then(way),
        p_out_of_tolerance=p_out,
    )


def _u95_then(way: _Way) -> float | None:
    if way.option is not None:
        return way.option.u95_then_deg
    return _FIRST_PHOTO_U95_DEG if way.action == "photo" else None


def _bring(way: _Way) -> str | None:
    if way.action == "read_again":
        return "an instrument that needs no compass beside the steel"
    if way.action == "climb":
        return "a climbing crew, an instrument that needs no compass beside the steel, a second photo taken afterwards"
    if way.option is not None:
        return "a camera with a long lens" if way.option.kind in _PHOTOS else way.option.bring
    return "a camera with a long lens" if way.action == "photo" else None


def _reasons(found: AntennaResult, p_out: float) -> list[str]:
    """Why, in few words, the weightiest first."""
    out = []
    design, reading, tilt = found.design, found.reading, found.downtilt_reading
    if found.azimuth_true_deg is None:
        seen = {"not_visible": "shows in no photo", "not_found": "was not found in the photos"}
        out.append(f"it {seen.get(found.status, 'has no estimate')}, so nothing is known of it")
    if design.decision == "reject" and design.deviation_deg is not None:
        out.append(f"out of tolerance: {design.deviation_deg:+.1f}° off a design of ± {design.tolerance_deg:g}°")
    elif design.deviation_deg is not None and p_out > 0.05:
        out.append(f"out of tolerance with a probability of {100.0 * p_out:.0f} %, not decided")
    if reading is not None and reading.agrees is False and reading.difference_deg is not None:
        out.append(f"the reading differs from the photos by {abs(reading.difference_deg):.1f}° (En {reading.en:.1f})")
    if reading is not None and reading.likely_cause is not None:
        out.append(f"likely cause: {in_words(reading.likely_cause)}")
    if tilt is not None and tilt.agrees is False and tilt.difference_deg is not None:
        out.append(f"the downtilt reading differs from the photos by {abs(tilt.difference_deg):.1f}°")
    if len(found.alternatives) > 0:
        out.append("the photos allow more than one azimuth")
    return out or ["more is to be lost than the evidence costs"]


def _instruction(
    found: AntennaResult,
    stake: Stake,
    way: _Way,
    place: str | None,
    alike: Sequence[str],
) -> str:
    """What to do, and what is to be put right in the register beside it."""
    said = _main_instruction(found, stake, way, place, alike)
    corrected = None if found.reading is None else found.reading.corrected_deg
    if way.action in ("leave", "correct_register", "check_records") or corrected is None:
        return said
    if stake.fixed_off_deg is None or stake.cause is None:
        return said
    return f"{said}; in the register, correct the reading to {format_azimuth_deg(corrected)} true"


def _main_instruction(
    found: AntennaResult,
    stake: Stake,
    way: _Way,
    place: str | None,
    alike: Sequence[str],
) -> str:
    name = found.antenna_id
    if way.action == "leave":
        return "leave it as it is"
    corrected = None if found.reading is None else found.reading.corrected_deg
    fixed = None if corrected is None else format_azimuth_deg(corrected)
    if way.action == "check_records":
        checked = f"check labels, cabling records and the notes of the readings: exchanged ({', '.join(alike)})"
        if fixed is None:
            seen = format_azimuth_deg(found.azimuth_true_deg or 0.0, found.u95_deg)
            return f"{checked}; the photos say {seen} true"
        return f"{checked}; exchanged back, the reading of {name} is {fixed} true"
    if way.action == "correct_register" and stake.fixed_off_deg is not None and stake.cause is not None:
        whose = f"the {len(alike)} readings" if len(alike) > 1 else "the reading"
        undone = f"correct {whose} in the register, no visit needed: {in_words(stake.cause)}"
        return f"{undone}; corrected, that of {name} is {fixed} true"
    if way.action == "read_again":
        return f"read the azimuth of {name} again, from the ground, with another instrument or from another place"
    if way.action == "correct_register":
        said = []
        if found.reading is not None and found.reading.agrees is False:
            said.append(f"{format_azimuth_deg(found.azimuth_true_deg or 0.0, found.u95_deg)} true")
        tilt = found.downtilt_reading
        if tilt is not None and tilt.agrees is False and found.downtilt_deg is not None:
            said.append(f"a downtilt of {found.downtilt_deg:.1f}° ± {found.downtilt_u95_deg or 0.0:.1f}°")
        return f"correct the register: the photos say {' and '.join(said)}"
    if way.action == "climb":
        design = found.design.azimuth_true_deg
        aim = "" if design is None else f", and turn it to {format_azimuth_deg(design)} true if it is out"
        if stake.turned:
            return f"climb: {name} is likely turned; measure it{aim}"
        return f"climb: measure {name}{aim}"
    if way.option is None:
        return f"photograph {name} from {place or 'where its front shows'}"
    then = f"; U95 then ± {way.option.u95_then_deg:.1f}°"
    if way.option.kind in _PHOTOS:
        mark = ", with a landmark in the frame" if way.option.kind == "photo_with_landmark" else ""
        return f"confirm by a photo from {place or way.option.bring}{mark}{then}"
    return f"{'measure' if way.option.needs_trip else 'look up'} {way.option.bring}{then}"


def _where(site: Site, result: SiteResult, found: AntennaResult, way: _Way) -> Where:
    """Where to stand."""
    from photoaz.geodesy.frames import destination

    if not way.trip:
        return Where()
    option = way.option
    if way.action in ("climb", "read_again") or (option is not None and option.kind == "tower_position"):
        return Where(words="the tower", lat_deg=site.lat_deg, lon_deg=site.lon_deg)
    if option is not None and option.photo is not None:
        photo = result.photos.get(option.photo)
        name = f"where {Path(option.photo).name} was taken"
        return Where(words=name) if photo is None else Where(words=name, lat_deg=photo.lat_deg, lon_deg=photo.lon_deg)
    bearing = None if option is None else option.bearing_deg
    distance = None if option is None else option.distance_m
    if option is None and found.design.azimuth_true_deg is not None:
        bearing, distance = found.design.azimuth_true_deg, _FIRST_PHOTO_M
    if bearing is None or distance is None:
        return Where()
    lat, lon = destination(site.lat_deg, site.lon_deg, bearing, distance)
    words = f"{distance:.0f} m off, at a bearing of {bearing:.0f}° from the tower"
    return Where(words=words, lat_deg=lat, lon_deg=lon)
