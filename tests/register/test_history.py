"""Readings and designs with their days."""

from __future__ import annotations

from datetime import date

import pytest

from photoaz.errors import InputError
from photoaz.register.columns import load_columns
from photoaz.register.history import (
    history_faults,
    history_of,
    in_force,
    load_readings,
    notes_at,
    site_at,
)
from photoaz.register.model import Antenna, DowntiltReading, Reading, Site

HEADER = (
    "site_id,antenna_id,reading_date,reading_azimuth_deg,reading_north,reading_u95_deg,reading_downtilt_deg,"
    "reading_downtilt_u95_deg,design_date,design_azimuth_deg,design_north,tolerance_deg"
)
ROWS = """\
S,A,2019-05-02,118,magnetic,1,2.5,0.2,,,,
S,A,2023-06-01,131,true,,,,2022-01-01,130,true,3
S,B,2021-01-01,,,,4,,,,,
S,B,,,,,,,2020-01-01,250,grid,
"""


def write(tmp_path, text, name="h.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture
def readings(tmp_path):
    return load_readings(write(tmp_path, f"{HEADER}\n{ROWS}"))


def antenna(name="A", **fields):
    return Antenna(antenna_id=name, rad_center_m=30.0, design_azimuth_deg=120.0, **fields)


def own(azimuth_deg, day=None):
    return Reading(azimuth_deg=azimuth_deg, north="true", u95_deg=2.0, date=day)


def test_rows(readings):
    first, second, tilt, design = readings
    assert first.reading == Reading(azimuth_deg=118.0, north="magnetic", u95_deg=1.0, date=date(2019, 5, 2))
    assert first.downtilt_reading == DowntiltReading(downtilt_deg=2.5, u95_deg=0.2)
    assert (second.reading.u95_deg, second.downtilt_reading, second.design.tolerance_deg) == (2.0, None, 3.0)
    assert (tilt.reading, tilt.downtilt_reading.u95_deg, tilt.date) == (None, 0.5, date(2021, 1, 1))
    assert (design.design.azimuth_deg, design.design.north, design.design.date) == (250.0, "grid", date(2020, 1, 1))
    assert [r.line for r in readings] == [2, 3, 4, 5]


@pytest.mark.parametrize(
    ("when", "register", "azimuth", "says"),
    [
        (date(2019, 5, 2), None, 118.0, "reading of 2019-05-02, the latest before"),  # the day itself counts
        (date(2023, 5, 31), None, 118.0, ""),
        (date(2023, 6, 1), None, 131.0, ""),
        (date(2018, 1, 1), None, 118.0, "of 2019-05-02 is later than the photo of 2018-01-01"),
        (date(2018, 1, 1), own(77.0), 77.0, "which has no date"),
        (date(2020, 1, 1), own(77.0), 118.0, ""),  # one without a day is the weakest
        (date(2020, 1, 1), own(77.0, date(2019, 12, 1)), 77.0, ""),  # the register's is a reading like others
        (date(2018, 1, 1), own(77.0, date(2018, 6, 1)), 77.0, "2018-06-01 is later"),
        (date(2023, 6, 1), own(77.0, date(2023, 6, 1)), 131.0, ""),  # of one day: the history's
        (None, own(77.0), 131.0, "the photo has no date"),
    ],
)
def test_the_reading_in_force(readings, when, register, azimuth, says):
    of_a = history_of(readings)["S", "A"]
    found, notes = in_force(antenna(reading=register), of_a, when)
    assert found.reading.azimuth_deg == azimuth
    assert says in " / ".join(notes)


def test_without_any_reading():
    assert in_force(antenna(), (), date(2020, 1, 1)) == (antenna(), ())
    lone = antenna(reading=own(5.0))
    assert in_force(lone, (), date(2020, 1, 1)) == (lone, ())  # as ever: nothing to say of it


def test_the_site_as_it_was(readings):
    site = Site(site_id="S", lat_deg=46.6, lon_deg=-66.4, antennas=(antenna(), antenna("B", grid_crs="32619")))
    history = history_of(readings)
    early, late = site_at(site, history, date(2019, 6, 1)), site_at(site, history, date(2024, 1, 1))
    assert (early.antennas[0].reading.azimuth_deg, late.antennas[0].reading.azimuth_deg) == (118.0, 131.0)
    assert (early.antennas[0].design_azimuth_deg, late.antennas[0].design_azimuth_deg) == (120.0, 130.0)
    assert (early.antennas[0].tolerance_deg, late.antennas[0].tolerance_deg) == (5.0, 3.0)
    assert (early.antennas[1].design_azimuth_deg, late.antennas[1].design_azimuth_deg) == (120.0, 250.0)
    assert (late.antennas[1].design_north, late.antennas[1].tolerance_deg) == ("grid", 5.0)
    assert late.antennas[1].downtilt_reading.downtilt_deg == 4.0
    assert "2022-01-01" in " ".join(notes_at(site, history, date(2019, 6, 1))["A"])
    assert "downtilt reading of 2021-01-01 is later" in " ".join(notes_at(site, history, date(2019, 6, 1))["B"])
    other = Site(site_id="T", lat_deg=46.6, lon_deg=-66.4, antennas=(antenna(),))
    assert site_at(other, history, date(2019, 6, 1)) == other
    assert notes_at(other, history, date(2019, 6, 1)) == {}


def test_faults(tmp_path):
    rows = """\
S,A,,118,,,,,,,,
S,A,2019-05-02,,,,,,,,,
S,A,2019-05-02,118,,,,,,90,,
S,A,1850-05-02,118,magnetic,,,,,,,
S,A,2019-05-02,118,,,,,,,,4
S,A,02.05.2019,118,,,,,,,,
"""
    with pytest.raises(InputError) as e:
        load_readings(write(tmp_path, f"{HEADER}\n{rows}"))
    assert [(f.line, f.column) for f in e.value.faults] == [
        (2, "reading_date"),
        (3, "reading_azimuth_deg"),
        (4, "design_date"),
        (5, "reading_date"),
        (6, "design_azimuth_deg"),
        (7, "reading_date"),
    ]
    with pytest.raises(InputError, match="also reading_date"):
        load_readings(write(tmp_path, "site_id,antenna_id,reading_azimuth_deg\nS,A,1\n"))


def test_held_against_the_register(readings):
    site = Site(site_id="S", lat_deg=46.6, lon_deg=-66.4, antennas=(antenna("B"),))
    faults = history_faults("h.csv", readings, [site])
    assert [(f.line, f.column, f.found) for f in faults] == [
        (2, "antenna_id", "'A'"),
        (3, "antenna_id", "'A'"),
        (5, "design_north", "'grid'"),
    ]
    assert history_faults("h.csv", readings[:1], [])[0].column == "site_id"


def test_headings_of_its_own(tmp_path):
    toml = """
[readings]
decimal = ","
[readings.columns]
site_id = "Tower"
antenna_id = "Ant"
reading_date = {from = "Day", format = "%d.%m.%Y"}
reading_azimuth_deg = {from = "Az", north = "magnetic"}
"""
    columns = load_columns(write(tmp_path, toml, "c.toml"))
    (one,) = load_readings(write(tmp_path, "Tower;Ant;Day;Az\nS;A;02.05.2019;118,5\n"), columns)
    assert one.reading == Reading(azimuth_deg=118.5, north="magnetic", u95_deg=2.0, date=date(2019, 5, 2))
