"""Readings and designs with their days: which of them were in force when a photo was taken."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Literal, TypeVar

from photoaz.errors import Fault, InputError
from photoaz.register.columns import ColumnMap, open_mapped
from photoaz.register.model import Antenna, DowntiltReading, Reading, ReadingNorth, Site
from photoaz.register.rows import (
    READING_DOWNTILT_U95_DEG,
    READING_U95_DEG,
    ReadingRow,
    good_rows,
    reading_date_fault,
    require_columns,
)
from photoaz.register.tables import open_table

_T = TypeVar("_T")

#: how a reading stands to a photo: not after it, without a day, after it, or the photo has no day
Standing = Literal["before", "undated", "after", "photo_undated"]


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


@dataclass(frozen=True, slots=True, kw_only=True)
class InForce:
    """What counts for a photo of an antenna.

    standing : of the azimuth's reading, None without one. notes : what a reader should know, in words.
    """

    reading: Reading | None
    downtilt_reading: DowntiltReading | None
    design: DatedDesign | None
    standing: Standing | None
    notes: tuple[str, ...] = ()


ReadingHistory = Mapping[tuple[str, str], Sequence[DatedReading]]


def load_readings(path: Path | str, columns: ColumnMap | None = None) -> tuple[DatedReading, ...]:
    """Read a history (CSV or XLSX), a row for each reading, in file order.

    Needed are site_id, antenna_id and reading_date; further reading_azimuth_deg, reading_north, reading_u95_deg,
    reading_downtilt_deg, reading_downtilt_u95_deg as in the register, and design_azimuth_deg, design_north,
    tolerance_deg, design_downtilt_deg, which count from design_date.

    Parameters
    ----------
    columns : its part `readings` names the columns.

    Raises
    ------
    InputError : with every fault of the file.
    """
    known = ReadingRow.columns()
    mapping = None if columns is None else columns.readings
    table = open_table(path, known) if mapping is None else open_mapped(path, known, mapping)
    require_columns(table, (*ReadingRow.needed(), "reading_date"))
    rows = tuple(
        _dated(good, row.line)
        for row, good in good_rows(ReadingRow, table, lambda r, line: _row_faults(r, table.path, line))
    )
    if table.faults:
        raise InputError(sorted(table.faults, key=lambda f: f.line or 0))
    return rows


def _row_faults(row: ReadingRow, path: Path, line: int) -> Iterator[Fault]:
    def fault(column: str, wanted: str) -> Fault:
        return Fault(file=path, line=line, column=column, found="nothing", wanted=wanted)

    has_reading = row.reading_azimuth_deg is not None or row.reading_downtilt_deg is not None
    if not has_reading and row.design_azimuth_deg is None:
        yield fault("reading_azimuth_deg", "a reading of the azimuth or the downtilt, or a design")
    if has_reading and row.reading_date is None:
        yield fault("reading_date", "the day of the reading, like 2024-05-31")
    if row.design_azimuth_deg is not None and row.design_date is None:
        yield fault("design_date", "the day from which the design counts, like 2024-05-31")
    if row.design_azimuth_deg is None:
        for column in ("tolerance_deg", "design_downtilt_deg"):
            if getattr(row, column) is not None:
                yield fault("design_azimuth_deg", f"a design, as {column} belongs to one")
    if row.reading_azimuth_deg is not None and row.reading_north == "magnetic" and row.reading_date is not None:
        yield from reading_date_fault(row.reading_date, path, line)


def _dated(row: ReadingRow, line: int) -> DatedReading:
    reading = downtilt = design = None
    if row.reading_azimuth_deg is not None:
        reading = Reading(
            azimuth_deg=row.reading_azimuth_deg % 360.0,
            north=row.reading_north,
            u95_deg=row.reading_u95_deg or READING_U95_DEG,
            date=row.reading_date,
            k=row.reading_k,
        )
    if row.reading_downtilt_deg is not None:
        u95_deg = row.reading_downtilt_u95_deg or READING_DOWNTILT_U95_DEG
        downtilt = DowntiltReading(downtilt_deg=row.reading_downtilt_deg, u95_deg=u95_deg)
    if row.design_azimuth_deg is not None and row.design_date is not None:
        design = DatedDesign(
            azimuth_deg=row.design_azimuth_deg % 360.0,
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


def in_force(antenna: Antenna, readings: Sequence[DatedReading], when: date | None) -> InForce:
    """Which reading and which design count for a photo of an antenna.

    The reading is the latest one not after the photo; the register's own is one of them. Where there is none, the
    register's own if it has no day, as nobody can say that it does not hold; where there is none either, the earliest
    one after the photo, and it is said. The same for downtilts. A photo without a day gets the latest. A design counts
    from its day on, the register's own before and without.

    Parameters
    ----------
    readings : of this antenna alone, as `history_of` has them. when : the photo's day, None where not known.
    """
    notes: list[str] = []
    own = antenna.reading
    azimuths = [(own.date, own)] if own is not None else []
    azimuths += [(one.date, one.reading) for one in readings if one.reading is not None]
    reading, standing = _chosen(azimuths, when)
    if reading is not None:
        notes += _note("reading", standing, reading.date, when, len(azimuths))
    tilts: list[tuple[date | None, DowntiltReading]] = []
    if antenna.downtilt_reading is not None:
        tilts.append((own.date if own is not None else None, antenna.downtilt_reading))
    tilts += [(one.date, one.downtilt_reading) for one in readings if one.downtilt_reading is not None]
    downtilt, tilt_standing = _chosen(tilts, when)
    if downtilt is not None and tilt_standing == "after":
        day = next(day for day, one in tilts if one is downtilt)
        notes += _note("downtilt reading", tilt_standing, day, when, len(tilts))
    designs = [one.design for one in readings if one.design is not None]
    due = [d for d in designs if when is None or d.date <= when]
    design = max(due, key=lambda d: d.date) if due else None
    if design is not None:
        notes.append(f"held against the design of {design.date.isoformat()}")
    elif designs:
        first = min(d.date for d in designs)
        notes.append(f"held against the register's design: the history's first is of {first.isoformat()}")
    return InForce(reading=reading, downtilt_reading=downtilt, design=design, standing=standing, notes=tuple(notes))


def _chosen(dated: Sequence[tuple[date | None, _T]], when: date | None) -> tuple[_T | None, Standing | None]:
    """The one that counts; of those of one day the last, so that the history goes before the register."""
    if not dated:
        return None, None
    days = [(day, one) for day, one in dated if day is not None]
    if when is None:
        if not days:
            return dated[-1][1], "undated"
        last = max(day for day, _ in days)
        return [one for day, one in days if day == last][-1], "photo_undated"
    before = [(day, one) for day, one in days if day <= when]
    if before:
        last = max(day for day, _ in before)
        return [one for day, one in before if day == last][-1], "before"
    undated = [one for day, one in dated if day is None]
    if undated:
        return undated[-1], "undated"
    first = min(day for day, _ in days)
    return [one for day, one in days if day == first][-1], "after"


def _note(what: str, standing: Standing | None, day: date | None, when: date | None, of: int) -> list[str]:
    if standing == "after" and day is not None and when is not None:
        return [f"the {what} of {day.isoformat()} is later than the photo of {when.isoformat()}: none is earlier"]
    if standing == "photo_undated" and day is not None and of > 1:
        return [f"the photo has no date: held against the latest {what}, of {day.isoformat()}"]
    if standing == "undated" and of > 1:
        return [f"held against the register's {what}, which has no date: none is known to be earlier than the photo"]
    if standing == "before" and day is not None and of > 1:
        return [f"held against the {what} of {day.isoformat()}, the latest before the photo"]
    return []


def reading_in_force(antenna: Antenna, readings: Sequence[DatedReading], when: date | None) -> Reading | None:
    """The reading of an antenna's azimuth that counts for a photo; see `in_force`."""
    return in_force(antenna, readings, when).reading


def site_at(site: Site, history: ReadingHistory, when: date | None) -> Site:
    """The site with the readings and designs that were in force on a day; see `in_force`."""
    antennas = tuple(_antenna_at(a, history.get((site.site_id, a.antenna_id), ()), when) for a in site.antennas)
    return (
        replace(site, antennas=antennas)
        if any(a is not b for a, b in zip(antennas, site.antennas, strict=True))
        else site
    )


def notes_at(site: Site, history: ReadingHistory, when: date | None) -> dict[str, tuple[str, ...]]:
    """What is to be said of the readings that count on a day, by antenna_id; silent ones are left out."""
    notes = {
        a.antenna_id: in_force(a, history.get((site.site_id, a.antenna_id), ()), when).notes for a in site.antennas
    }
    return {antenna_id: said for antenna_id, said in notes.items() if said}


def _antenna_at(antenna: Antenna, readings: Sequence[DatedReading], when: date | None) -> Antenna:
    if not readings:
        return antenna
    now = in_force(antenna, readings, when)
    antenna = replace(antenna, reading=now.reading, downtilt_reading=now.downtilt_reading)
    if now.design is None:
        return antenna
    return replace(
        antenna,
        design_azimuth_deg=now.design.azimuth_deg,
        design_north=now.design.north,
        tolerance_deg=antenna.tolerance_deg if now.design.tolerance_deg is None else now.design.tolerance_deg,
        design_downtilt_deg=(
            antenna.design_downtilt_deg if now.design.downtilt_deg is None else now.design.downtilt_deg
        ),
    )
