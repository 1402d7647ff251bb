"""Who is visited again, why, and what to do there: by the loss expected if nothing is done, and what a visit avoids.

A site is visited once for all of its antennas, so the cost of going is shared; so is that of a climb, now or later.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from photoaz.judgement import instructions
from photoaz.judgement.costs import Costs
from photoaz.judgement.losses import Stake, loss_now, p_out_of
from photoaz.judgement.ways import Way, stake_of, ways_of
from photoaz.priors import Priors
from photoaz.register.model import Site
from photoaz.result import Action, AntennaResult, Revisit, RevisitItem, SiteResult

#: the least trouble first
ACTIONS: tuple[Action, ...] = ("leave", "correct_register", "check_records", "desk", "photo", "read_again", "climb")
#: causes that are one fault of several readings, put right in one go
_OF_REFERENCE = ("declination_omitted", "declination_sign", "grid_for_true", "reversed_180", "sectors_swapped")
#: rounds in which is found who shares a later climb
_MOST_ROUNDS = 6


def plan_site(site: Site, result: SiteResult, costs: Costs | None = None, priors: Priors | None = None) -> Revisit:
    """What to do about a judged site: for every antenna the action that leaves least to lose, visited once at most.

    On the list are antennas with an action, and those that are out, undecided, contradicted or unseen although
    nothing pays. Where somebody goes, or climbs, it is done once for all that gain by it: of no trip, a trip, and a
    trip with a climb, whichever costs and leaves least.
    """
    costs, priors = costs or Costs(), priors or Priors()
    register = {a.antenna_id: a for a in site.antennas}
    stakes: dict[str, Stake] = {}
    for found in result.antennas:
        antenna = register.get(found.antenna_id)
        stake = None if antenna is None else stake_of(antenna, found, priors.deviations(antenna.tolerance_deg))
        if stake is not None:
            stakes[found.antenna_id] = stake
    plan = _best_plan({name: result.antennas[name] for name in stakes}, stakes, costs)
    now = {name: loss_now(stake, costs) for name, stake in stakes.items()}
    gains = {name: now[name] - way.loss - way.cost for name, way in plan.ways.items()}
    going = _shares(costs.visit, {name: gains[name] for name, way in plan.ways.items() if way.trip})
    climbing = _shares(costs.climb, {name: gains[name] for name, way in plan.ways.items() if way.climb})
    items = []
    for name, way in plan.ways.items():
        found, stake = result.antennas[name], stakes[name]
        fine = not found.revisit and found.design.decision == "accept" and found.azimuth_true_deg is not None
        if way.action == "leave" and fine:
            continue
        cost = way.cost + going.get(name, 0.0) + climbing.get(name, 0.0)
        p_out = found.design.p_out_of_tolerance
        p_out = p_out_of(stake) if p_out is None else p_out
        alike = [n for n, s in stakes.items() if s.cause is not None and s.cause == stake.cause]
        where = instructions.where(site, result, found, way)
        item = RevisitItem(
            antenna_id=name,
            action=way.action,
            instruction=instructions.instruction(found, stake, way, where.words, alike),
            reasons=tuple(instructions.why(found, p_out, way.action)),
            expected_loss_now=now[name],
            expected_loss_after=way.loss,
            cost=cost,
            loss_avoided=now[name] - way.loss - cost,
            figures=instructions.figures(way.action, now[name], way.loss, cost, costs.unit),
            bring=instructions.bring(way),
            where=where,
            u95_then_deg=way.u95_then_deg,
            p_out_of_tolerance=p_out,
        )
        items.append(item)
    items.sort(key=lambda i: (-round(i.loss_avoided, 6), -round(i.expected_loss_now, 6), i.antenna_id))
    return _site_revisit(items, plan.trip, costs.unit)


def _site_revisit(items: Sequence[RevisitItem], trip: bool, unit: str) -> Revisit:
    """A site's list with its sums, its items numbered."""
    now, after = sum(i.expected_loss_now for i in items), sum(i.expected_loss_after for i in items)
    cost = sum(i.cost for i in items)
    return Revisit(
        sentence=instructions.site_sentence(items, trip, now, after, cost, unit),
        trip=trip,
        expected_loss_now=now,
        expected_loss_after=after,
        cost=cost,
        loss_avoided=sum(i.loss_avoided for i in items),
        unit=unit,
        antennas=tuple(replace(item, rank=rank) for rank, item in enumerate(items, 1)),
    )


@dataclass(frozen=True, slots=True)
class _Plan:
    """A way for every antenna, whether somebody goes to the site, and what all of it costs and leaves."""

    ways: dict[str, Way]
    trip: bool
    total: float


def _best_plan(estimates: Mapping[str, AntennaResult], stakes: Mapping[str, Stake], costs: Costs) -> _Plan:
    """The cheapest ways, a later climb being shared by those that evidence may send somebody up to.

    Who shares it depends on what is done now, and that on what a later climb costs each: found by turns, from a climb
    that each pays alone and from one that all pay together, the better of the two.
    """
    undone = [s.cause for s in stakes.values() if s.fixed_off_deg is not None]
    every = {}
    for name, s in stakes.items():
        together = undone.count(s.cause) if s.cause in _OF_REFERENCE else 1
        every[name] = list(ways_of(estimates[name], s, costs, costs.desk / max(together, 1)))
    plans = []
    for first in (1.0, 1.0 / max(len(stakes), 1)):
        share = dict.fromkeys(stakes, first)
        for _ in range(_MOST_ROUNDS):
            later = {name: costs.turn + (costs.visit + costs.climb) * part for name, part in share.items()}
            plan = _cheapest({n: [w.with_later_climb(later[n]) for w in some] for n, some in every.items()}, costs)
            after = {name: w.climbs_after for name, w in plan.ways.items() if w.climbs_after > 0.0}
            now = {name: shared_alone(p for n, p in after.items() if n != name) for name in stakes}
            settled = max((abs(now[n] - share[n]) for n in after), default=0.0) < 1e-3
            share = now
            if settled:
                break
        plans.append(plan)
    return min(plans, key=lambda plan: round(plan.total, 6))


def _cheapest(ways: Mapping[str, Sequence[Way]], costs: Costs) -> _Plan:
    """Of no trip, a trip, and one with a climb the plan that costs and leaves least; what is shared is paid once."""
    plans = []

    def order(w: Way) -> tuple[float, int]:
        return round(w.loss + w.cost, 6), ACTIONS.index(w.action)

    both = costs.visit + costs.climb
    for trip, climb, shared in ((False, False, 0.0), (True, False, costs.visit), (True, True, both)):
        open_to = {n: [w for w in some if (trip or not w.trip) and (climb or not w.climb)] for n, some in ways.items()}
        chosen = {name: min(some, key=order) for name, some in open_to.items()}
        plans.append(_Plan(chosen, trip, shared + sum(w.loss + w.cost for w in chosen.values())))
    return min(plans, key=lambda plan: round(plan.total, 6))


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
