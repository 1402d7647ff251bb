"""A row for each site, for spreadsheets: where it is, how its readings and designs stand, what is to be done."""

from __future__ import annotations

from typing import Any

from photoaz.present import words
from photoaz.present.standing import DESIGNS, READINGS, UNSEEN, tally_of
from photoaz.result import SiteResult, plain
from photoaz.wording import two_digits

COLUMNS = (
    "site_id",
    "state",
    "site_lat_deg",
    "site_lon_deg",
    "antennas",
    *(f"readings: {w.many}" for w in READINGS),
    *(f"designs: {w.many}" for w in DESIGNS),
    *(f"not measured: {w.many}" for w in UNSEEN),
    "largest photos − design [deg]",
    "photos used",
    "photos",
    "loss avoided",
    "unit",
    "to do",
)


def site_row(site: SiteResult) -> list[Any]:
    """By COLUMNS."""
    tally = tally_of(site.antennas)
    off: list[float] = [d for a in site.antennas if (d := a.design.deviation_deg) is not None]
    most = max(off, key=abs, default=None)
    plan = site.revisit
    return [
        site.site_id,
        words.BY_CODE[words.site_state([words.antenna_state(a) for a in site.antennas])].word,
        plain(site.lat_deg, "lat_deg"),
        plain(site.lon_deg, "lon_deg"),
        len(site.antennas),
        *(tally.readings[w.code] for w in READINGS),
        *(tally.designs[w.code] for w in DESIGNS),
        *(tally.unseen[w.code] for w in UNSEEN),
        None if most is None else round(most, 2),
        sum(p.status == "used" for p in site.photos),
        len(site.photos) if site.audit is None else site.audit.photos,
        None if plan is None else two_digits(plan.loss_avoided),
        None if plan is None else plan.unit,
        None if plan is None else plan.sentence,
    ]
