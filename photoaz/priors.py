"""What is known of antennas, sites, compasses and readings before a site is looked at; a user may change it.

Prior knowledge in the sense of JCGM 106:2012, clause 7: it is weighed with what photos and readings say. The defaults
stand in `photoaz.quantities`, with their sources. Shares are probabilities, each spread one standard deviation.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from typing import NamedTuple

from photoaz import quantities as q


class Spread(NamedTuple):
    """A part of what may be: its share, and its standard deviation [deg] about 0; infinite for 'anywhere'."""

    share: float
    sigma_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AntennasKnown:
    """How antennas hang. as_designed_spread: of those as designed about the design, as a share of the tolerance.

    turned_share: those that are not; turned_sigma_deg: how far, but for turned_anywhere_share of them, which may face
    anywhere.
    """

    turned_share: float = q.NOT_AS_DESIGNED_SHARE
    turned_sigma_deg: float = q.TURNED_SIGMA_DEG
    turned_anywhere_share: float = q.ANYWHERE_SHARE
    as_designed_spread: float = q.AS_DESIGNED_SPREAD


@dataclass(frozen=True, slots=True, kw_only=True)
class SitesKnown:
    """Sites whose antennas are all off by one angle, as those built to a wrong north: their share, and how far.

    unlisted_share: of sites with panels that the register does not list.
    """

    error_share: float = q.SITE_ERROR_SHARE
    error_sigma_deg: float = q.SITE_ERROR_SIGMA_DEG
    unlisted_share: float = q.UNLISTED_SHARE


@dataclass(frozen=True, slots=True, kw_only=True)
class CompassesKnown:
    """Photos whose compass was disturbed: their share, and how far."""

    disturbed_share: float = q.COMPASS_DISTURBED_SHARE
    disturbed_sigma_deg: float = math.degrees(q.COMPASS_DISTURBED_RAD)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingsKnown:
    """What goes wrong with readings.

    Of sites, or of one day's readings: the declination left out, applied the wrong way, twice; grid taken for true; all
    off by one angle, whose spread is common_offset_sigma_deg; all read the wrong way round. Of sites: sectors
    exchanged; two antennas' readings exchanged, near and far ones; a reading taken off another antenna, near and far.
    Of single readings: the wrong way round; two digits exchanged; wrong, by wrong_sigma_deg or anything; a fault of
    reference of its own. turned_since_share: of antennas, turned since they were read.
    """

    declination_omitted_share: float = q.DECLINATION_OMITTED_SHARE
    declination_sign_share: float = q.DECLINATION_SIGN_SHARE
    declination_twice_share: float = q.DECLINATION_TWICE_SHARE
    grid_for_true_share: float = q.GRID_FOR_TRUE_SHARE
    common_offset_share: float = q.COMMON_OFFSET_SHARE
    common_offset_sigma_deg: float = q.COMMON_OFFSET_SIGMA_DEG
    all_reversed_share: float = q.ALL_REVERSED_SHARE
    sectors_exchanged_share: float = q.SECTORS_EXCHANGED_SHARE
    pair_exchanged_share: float = q.PAIR_EXCHANGED_SHARE
    far_pair_exchanged_share: float = q.FAR_PAIR_EXCHANGED_SHARE
    other_antenna_share: float = q.OTHER_ANTENNA_READ_SHARE
    far_antenna_share: float = q.FAR_ANTENNA_READ_SHARE
    reversed_share: float = q.READING_REVERSED_SHARE
    digits_transposed_share: float = q.DIGITS_TRANSPOSED_SHARE
    wrong_share: float = q.READING_WRONG_SHARE
    wrong_sigma_deg: float = q.READING_WRONG_SIGMA_DEG
    own_reference_share: float = q.OWN_REFERENCE_FAULT_SHARE
    turned_since_share: float = q.TURNED_SINCE_SHARE

    @property
    def faulty_share(self) -> float:
        """Single readings that have a fault of their own which is not one of reference, or whose antenna turned."""
        return self.reversed_share + self.digits_transposed_share + self.wrong_share + self.turned_since_share


@dataclass(frozen=True, slots=True, kw_only=True)
class Priors:
    """All of it, by what it is about: the tables of a file of priors (`photoaz.register.priors`).

    Raises ValueError: a share that does not lie between 0 and 1, a spread that is not above 0, shares that exclude each
    other and come to 1 or more.
    """

    antennas: AntennasKnown = field(default_factory=AntennasKnown)
    sites: SitesKnown = field(default_factory=SitesKnown)
    compasses: CompassesKnown = field(default_factory=CompassesKnown)
    readings: ReadingsKnown = field(default_factory=ReadingsKnown)

    def __post_init__(self) -> None:
        for table, key, value in self.values():
            if wanted := wanted_of(key, value):
                raise ValueError(f"[{table}] {key} = {value!r}: wanted {wanted}")
        if sums := self.sums_wrong():
            raise ValueError("; ".join(sums))

    def values(self) -> Iterator[tuple[str, str, float]]:
        """Table, key and value of everything."""
        for table in fields(self):
            known = getattr(self, table.name)
            for f in fields(known):
                yield table.name, f.name, getattr(known, f.name)

    def sums_wrong(self) -> list[str]:
        """What is to be said of shares that exclude each other and come to more than there is."""
        r = self.readings
        of_reference = (
            r.declination_omitted_share
            + r.declination_sign_share
            + r.declination_twice_share
            + r.grid_for_true_share
            + r.common_offset_share
            + r.all_reversed_share
        )
        groups = {
            "faults of reference of [readings]": of_reference,
            "exchanges of [readings]": r.sectors_exchanged_share + r.pair_exchanged_share + r.other_antenna_share,
            "faults of single readings of [readings]": r.faulty_share,
        }
        return [f"the shares of {what} come to {total:.3g}" for what, total in groups.items() if total > _MOST_FAULTY]

    def deviations(self, tolerance_deg: float) -> tuple[Spread, ...]:
        """How far off its design an antenna of any site hangs: parts whose shares come to 1.

        A site's error adds to whatever its antennas' own are, but for those that may face anywhere.
        """
        a, s = self.antennas, self.sites
        own = (
            Spread(1.0 - a.turned_share, a.as_designed_spread * tolerance_deg),
            Spread(a.turned_share * (1.0 - a.turned_anywhere_share), a.turned_sigma_deg),
        )
        built_right = [Spread((1.0 - s.error_share) * share, sigma) for share, sigma in own]
        built_wrong = [Spread(s.error_share * share, math.hypot(sigma, s.error_sigma_deg)) for share, sigma in own]
        return (*built_right, *built_wrong, Spread(a.turned_share * a.turned_anywhere_share, math.inf))


#: readings without any fault are at least the rest
_MOST_FAULTY = 0.95
#: a wider spread is none
WIDEST_DEG = 90.0


def keys_of() -> dict[str, tuple[str, ...]]:
    """The keys of a file of priors, by table."""
    return {table.name: tuple(f.name for f in fields(getattr(_DEFAULTS, table.name))) for table in fields(Priors)}


def wanted_of(key: str, value: object) -> str | None:
    """What is wanted of a value, where it is not that."""
    number = value if isinstance(value, int | float) and not isinstance(value, bool) else math.nan
    if key.endswith("_share"):
        return None if 0.0 < number < 1.0 else "a share above 0 and below 1"
    if key.endswith("_sigma_deg"):
        return None if 0.0 < number <= WIDEST_DEG else f"degrees above 0, {WIDEST_DEG:g} at most"
    return None if 0.0 < number <= 2.0 else "a part of the tolerance above 0, 2 at most"


_DEFAULTS = Priors()
