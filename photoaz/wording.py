"""What every layer words alike: figures in sentences, and the cautions for whoever is sent somewhere."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Sequence
from importlib import resources

_TOLD = tomllib.loads((resources.files("photoaz") / "cautions.toml").read_text(encoding="utf-8"))
#: each begins with what it is about; all of them stand wherever somebody is sent to a site
CAUTIONS: tuple[str, ...] = tuple(_TOLD["all"])
#: what somebody goes to a site for, of the actions that results name
GOING = ("photo", "read_again", "climb")


def percent(share: float) -> str:
    """A probability or a share: '62 %'; with a decimal near either end, '4.2 %'; never as sure as 0 or 100 %."""
    if share < 0.001:
        return "< 0.1 %"
    if share > 0.999:
        return "> 99.9 %"
    return f"{100.0 * share:.1f} %" if min(share, 1.0 - share) < 0.1 else f"{100.0 * share:.0f} %"


def share(part: float) -> str:
    """A part of a whole that was counted: '62 %'; a few are '< 1 %', nearly all '> 99 %', none '0 %', all '100 %'."""
    if 0.0 < part <= 0.005:
        return "< 1 %"
    if 0.995 <= part < 1.0:
        return "> 99 %"
    return f"{100.0 * part:.0f} %"


def percent_words(share: float) -> str:
    """The same within a sentence: 'less than 0.1 %'."""
    return percent(share).replace("<", "less than").replace(">", "more than")


def some_of(names: Sequence[str], most: int, between: str = ", ") -> str:
    """The first of them, and how many more there are."""
    return between.join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def two_digits(value: float) -> int:
    """A cost to two significant digits: none is better known."""
    if abs(value) < 0.5:
        return 0
    step = int(10 ** max(0, math.floor(math.log10(abs(value))) - 1))
    return round(value / step) * step


def before_you_go(actions: Iterable[str]) -> str:
    """The cautions as one sentence, for a cell or beside an instruction; '' where none of the actions is a visit."""
    going = {a for a in actions if a in GOING}
    if not going:
        return ""
    said: str = (_TOLD["climbing"] if "climb" in going else "") + _TOLD["going"]
    return said[0].upper() + said[1:]
