"""What every layer words alike: figures in sentences, and the cautions for whoever is sent somewhere."""

from __future__ import annotations

import math
from collections.abc import Iterable

#: each begins with what it is about; all of them stand wherever somebody is sent to a site
CAUTIONS = (
    "Radio exposure: antennas transmit without any sign of it. Stay out of marked zones, out of the front of antennas "
    "and off the roofs and structures that carry them.",
    "Climbing: for trained and equipped people only, with the owner's leave, transmitters off or within their limits, "
    "and a rescue plan. No photo and no figure is a reason to climb without these.",
    "Falling objects: nobody stands below people at work, or below ice.",
    "Traffic: stay off carriageways and railway tracks, and do not walk while looking at a screen.",
    "Power lines: keep poles, tripods and drones away from them. How far, the line's owner and the local code say.",
    "Sun: never look at it through a viewfinder, a lens or any optics, and never point a long lens at it. Aim such a "
    "photo by the screen, and keep it short.",
    "Private land: ask before you enter, and look out for fences, dogs and water. Photos may show people and homes: "
    "the law of the place applies.",
    "Local codes, the site owner's rules and licensed practitioners come first. An opinion from photos is no ground "
    "for work on a structure.",
)
_GOING = (
    "stay out of marked radio zones and out of the front of antennas; nobody below people at work or ice; mind "
    "traffic, power lines and private land; never look at the sun through optics; local codes, the owner's rules and "
    "licensed practitioners come first."
)
_CLIMBING = (
    "only trained and equipped people climb, with the owner's leave, transmitters off or within their limits, and a "
    "rescue plan; "
)
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
    said = (_CLIMBING if "climb" in going else "") + _GOING
    return said[0].upper() + said[1:]
