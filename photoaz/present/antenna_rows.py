"""What the report keeps of each antenna of an archive: a row for its table, numbers for its charts."""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from typing import NamedTuple

import numpy as np

from photoaz.angles import Array
from photoaz.judgement.standing import design_standing, reading_standing
from photoaz.present import words
from photoaz.result import LikelyCause, SiteResult

#: rows of the table; of more antennas those that are in order are left out
MOST_ROWS = 30_000


class AntennaRow(NamedTuple):
    """An antenna: codes of how it stands, figures [deg] or None, and where its part of the site's page begins.

    difference: photos minus reading; own: of that, what is left off the site's common part. surveyed: its last photo.
    """

    site_id: str
    page: str
    number: int
    antenna_id: str
    state: str
    reading: str
    design: str
    status: str
    azimuth_deg: float | None
    u95_deg: float | None
    reading_deg: float | None
    difference_deg: float | None
    own_deg: float | None
    read_on: date | None
    design_deg: float | None
    deviation_deg: float | None
    tolerance_deg: float
    cause: LikelyCause | None
    surveyed: date | None
    action: str

    @property
    def badness(self) -> tuple[int, float]:
        """To sort by, the worst first: by state, then by how far off."""
        codes = [s.code for s in words.STATES]
        far = max(abs(self.deviation_deg or 0.0), abs(self.difference_deg or 0.0))
        return codes.index(self.state), -far


def antenna_rows(site: SiteResult, page: str) -> Iterator[AntennaRow]:
    """A row for each antenna, in the register's order."""
    days = {p.photo: p.taken for p in site.photos if p.taken is not None}
    todo = {} if site.revisit is None else {i.antenna_id: i.action for i in site.revisit.antennas}
    for number, a in enumerate(site.antennas, 1):
        r, d = a.reading, a.design
        yield AntennaRow(
            site_id=site.site_id,
            page=page,
            number=number,
            antenna_id=a.antenna_id,
            state=words.antenna_state(a),
            reading=reading_standing(a),
            design=design_standing(a),
            status=a.status,
            azimuth_deg=a.azimuth_true_deg,
            u95_deg=a.u95_deg,
            reading_deg=None if r is None else r.azimuth_true_deg,
            difference_deg=None if r is None else r.difference_deg,
            own_deg=None if r is None or r.departure_deg is None else -r.departure_deg,
            read_on=None if r is None else r.read_on,
            design_deg=d.azimuth_true_deg,
            deviation_deg=d.deviation_deg,
            tolerance_deg=d.tolerance_deg,
            cause=None if r is None else r.likely_cause,
            surveyed=max((days[v.photo] for v in a.evidence if v.photo in days), default=None),
            action=todo.get(a.antenna_id, ""),
        )


#: what charts are drawn from of an antenna whose azimuth is not as good as none
_CHARTED = ("azimuth_deg", "reading_deg", "difference_deg", "own_deg", "deviation_deg")


@dataclass(slots=True)
class ChartNumbers:
    """Numbers of all antennas that charts are drawn from: angles [deg], NaN where not known; days as ordinals, 0 too.

    common: a site's common part of photos minus readings, one for each site that has it.
    """

    antennas: array[float] = field(default_factory=lambda: array("f"))  # in whose 24 bits days are exact
    common: array[float] = field(default_factory=lambda: array("f"))

    def add(self, row: AntennaRow) -> None:
        """Keep an antenna's numbers; of an azimuth that is as good as none, none."""
        angles = [getattr(row, name) if row.design != "not_measured" else None for name in _CHARTED]
        days = (0 if day is None else day.toordinal() for day in (row.read_on, row.surveyed))
        self.antennas.extend([*(math.nan if a is None else a for a in angles), row.tolerance_deg, *days])

    def columns(self) -> Array:
        """(8, n): azimuth, reading, difference, own, deviation, tolerance, day of the reading, of the last photo."""
        return np.asarray(self.antennas, float).reshape(-1, len(_CHARTED) + 3).T
