"""Antennas that turned between two visits to a site, as photos of different years show them.

Each visit's azimuths hang together through its photos' headings, so the visits' differences are treated like those of
readings and estimates: what all antennas have in common is a fault of reference as likely as a head that turned, and
what one has of its own is its own (see `judgement.common_mode`, whose sources apply here).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from photoaz.angles import difference_deg, format_difference_deg, wrap_deg
from photoaz.judgement.common_mode import about_one_angle, covariance_of, largest_consistent, own_shifts
from photoaz.quantities import K95, MIN_TO_SEPARATE, VISIT_GAP, W_CRITICAL
from photoaz.result import SiteResult, Turn


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """Photos of a site that were taken about the same time. first, last: days, None where the photos do not say."""

    first: date | None
    last: date | None
    photos: tuple[str, ...]


def visits_of(days: Mapping[str, date | None]) -> tuple[Visit, ...]:
    """Group photos (by name, with their days) into visits, the oldest first; those without a day are one, the first."""
    undated = tuple(name for name, day in days.items() if day is None)
    groups: list[list[tuple[date, str]]] = []
    for day, name in sorted((day, name) for name, day in days.items() if day is not None):
        if not groups or day - groups[-1][-1][0] > VISIT_GAP:
            groups.append([])
        groups[-1].append((day, name))
    known = tuple(Visit(first=g[0][0], last=g[-1][0], photos=tuple(name for _, name in g)) for g in groups)
    return (*((Visit(first=None, last=None, photos=undated),) if undated else ()), *known)


def turns_between(earlier: SiteResult, later: SiteResult, before: Visit, after: Visit) -> tuple[Turn, ...]:
    """How each antenna that both visits show stands against the earlier visit; both visits have days."""
    if before.last is None or after.first is None or earlier.azimuth_covariance is None:
        return ()
    if later.azimuth_covariance is None:
        return ()
    names = [n for n in earlier.azimuth_covariance.antenna_ids if n in later.azimuth_covariance.antenna_ids]
    if not names:
        return ()
    d = difference_deg(_azimuths(later, names), _azimuths(earlier, names))
    v = covariance_of(earlier.azimuth_covariance, names) + covariance_of(later.azimuth_covariance, names)
    v = v + np.eye(len(names)) * 1e-12 * np.trace(v)
    d = about_one_angle(d, v)
    own = len(names) >= MIN_TO_SEPARATE
    if own:
        _, included = largest_consistent(d, v)
        shift, variance = own_shifts(d, v, included)
        stands = ~included
    else:
        shift, variance = d, np.diag(v)
        stands = np.abs(wrap_deg(d)) > W_CRITICAL * np.sqrt(variance)
    changes = zip(names, wrap_deg(shift).tolist(), np.sqrt(variance).tolist(), stands.tolist(), strict=True)
    return tuple(
        Turn(
            antenna_id=name,
            from_=before.last,
            to=after.first,
            change_deg=change,
            u95_deg=K95 * sigma,
            en=abs(change) / (K95 * sigma),
            p=math.erfc(abs(change) / sigma / math.sqrt(2.0)),
            own=own,
            turned=stand,
            sentence=_sentence(name, before.last, after.first, change, K95 * sigma, own, stand),
        )
        for name, change, sigma, stand in changes
    )


def _azimuths(site: SiteResult, names: Sequence[str]) -> np.ndarray:
    return np.array([site.antennas[name].azimuth_true_deg for name in names], float)


def _sentence(name: str, earlier: date, later: date, change: float, u95: float, own: bool, turned: bool) -> str:
    between = f"between {earlier.isoformat()} and {later.isoformat()}"
    figure = format_difference_deg(change, u95)
    if not turned:
        return f"{name}: no turn seen {between} ({figure})."
    if own:
        return f"{name} turned by {figure} {between}, against the other antennas of the site."
    return (
        f"{name} differs by {figure} {between}: it turned, or one visit's headings are off; too few antennas to tell."
    )
