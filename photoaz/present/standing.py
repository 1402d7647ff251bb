"""How readings and designs stand: two tallies side by side, in the same words and counts wherever they are shown."""

from __future__ import annotations

import tomllib
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from importlib import resources

from photoaz.judgement.conformity import not_measured
from photoaz.result import AntennaResult


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingWords:
    """One way in which a reading or a design stands. word: of one; many: of several; what: it means."""

    code: str
    word: str
    many: str
    what: str


_FILE = resources.files("photoaz.present") / "assets" / "standing.toml"
_TOLD = tomllib.loads(_FILE.read_text(encoding="utf-8"))
READINGS = tuple(StandingWords(**one) for one in _TOLD["reading"])
DESIGNS = tuple(StandingWords(**one) for one in _TOLD["design"])
#: why an antenna has no azimuth at all, of those whose design is 'not measured'
UNSEEN = tuple(StandingWords(**one) for one in _TOLD["unseen"])
READING_WORDS = {w.code: w.word for w in READINGS}
DESIGN_WORDS = {w.code: w.word for w in DESIGNS}
UNSEEN_WORDS = {w.code: w.word for w in UNSEEN}


def reading_standing(antenna: AntennaResult) -> str:
    """Code of READINGS."""
    if antenna.reading is None:
        return "none"
    return {None: "not_compared", True: "agrees", False: "disagrees"}[antenna.reading.agrees]


def design_standing(antenna: AntennaResult) -> str:
    """Code of DESIGNS."""
    if antenna.azimuth_true_deg is None or not_measured(antenna):
        return "not_measured"
    return {"accept": "within", "reject": "out", "undecided": "undecided"}[antenna.design.decision]


def design_words(antenna: AntennaResult) -> str:
    """'within tolerance'; of an antenna without an azimuth also why: 'not measured: in no photo'."""
    said = DESIGN_WORDS[design_standing(antenna)]
    why = UNSEEN_WORDS.get(antenna.status) if antenna.azimuth_true_deg is None else None
    return said if why is None else f"{said}: {why}"


@dataclass(slots=True, kw_only=True)
class Tally:
    """Antennas by how their readings and designs stand; unseen: those without an azimuth, by their status."""

    readings: Counter[str] = field(default_factory=Counter)
    designs: Counter[str] = field(default_factory=Counter)
    unseen: Counter[str] = field(default_factory=Counter)

    def add(self, antennas: Iterable[AntennaResult]) -> None:
        """Count these antennas."""
        for a in antennas:
            self.readings[reading_standing(a)] += 1
            self.designs[design_standing(a)] += 1
            if a.azimuth_true_deg is None:
                self.unseen[a.status] += 1

    def readings_text(self) -> str:
        """'4 agree, 1 disagrees, 1 no reading'."""
        return _counted(READINGS, self.readings)

    def designs_text(self) -> str:
        """'4 within tolerance, 2 not measured (1 in no photo, 1 looked for, not found)'."""
        why = "; ".join(f"{self.unseen[w.code]} {w.word}" for w in UNSEEN if self.unseen[w.code])
        return _counted(DESIGNS, self.designs) + (f" ({why})" if why else "")


def tally_of(antennas: Iterable[AntennaResult]) -> Tally:
    """The tally of some antennas."""
    tally = Tally()
    tally.add(antennas)
    return tally


def _counted(kinds: Iterable[StandingWords], counts: Counter[str]) -> str:
    said = [f"{n} {w.word if n == 1 else w.many}" for w in kinds if (n := counts[w.code])]
    return ", ".join(said) or "none"
