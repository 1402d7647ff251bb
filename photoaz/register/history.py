"""Readings and designs with their days: which of them were in force when a photo was taken."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TypeVar

from photoaz.angles import azimuth_deg
from photoaz.errors import Fault
from photoaz.register.columns import ColumnMap
from photoaz.register.mapped import open_mapped
from photoaz.register.model import Antenna, DowntiltReading, Reading, ReadingNorth, Site
from photoaz.register.rows import ReadingRow, Slip, columns_of, good_rows, needed_of, reading_slips, readings_of

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True, kw_only=True)
class DatedDesign:
    """What was planned from a day on; tolerance and downtilt as the register has them where None."""

    azimuth_deg: float
    north: ReadingNorth
    date: date
    tolerance_deg: float | None = None
    downtilt_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DatedReading:
    """A row of the history: a reading of the azimuth, of the downtilt, a design; at least one of them."""

    site_id: str
    antenna_id: str
    date: date | None = None
    reading: Reading | None = None
    downtilt_reading: DowntiltReading | None = None
    design: DatedDesign | None = None
    line: int = 0


ReadingHistory = Mapping[tuple[str, str], Sequence[DatedReading]]


def load_readings(path: Path | str, columns: ColumnMap | None = None) -> tuple[DatedReading, ...]:
    """Read a history (CSV or XLSX), a row for each reading, in file order.

    Needed are site_id, antenna_id and reading_date; further reading_azimuth_deg, reading_north, reading_u95_deg,
    reading_downtilt_deg, reading_downtilt_u95_deg as in the register, and design_azimuth_deg, design_north,
    tolerance_deg, design_downtilt_deg, which count from design_date.

    columns : its part `readings` names the columns.

    Raises InputError: with every fault of the file.
    """
    table = open_mapped(path, columns_of(ReadingRow), columns and columns.readings)
    table.require((*needed_of(ReadingRow), "reading_date"))
    readings = tuple(_dated(good, row.line) for row, good in good_rows(ReadingRow, table, _slips))
    table.require_no_fault()
    return readings


def _slips(row: ReadingRow) -> Iterator[Slip]:
    has_reading = row.reading_azimuth_deg is not None or row.reading_downtilt_deg is not None
    if not has_reading and row.design_azimuth_deg is None:
        yield Slip("reading_azimuth_deg", "nothing", "a reading of the azimuth or the downtilt, or a design")
    if has_reading and row.reading_date is None:
        yield Slip("reading_date", "nothing", "the day of the reading, like 2024-05-31")
    if row.design_azimuth_deg is not None and row.design_date is None:
        yield Slip("design_date", "nothing", "the day from which the design counts, like 2024-05-31")
    if row.design_azimuth_deg is None:
        for column in ("tolerance_deg", "design_downtilt_deg"):
            if getattr(row, column) is not None:
                yield Slip("design_azimuth_deg", "nothing", f"a design, as {column} belongs to one")
    yield from reading_slips(row)


def _dated(row: ReadingRow, line: int) -> DatedReading:
    reading, downtilt = readings_of(row)
    design = None
    if row.design_azimuth_deg is not None and row.design_date is not None:
        design = DatedDesign(
            azimuth_deg=azimuth_deg(row.design_azimuth_deg),
            north=row.design_north,
            date=row.design_date,
            tolerance_deg=row.tolerance_deg,
            downtilt_deg=row.design_downtilt_deg,
        )
    return DatedReading(
        site_id=row.site_id,
        antenna_id=row.antenna_id,
        date=row.reading_date,
        reading=reading,
        downtilt_reading=downtilt,
        design=design,
        line=line,
    )


def history_of(readings: Iterable[DatedReading]) -> ReadingHistory:
    """Readings by (site_id, antenna_id), each in file order, so that an antenna's are found at once."""
    history: dict[tuple[str, str], list[DatedReading]] = {}
    for one in readings:
        history.setdefault((one.site_id, one.antenna_id), []).append(one)
    return history


def history_faults(path: Path | str, readings: Iterable[DatedReading], sites: Iterable[Site]) -> tuple[Fault, ...]:
    """What a history holds that the register does not know: sites, antennas, a grid north without its grid."""
    known = {(site.site_id, a.antenna_id): a for site in sites for a in site.antennas}
    names = {site_id for site_id, _ in known}
    faults = []
    for one in readings:
        antenna = known.get((one.site_id, one.antenna_id))
        norths = [part.north for part in (one.reading, one.design) if part is not None]
        if antenna is None:
            column = "antenna_id" if one.site_id in names else "site_id"
            found = repr(one.antenna_id if column == "antenna_id" else one.site_id)
            wanted = f"an antenna of site {one.site_id}" if column == "antenna_id" else "a site of the register"
        elif "grid" in norths and antenna.grid_crs is None:
            column = "reading_north" if one.reading is not None and one.reading.north == "grid" else "design_north"
            found, wanted = "'grid'", "a grid_crs for this antenna in the register, or another north"
        else:
            continue
        faults.append(Fault(file=path, line=one.line, column=column, found=found, wanted=wanted))
    return tuple(faults)


def in_force(antenna: Antenna, readings: Sequence[DatedReading], when: date | None) -> tuple[Antenna, tuple[str, ...]]:
    """The antenna with the readings and the design that count for a photo, and what a reader should know of them.

    The reading is the latest one not after the photo; the register's own is one of them. Where there is none, the
    register's own if it has no day, as nobody can say that it does not hold; where there is none either, the earliest
    one after the photo, and it is said. The same for downtilts. A photo without a day gets the latest. A design counts
    from its day on, the register's own before and without.

    readings : of this antenna alone, as `history_of` has them. when : the photo's day, None where not known.
    """
    own = antenna.reading
    own_day = own.date if own is not None else None
    azimuths = [(own_day, own), *((one.date, one.reading) for one in readings)]
    tilts = [(own_day, antenna.downtilt_reading), *((one.date, one.downtilt_reading) for one in readings)]
    reading, notes = _chosen("reading", azimuths, when)
    downtilt, tilt_notes = _chosen("downtilt reading", tilts, when)
    notes += [note for note in tilt_notes if "is later than" in note]
    antenna = replace(antenna, reading=reading, downtilt_reading=downtilt) if readings else antenna
    designs = [one.design for one in readings if one.design is not None]
    due = [d for d in designs if when is None or d.date <= when]
    if due:
        design = max(due, key=lambda d: d.date)
        notes.append(f"held against the design of {design.date.isoformat()}")
        antenna = replace(
            antenna,
            design_azimuth_deg=design.azimuth_deg,
            design_north=design.north,
            tolerance_deg=antenna.tolerance_deg if design.tolerance_deg is None else design.tolerance_deg,
            design_downtilt_deg=antenna.design_downtilt_deg if design.downtilt_deg is None else design.downtilt_deg,
        )
    elif designs:
        first = min(d.date for d in designs)
        notes.append(f"held against the register's design: the history's first is of {first.isoformat()}")
    return antenna, tuple(notes)


def _chosen(what: str, told: Sequence[tuple[date | None, _T | None]], when: date | None) -> tuple[_T | None, list[str]]:
    """Of what was told of days, the one that counts for a photo, and what is to be said of it.

    Of those of one day it is the last, so that the history goes before the register.
    """
    undated = [one for day, one in told if one is not None and day is None]
    of_day = {day: one for day, one in told if one is not None and day is not None}
    several = sum(one is not None for _, one in told) > 1
    if before := [day for day in of_day if when is None or day <= when]:
        day = max(before)
        if when is None:
            note = f"the photo has no date: held against the latest {what}, of {day.isoformat()}"
        else:
            note = f"held against the {what} of {day.isoformat()}, the latest before the photo"
        return of_day[day], [note] if several else []
    if undated:
        note = f"held against the register's {what}, which has no date: none is known to be earlier than the photo"
        return undated[-1], [note] if several else []
    if not of_day:
        return None, []
    day = min(of_day)
    return of_day[day], [f"the {what} of {day.isoformat()} is later than the photo of {when}: none is earlier"]


def site_at(site: Site, history: ReadingHistory, when: date | None) -> Site:
    """The site with the readings and designs that were in force on a day; see `in_force`."""
    antennas = tuple(in_force(a, history.get((site.site_id, a.antenna_id), ()), when)[0] for a in site.antennas)
    return replace(site, antennas=antennas)


def notes_at(site: Site, history: ReadingHistory, when: date | None) -> dict[str, tuple[str, ...]]:
    """What is to be said of the readings that count on a day, by antenna_id; silent ones are left out."""
    notes = {a.antenna_id: in_force(a, history.get((site.site_id, a.antenna_id), ()), when)[1] for a in site.antennas}
    return {antenna_id: said for antenna_id, said in notes.items() if said}
