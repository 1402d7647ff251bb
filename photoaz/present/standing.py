"""How readings and designs stand, in words: the same words and counts wherever the two tallies are shown."""

from __future__ import annotations

import tomllib
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from importlib import resources

from photoaz.judgement.standing import Tally, design_standing
from photoaz.result import AntennaResult


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingWords:
    """One way in which a reading or a design stands. word: of one; many: of several; what: it means."""

    code: str
    word: str
    many: str
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StateWords:
    """How an antenna or a site stands. code: also the class that gives its colour and shape."""

    code: str
    word: str
    antenna: str
    site: str


_FILE = resources.files("photoaz.present") / "assets" / "standing.toml"
_TOLD = tomllib.loads(_FILE.read_text(encoding="utf-8"))
READINGS = tuple(StandingWords(**one) for one in _TOLD["reading"])
DESIGNS = tuple(StandingWords(**one) for one in _TOLD["design"])
#: why an antenna has no azimuth at all, of those whose design is 'not measured'
UNSEEN = tuple(StandingWords(**one) for one in _TOLD["unseen"])
#: of an antenna, from the worst: a site has the state of its worst antenna
STATES = tuple(StateWords(**one) for one in _TOLD["state"])
BY_CODE = {s.code: s for s in STATES}
READING_WORDS = {w.code: w.word for w in READINGS}
DESIGN_WORDS = {w.code: w.word for w in DESIGNS}
UNSEEN_WORDS = {w.code: w.word for w in UNSEEN}


def design_words(antenna: AntennaResult) -> str:
    """'within tolerance'; of an antenna without an azimuth also why: 'not measured: in no photo'."""
    said = DESIGN_WORDS[design_standing(antenna)]
    why = UNSEEN_WORDS.get(antenna.status) if antenna.azimuth_true_deg is None else None
    return said if why is None else f"{said}: {why}"


def readings_text(tally: Tally) -> str:
    """'4 agree, 1 disagrees, 1 no reading'."""
    return ", ".join(readings_counted(tally)) or "none"


def designs_text(tally: Tally) -> str:
    """'4 within tolerance, 2 not measured (1 in no photo, 1 looked for, not found)'."""
    why = "; ".join(f"{tally.unseen[w.code]} {w.word}" for w in UNSEEN if tally.unseen[w.code])
    return (", ".join(designs_counted(tally)) or "none") + (f" ({why})" if why else "")


def readings_counted(tally: Tally) -> list[str]:
    """'4 agree', '1 disagrees': of each kind that there is any of."""
    return _counted(READINGS, tally.readings)


def designs_counted(tally: Tally) -> list[str]:
    """'4 within tolerance', '2 not measured'."""
    return _counted(DESIGNS, tally.designs)


def _counted(kinds: Iterable[StandingWords], counts: Counter[str]) -> list[str]:
    return [f"{n} {w.word if n == 1 else w.many}" for w in kinds if (n := counts[w.code])]
