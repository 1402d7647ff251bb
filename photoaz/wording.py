"""How figures are spelled that every layer names in its sentences."""

from __future__ import annotations

import math


def percent(share: float) -> str:
    """A probability or a share: '62 %'; with a decimal near either end, '4.2 %'; never as sure as 0 or 100 %."""
    if share < 0.001:
        return "< 0.1 %"
    if share > 0.999:
        return "> 99.9 %"
    return f"{100.0 * share:.1f} %" if min(share, 1.0 - share) < 0.1 else f"{100.0 * share:.0f} %"


def percent_words(share: float) -> str:
    """The same within a sentence: 'less than 0.1 %'."""
    return percent(share).replace("<", "less than").replace(">", "more than")


def two_digits(value: float) -> int:
    """A cost to two significant digits: none is better known."""
    if abs(value) < 0.5:
        return 0
    step = int(10 ** max(0, math.floor(math.log10(abs(value))) - 1))
    return round(value / step) * step
