"""What the report keeps of each antenna of an archive: a line for its table, numbers for its charts."""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import date
from typing import NamedTuple

import numpy as np
from markupsafe import Markup

from photoaz.angles import Array, format_azimuth_deg, format_difference_deg
from photoaz.judgement.reasons import in_words
from photoaz.judgement.standing import design_standing, reading_standing
from photoaz.present import words
from photoaz.present.words import READING_WORDS, design_words
from photoaz.result import AntennaResult, LikelyCause, SiteResult, action_of, days_seen

#: rows of the table; of more antennas those that are in order are left out
MOST_ROWS = 30_000


class Column(NamedTuple):
    """A column of the table: name in the CSV, heading, kind ('text', 'date', 'deg', 'signed', 'u95'), and its cells."""

    name: str
    heading: str
    kind: str
    cell: Callable[[SiteResult, AntennaResult], object]


COLUMNS = (
    Column("site_id", "Site", "text", lambda s, a: s.site_id),
    Column("antenna_id", "Antenna", "text", lambda s, a: a.antenna_id),
    Column("reading", "Reading", "text", lambda s, a: READING_WORDS[reading_standing(a)]),
    Column("design", "Design", "text", lambda s, a: design_words(a)),
    Column("azimuth_true_deg", "Photos", "deg", lambda s, a: _measured(a)[0]),
    Column("u95_deg", "U95", "u95", lambda s, a: _measured(a)[1]),
    Column("reading_azimuth_true_deg", "Register's reading", "deg", lambda s, a: _azimuth(_read(a)[0])),
    Column("difference_deg", "Photos − reading", "signed", lambda s, a: _signed(_read(a)[1])),
    Column("own_difference_deg", "Its own, shared offset off", "signed", lambda s, a: _signed(own_difference_deg(a))),
    Column("reading_date", "Read on", "date", lambda s, a: _read(a)[2] or ""),
    Column("design_azimuth_true_deg", "Register's design", "deg", lambda s, a: _azimuth(a.design.azimuth_true_deg)),
    Column("deviation_deg", "Photos − design", "signed", lambda s, a: _signed(a.design.deviation_deg)),
    Column("tolerance_deg", "Tolerance", "u95", lambda s, a: f"± {a.design.tolerance_deg:g}°"),
    Column("likely_cause", "Likely cause", "text", lambda s, a: in_words(cause) if (cause := _read(a)[3]) else ""),
    Column("last_photo_date", "Last photo", "date", lambda s, a: max(days_seen(s, a), default="")),
    Column("action", "To do", "text", lambda s, a: (action_of(s, a) or "").replace("_", " ")),
)

#: to sort by, the worst first: an antenna's state, by its place among all, then how far off
Badness = tuple[int, float]


def badness(a: AntennaResult) -> Badness:
    """How bad an antenna stands, the least number the worst."""
    off = a.design.deviation_deg, _read(a)[1]
    codes = [s.code for s in words.STATES]
    return codes.index(words.antenna_state(a)), -max(abs(v or 0.0) for v in off)


def antenna_rows(site: SiteResult, page: str) -> Iterator[tuple[Badness, Markup]]:
    """A line for each antenna, in the register's order: cells between tabs by COLUMNS, its page and the place on it."""
    for number, a in enumerate(site.antennas, 1):
        cells = (*(c.cell(site, a) for c in COLUMNS), page, f"antenna-{number}")
        yield badness(a), Markup("\t").join(words.clean(str(c)).replace("\t", " ") for c in cells)


def own_difference_deg(a: AntennaResult) -> float | None:
    """Of photos minus reading what is left off the site's common part."""
    return None if a.reading is None or a.reading.departure_deg is None else -a.reading.departure_deg


def _read(a: AntennaResult) -> tuple[float | None, float | None, date | None, LikelyCause | None]:
    """Its reading, photos minus that, the day of it, and what is likely wrong with it."""
    r = a.reading
    return (None, None, None, None) if r is None else (r.azimuth_true_deg, r.difference_deg, r.read_on, r.likely_cause)


def _measured(a: AntennaResult) -> tuple[str, str]:
    """The azimuth, and its U95 by which it is spelled."""
    if a.azimuth_true_deg is None:
        return "", ""
    azimuth, _, spread = format_azimuth_deg(a.azimuth_true_deg, a.u95_deg).partition(" ± ")
    return azimuth, f"± {spread}" if spread else ""


def _azimuth(value_deg: float | None) -> str:
    return "" if value_deg is None else format_azimuth_deg(value_deg)


def _signed(value_deg: float | None) -> str:
    return "" if value_deg is None else format_difference_deg(value_deg)


# ---- for the charts --------------------------------------------------------------------------------------------------


class Apart(NamedTuple):
    """An antenna whose reading disagrees: angles [deg], and where its part of the site's page begins."""

    reading_deg: float
    azimuth_deg: float
    difference_deg: float
    antenna_id: str
    place: str


@dataclass(slots=True)
class ChartNumbers:
    """Numbers of all antennas that charts are drawn from: angles [deg], NaN where not known; days as ordinals, 0 too.

    common: a site's common part of photos minus readings, one for each site that has it.
    """

    antennas: array[float] = field(default_factory=lambda: array("f"))  # in whose 24 bits days are exact
    common: array[float] = field(default_factory=lambda: array("f"))
    apart: list[Apart] = field(default_factory=list)

    def add(self, site: SiteResult, page: str) -> None:
        """Keep the numbers of a site's antennas; of an azimuth that is as good as none, none."""
        if site.common_mode is not None and site.common_mode.n > 1:
            self.common.append(-site.common_mode.angle_deg)
        for number, a in enumerate(site.antennas, 1):
            d, (read_deg, off_deg, read_on, _) = a.design, _read(a)
            angles = (a.azimuth_true_deg, read_deg, off_deg, own_difference_deg(a), d.deviation_deg)
            known = [math.nan if v is None or design_standing(a) == "not_measured" else v for v in angles]
            last = max((day.toordinal() for day in days_seen(site, a)), default=0)
            self.antennas.extend([*known, d.tolerance_deg, read_on.toordinal() if read_on else 0, last])
            if words.disagrees(a) and a.azimuth_true_deg is not None and read_deg is not None:
                place = f"{page}#antenna-{number}"
                self.apart.append(Apart(read_deg, a.azimuth_true_deg, off_deg or 0.0, a.antenna_id, place))

    def columns(self) -> Array:
        """(8, n): azimuth, reading, difference, own, deviation, tolerance, day of the reading, of the last photo."""
        return np.asarray(self.antennas, float).reshape(-1, 8).T
