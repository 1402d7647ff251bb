"""How readings and designs stand, by their codes: two tallies side by side, which are never mixed with each other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from photoaz.judgement.conformity import not_measured
from photoaz.result import AntennaResult


def reading_standing(antenna: AntennaResult) -> str:
    """'none', 'not_compared', 'agrees' or 'disagrees'."""
    if antenna.reading is None:
        return "none"
    return {None: "not_compared", True: "agrees", False: "disagrees"}[antenna.reading.agrees]


def design_standing(antenna: AntennaResult) -> str:
    """'within', 'out', 'undecided' or 'not_measured'."""
    if antenna.azimuth_true_deg is None or not_measured(antenna):
        return "not_measured"
    return {"accept": "within", "reject": "out", "undecided": "undecided"}[antenna.design.decision]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """Antennas by how their readings and designs stand; unseen: those without an azimuth, by their status."""

    readings: Counter[str] = field(default_factory=Counter)
    designs: Counter[str] = field(default_factory=Counter)
    unseen: Counter[str] = field(default_factory=Counter)

    def __add__(self, other: Tally) -> Tally:
        """Of the antennas of both."""
        return Tally(
            readings=self.readings + other.readings,
            designs=self.designs + other.designs,
            unseen=self.unseen + other.unseen,
        )

    def antennas(self) -> int:
        """How many are counted."""
        return self.designs.total()


def tally_of(antennas: Iterable[AntennaResult]) -> Tally:
    """The tally of some antennas."""
    counted = tuple(antennas)
    return Tally(
        readings=Counter(map(reading_standing, counted)),
        designs=Counter(map(design_standing, counted)),
        unseen=Counter(a.status for a in counted if a.azimuth_true_deg is None),
    )
