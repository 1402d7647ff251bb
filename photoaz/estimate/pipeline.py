"""The one road from a site's photos to its result, which every command takes.

Each visit is solved by itself where there are several, and all together what no turn parts; then readings and designs
in force at the time are held against that, and it is weighed what to do next.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise

from photoaz.estimate.inputs import SiteInputs, Tools
from photoaz.estimate.solve import SolvedSite, on_one_thread, solve_again, solve_site
from photoaz.estimate.statements import day_taken
from photoaz.judgement.impact import with_site_impact
from photoaz.judgement.judge import judge_site
from photoaz.judgement.revisit import plan_site
from photoaz.judgement.visits import Visit, turns_between, visits_of
from photoaz.priors import Priors
from photoaz.register.history import notes_at, site_at
from photoaz.register.model import Site
from photoaz.result import AntennaResult, ById, PhotoResult, SiteResult, Turn, VisitAzimuth, VisitResult


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimated:
    """A site's result, and the solved site that it rests on, for `estimate_again`."""

    result: SiteResult
    solved: SolvedSite


def estimate_site(given: SiteInputs, tools: Tools | None = None) -> SiteResult:
    """A site's result: azimuths, verdicts on readings and designs, and what to do next.

    Returns
    -------
    SiteResult, with an entry for every photo and every antenna asked for; what could not be used says why.
    """
    return estimate_and_keep(given, tools).result


@on_one_thread
def estimate_and_keep(given: SiteInputs, tools: Tools | None = None) -> Estimated:
    """As `estimate_site`, with what `estimate_again` needs."""
    visits = _visits(given)
    each: tuple[tuple[Visit, SiteResult], ...] = ()
    turns: tuple[Turn, ...] = ()
    before_turn: set[str] = set()
    if len(visits) > 1:
        each = tuple((v, solve_site(_at_visit(given, v), tools).result()) for v in visits)
        known = [(v, s) for v, s in each if v.last is not None]
        turns = tuple(turn for (v1, s1), (v2, s2) in pairwise(known) for turn in turns_between(s1, s2, v1, v2))
        last_turn = max((t.to for t in turns if t.turned), default=None)
        if last_turn is not None:
            # what was there before an antenna turned says nothing of how it stands now
            earlier = [v for v in visits if v.first is None or v.first < last_turn]
            before_turn = {name for v in earlier for name in v.photos}
    site = _site_now(given, visits)
    photos = tuple(p for p in given.photos if p.name not in before_turn)
    solved = solve_site(replace(given, site=site, photos=photos), tools)
    result = solved.result()
    result = replace(result, photos=ById((*result.photos, *_photos_before_turn(each, before_turn))))
    result = _judged(given, result, turns)
    result = replace(result, visits=tuple(_visit(given, v, s) for v, s in each), turns=turns)
    return Estimated(result=result, solved=solved)


@on_one_thread
def estimate_again(given: SiteInputs, last: SolvedSite, tools: Tools | None = None) -> SiteResult | None:
    """As `estimate_site` of a site that was just solved, after a change of marks or controls: a draft, in less time.

    None where that cannot do it (see `solve_again`), or photos of several visits are weighed against each other.
    """
    if len(_visits(given)) > 1:
        return None
    result = solve_again(last, given, tools)
    return None if result is None else _judged(given, result)


def _judged(given: SiteInputs, result: SiteResult, turns: Sequence[Turn] = ()) -> SiteResult:
    """A solved site with what follows: verdicts, causes, impact, what to do next."""
    visits = _visits(given)
    days = _days(given)
    photo_days = {a.antenna_id: _day_seen(a, days) for a in result.antennas}
    site = _site_now(given, visits)
    result = with_site_impact(site, judge_site(site, result, photo_days, given.risk, given.priors))
    result = replace(result, revisit=plan_site(site, result, given.costs, given.priors))
    turned = {t.antenna_id: t.sentence for t in turns if t.turned}
    notes = notes_at(given.site, given.history, next((v.last for v in reversed(visits) if v.last), None))
    antennas = []
    for a in result.antennas:
        said = [turned[a.antenna_id]] if a.antenna_id in turned else []
        said += notes.get(a.antenna_id, ())
        antennas.append(replace(a, revisit=a.revisit or a.antenna_id in turned, reasons=(*a.reasons, *said)))
    changed = None if given.priors == Priors() else given.priors
    return replace(result, antennas=ById(antennas), priors=changed)


def _days(given: SiteInputs) -> dict[str, date | None]:
    """Of the photos whose metadata could be read."""
    return {p.name: day_taken(p.record) for p in given.photos if p.record is not None}


def _visits(given: SiteInputs) -> tuple[Visit, ...]:
    return visits_of(_days(given))


def _at_visit(given: SiteInputs, visit: Visit) -> SiteInputs:
    photos = tuple(p for p in given.photos if p.name in visit.photos)
    return replace(given, site=_site_then(given, visit), photos=photos)


def _site_then(given: SiteInputs, visit: Visit) -> Site:
    return site_at(given.site, given.history, visit.last)


def _site_now(given: SiteInputs, visits: Sequence[Visit]) -> Site:
    """With the readings and designs in force when the latest photos were taken."""
    dated = [v for v in visits if v.last is not None]
    return _site_then(given, dated[-1]) if dated else given.site


def _photos_before_turn(visits: Sequence[tuple[Visit, SiteResult]], names: set[str]) -> list[PhotoResult]:
    """The photos of visits before a turn, as their own visit's solution has them."""
    flag = "taken before an antenna of the site turned: used for the history only"
    return [
        replace(photo, flags=(*photo.flags, flag)) if photo.status == "used" else photo
        for _, solved in visits
        for photo in solved.photos
        if photo.photo in names
    ]


def _day_seen(antenna: AntennaResult, days: Mapping[str, date | None]) -> date | None:
    """The day of the latest photo that shows the antenna; of the latest at all where none does."""
    seen = [day for view in antenna.evidence if (day := days.get(view.photo)) is not None]
    return max(seen or [day for day in days.values() if day is not None], default=None)


def _visit(given: SiteInputs, visit: Visit, solved: SiteResult) -> VisitResult:
    readings = {a.antenna_id: a.reading for a in _site_then(given, visit).antennas}
    return VisitResult(
        from_=visit.first,
        to=visit.last,
        photos=visit.photos,
        antennas=tuple(
            VisitAzimuth(
                antenna_id=a.antenna_id,
                azimuth_true_deg=a.azimuth_true_deg,
                u95_deg=a.u95_deg,
                reading_date=None if (reading := readings.get(a.antenna_id)) is None else reading.date,
            )
            for a in solved.antennas
            if a.azimuth_true_deg is not None
        ),
    )
