"""The table of all antennas: sorted, filtered and saved as CSV by the page itself."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from markupsafe import Markup

from photoaz.angles import format_azimuth_deg, format_difference_deg
from photoaz.judgement.reasons import in_words
from photoaz.present.antenna_rows import AntennaRow
from photoaz.present.standing import DESIGN_WORDS, READING_WORDS, UNSEEN_WORDS
from photoaz.present.words import clean


class Column(NamedTuple):
    """A column: name in the CSV, heading, and kind ('text', 'date', 'deg', 'signed', 'u95')."""

    name: str
    heading: str
    kind: str


COLUMNS = (
    Column("site_id", "Site", "text"),
    Column("antenna_id", "Antenna", "text"),
    Column("reading", "Reading", "text"),
    Column("design", "Design", "text"),
    Column("azimuth_true_deg", "Photos", "deg"),
    Column("u95_deg", "U95", "u95"),
    Column("reading_azimuth_true_deg", "Register's reading", "deg"),
    Column("difference_deg", "Photos − reading", "signed"),
    Column("own_difference_deg", "Its own, shared offset off", "signed"),
    Column("reading_date", "Read on", "date"),
    Column("design_azimuth_true_deg", "Register's design", "deg"),
    Column("deviation_deg", "Photos − design", "signed"),
    Column("tolerance_deg", "Tolerance", "u95"),
    Column("likely_cause", "Likely cause", "text"),
    Column("last_photo_date", "Last photo", "date"),
    Column("action", "To do", "text"),
)


def antennas_context(rows: Sequence[AntennaRow], total: int) -> dict[str, Any]:
    """What the table's page shows; a line for each antenna, cells between tabs, the worst first."""
    worst_first = sorted(rows, key=lambda r: r.badness)
    return {"columns": COLUMNS, "rows": [_line(r) for r in worst_first], "total": total}


def _line(r: AntennaRow) -> Markup:
    """By COLUMNS, then the page and the place on it."""
    why = f": {UNSEEN_WORDS[r.status]}" if r.azimuth_deg is None and r.status in UNSEEN_WORDS else ""
    cells = (
        r.site_id,
        r.antenna_id,
        READING_WORDS[r.reading],
        DESIGN_WORDS[r.design] + why,
        *_measured(r),
        _or_nothing(format_azimuth_deg, r.reading_deg),
        _or_nothing(format_difference_deg, r.difference_deg),
        _or_nothing(format_difference_deg, r.own_deg),
        r.read_on or "",
        _or_nothing(format_azimuth_deg, r.design_deg),
        _or_nothing(format_difference_deg, r.deviation_deg),
        f"± {r.tolerance_deg:g}°",
        in_words(r.cause) if r.cause else "",
        r.surveyed or "",
        r.action.replace("_", " "),
        r.page,
        f"antenna-{r.number}",
    )
    return Markup("\t").join(clean(str(c)).replace("\t", " ") for c in cells)


def _measured(r: AntennaRow) -> list[str]:
    """The azimuth, and its U95 by which it is spelled."""
    if r.azimuth_deg is None:
        return ["", ""]
    azimuth, *spread = format_azimuth_deg(r.azimuth_deg, r.u95_deg).split(" ± ")
    return [azimuth, f"± {spread[0]}" if spread else ""]


def _or_nothing(spelled: Callable[[float], str], value: float | None) -> str:
    return "" if value is None else spelled(value)
