"""Whose hours a plan tells: zones that are given, of photos, or none."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from photoaz.errors import InputError
from photoaz.planning.light import UTC as NO_ZONE
from photoaz.planning.light import civil_time, daylight, of_photos

NOON = datetime(2026, 5, 20, 12, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "hours"),
    [
        ("Europe/Vienna", "14:00-15:30"),  # IANA time zone database: CEST, UTC+2, in May
        ("America/Halifax", "09:00-10:30"),  # ADT, UTC-3
        ("Asia/Kathmandu", "17:45-19:15"),  # UTC+5:45
        ("+02:00", "14:00-15:30"),
        ("UTC-3:30", "08:30-10:00"),
    ],
)
def test_a_zone_that_is_given(text, hours) -> None:
    civil = civil_time(text)
    assert civil.hours([(NOON, NOON + timedelta(minutes=90))]) == hours
    assert "(given)" in civil.sentence


@pytest.mark.parametrize("text", ["Vienna", "", "+25:00", "../etc/passwd", "Europe/Vienna\0"])
def test_what_is_no_zone_is_named(text) -> None:
    with pytest.raises(InputError, match="--zone"):
        civil_time(text)


def test_without_a_zone_it_is_utc_and_says_so() -> None:
    assert NO_ZONE.sentence == "Times in UTC (no zone known: give --zone for local time)."
    assert NO_ZONE.hours([]) == "none"


def test_photos_tell_their_own_zone() -> None:
    local = datetime(2026, 5, 2, 13, 45, 10)
    civil = of_photos([(None, NOON), (local, datetime(2026, 5, 2, 11, 45, 12, tzinfo=UTC))])
    assert civil.name == "UTC+02:00"
    assert "as the photo of 2026-05-02 has it" in civil.source
    assert of_photos([(local, None)]) is None


def test_daylight_of_a_published_day() -> None:
    """Sunrise and sunset of NREL's example, 2003-10-17 at 39.742476 N 105.1786 W: 06:12:43, 17:20:19 at UTC-7.

    Reda and Andreas, NREL/TP-560-34302 (2008), appendix A.5; here to the ten minutes that a plan is made in.
    """
    ((rise, fall),) = daylight(39.742476, -105.1786, date(2003, 10, 17))
    assert abs(rise - datetime(2003, 10, 17, 13, 12, 43, tzinfo=UTC)) <= timedelta(minutes=11)
    assert abs(fall - datetime(2003, 10, 18, 0, 20, 19, tzinfo=UTC)) <= timedelta(minutes=11)
