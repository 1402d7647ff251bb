"""What visits, photos, climbs and wrong azimuths cost; from a file where the user has one."""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path

from photoaz.register.toml import is_finite, read_keys

#: in any currency: more is a slip of the keyboard, and sums of it are none any more
MOST = 1e12


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """What things cost, in one unit, named by `unit`. The defaults are common practice, no source: set your own.

    visit: going to a site, once for all its antennas. photo: each antenna's photo or measurement from the ground there.
    climb: a crew on the tower, once for all antennas. turn: measuring, and turning where it needs it, one antenna up
    there. desk: looking something up, or correcting the register, once for one fault of several readings.
    wrong_azimuth_year: an antenna out of tolerance left so for a year; lost_db_year: with it, each dB lost where it
    loses most of boresight and sector edge (reference pattern). wrong_record_year: a reading in the register that is
    wrong, left so for a year. years: how long things stay if nothing is done.
    """

    visit: float = 250.0
    photo: float = 20.0
    climb: float = 800.0
    turn: float = 150.0
    desk: float = 15.0
    wrong_azimuth_year: float = 500.0
    lost_db_year: float = 300.0
    wrong_record_year: float = 100.0
    years: float = 1.0
    unit: str = "units"

    def __post_init__(self) -> None:
        for f in fields(self):
            wrong = _wrong(f.name, getattr(self, f.name))
            if wrong:
                raise ValueError(f"{f.name}: {wrong}")


def _wrong(key: str, value: object) -> str | None:
    """What is wanted of a cost, where the value is not that."""
    if key == "unit":
        return None if isinstance(value, str) and 0 < len(value) <= 20 and value.isprintable() else "1 to 20 letters"
    most = 1000.0 if key == "years" else MOST
    if not is_finite(value) or not 0.0 <= value <= most:
        return f"a number, 0 or more, up to {most:g}"
    return "years above 0" if key == "years" and value == 0.0 else None


def load_costs(path: Path) -> Costs:
    """Costs from a TOML file: lines such as `visit = 300`; what it does not name stays as it is.

    Raises InputError: no TOML, a key that there is not, a value that is none; every such line, with key and what is
    wanted.
    """
    known = [f.name for f in fields(Costs)]
    _, given = read_keys(path, {"": known}, _wrong, what="a TOML file of costs", example="visit = 300")
    return Costs(**given[""])
