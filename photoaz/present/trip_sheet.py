"""The sheet of a round trip: a page for the trip and one for each stop, to print or to keep on the phone."""

from __future__ import annotations

import datetime as dt

from photoaz.planning.light import daylight
from photoaz.planning.trip import RoundTrip
from photoaz.planning.zones import UTC, CivilTime
from photoaz.present.frame import inlined, rendered


def trip_sheet_html(trip: RoundTrip, created: dt.datetime, day: dt.date, civil: CivilTime = UTC) -> str:
    """A round trip's sheet as an HTML document. created: with its zone; day: of the trip, whose daylight is given."""
    spans = [daylight(s.lat_deg, s.lon_deg, day) for s in trip.stops]
    return rendered(
        "trip.html",
        inlined=inlined("paper.css", "field_sheet.css", "trip_sheet.css"),
        trip=trip,
        day=day,
        civil=civil,
        daylight=[civil.hours(some) for some in spans],
        made=civil.moment(created),
    )
