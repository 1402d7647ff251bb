"""What a planned photo is worth: beside leaving, correcting, reading again and climbing, by one set of costs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from photoaz.judgement.costs import Costs
from photoaz.judgement.revisit import plan_site
from photoaz.register.model import Site
from photoaz.result import AntennaResult, ById, EvidenceOption, NextEvidence, Revisit, SiteResult


def with_planned_photos(
    solution: SiteResult, u95_deg: Mapping[str, float], bring: str, distance_m: float, bearing_deg: float
) -> SiteResult:
    """The solution, its antennas offered the planned photos (U95 with them, by antenna) in place of any other photo."""

    def offered(a: AntennaResult) -> AntennaResult:
        then = u95_deg.get(a.antenna_id)
        if then is None or a.u95_deg is None:
            return a
        option = EvidenceOption(
            kind="photo",
            bring=bring,
            photo=None,
            needs_trip=True,
            u95_then_deg=min(then, a.u95_deg),
            distance_m=distance_m,
            bearing_deg=bearing_deg,
        )
        before = a.next_evidence or NextEvidence(limit="", u95_now_deg=a.u95_deg, sentence="")
        others = tuple(o for o in before.options if o.kind not in ("photo", "photo_with_landmark"))
        return replace(a, next_evidence=replace(before, options=(*others, option)))

    return replace(solution, antennas=ById(offered(a) for a in solution.antennas))


def gain_of(
    site: Site,
    solution: SiteResult,
    u95_deg: Mapping[str, float],
    costs: Costs,
    *,
    distance_m: float,
    bearing_deg: float,
) -> Revisit:
    """What is best for each antenna of a site that was estimated, the planned photos being one way among others."""
    offered = with_planned_photos(solution, u95_deg, "the planned photos", distance_m, bearing_deg)
    return plan_site(site, offered, costs, solution.priors)
