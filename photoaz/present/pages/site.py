"""A site's page: what is to be worked out before its template can show the site's result."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from photoaz.judgement.reasons import priors_sentence
from photoaz.present import words
from photoaz.present.antenna_rows import badness
from photoaz.present.charts import budget_svg, strip_svg
from photoaz.present.drawing import ANTENNA_DIAL, HATCH, CameraPlace, Pointing, azimuth_plan
from photoaz.present.figures import antenna_cameras, antenna_figures, directions, impact_figures, site_plan, standpoints
from photoaz.present.pages.history import history_svg
from photoaz.result import AntennaResult, MissingView, SiteResult
from photoaz.wording import some_of

_MOST_CAMERAS = 6
_MOST_MISSING = 8


def site_context(site: SiteResult) -> dict[str, Any]:
    """What a site's page shows of it beside the result itself; photos go by their numbers from 1."""
    stands = standpoints(site)
    numbers = {p.photo: k for k, p in enumerate(site.photos, 1)}
    states = [words.antenna_state(a) for a in site.antennas]
    designs = {a.antenna_id: a.design.azimuth_true_deg for a in site.antennas}

    def shows(a: AntennaResult, photo: str) -> bool:
        return any(v.photo == photo for v in a.evidence)

    told = [
        _antenna(a, site.site_id, state, k, numbers, stands)
        for k, (a, state) in enumerate(zip(site.antennas, states, strict=True), 1)
    ]
    advice = [site.next_evidence, *(a.next_evidence for a in site.antennas)]
    return {
        "site": site,
        "state": words.BY_CODE[words.site_state(states)],
        "cautions": words.before_you_go(site.revisit, *advice),
        "plan": Markup(site_plan(site)),
        "hatch": Markup(HATCH),
        "numbers": numbers,
        "stands": stands,
        "unplaced": [numbers[p.photo] for p in site.photos if p.photo not in stands],
        "worst_first": sorted(told, key=lambda one: badness(one["of"])),
        # the antennas that were fitted in each photo
        "seen": {p.photo: some_of([a.antenna_id for a in site.antennas if shows(a, p.photo)], 6) for p in site.photos},
        "history": Markup(history_svg(site.visits, site.turns, designs)),
        "site_words": [
            said.sentence
            for said in (site.causes, site.common_mode, site.next_evidence)
            if said is not None and said.sentence
        ],
        "priors": None if site.priors is None else priors_sentence(site.priors),
        "flags": () if site.audit is None else site.audit.flags,
    }


def _antenna(
    a: AntennaResult, site_id: str, state: str, k: int, numbers: Mapping[str, int], stands: Mapping[str, CameraPlace]
) -> dict[str, Any]:
    """An antenna's result (`of`) with its charts and figures."""
    drawn = directions(a)
    cameras = antenna_cameras(a, numbers, stands, _MOST_CAMERAS)
    dial = azimuth_plan(
        [Pointing(label=a.antenna_id, directions=drawn)], cameras, layout=ANTENNA_DIAL, ident=f"dial-{k}"
    )
    return {
        "of": a,
        "anchor": f"antenna-{k}",
        "state": words.BY_CODE[state],
        "dial": Markup(dial),
        "strip": Markup(strip_svg(drawn)),
        "budget": Markup(budget_svg(a.budget)),
        "figures": antenna_figures(a),
        "impact": impact_figures(a.impact_db, site_id),
        "missing": _missing(a.missing, numbers),
    }


def _missing(views: Sequence[MissingView], numbers: Mapping[str, int]) -> list[str]:
    """'photos 3, 5: turns its back', the same reasons together."""
    by: dict[str, list[str]] = {}
    for v in views:
        by.setdefault(v.reason, []).append(str(numbers.get(v.photo) or words.base_name(v.photo)))
    lines = [f"photo{'s' if len(n) > 1 else ''} {', '.join(n)}: {reason}" for reason, n in by.items()]
    more = len(lines) - _MOST_MISSING
    return lines[:_MOST_MISSING] + ([f"{more} more reasons in estimates.json"] if more > 0 else [])
