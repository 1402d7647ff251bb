"""What a person's picks say of the panels found in a photo."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np

from photoaz.angles import Array
from photoaz.register.model import Pick
from photoaz.vision.finder import FoundPanels, PanelCandidate

#: a pick's corners have the panel's own middle: it lies within this share of half a candidate's box; a point anywhere
CORNERS_WITHIN = 0.6


def counting(picks: Sequence[Pick], antenna_ids: Collection[str]) -> tuple[Pick, ...]:
    """The picks that name an antenna: of two of one antenna the first, and none of another site's antennas."""
    by_antenna = {p.antenna_id: p for p in reversed(picks) if not p.absent and p.antenna_id in antenna_ids}
    return tuple(by_antenna.values())


def without_absent(found: FoundPanels | None, picks: Sequence[Pick]) -> FoundPanels | None:
    """What was found but for candidates in whose box a person said that there is no antenna."""
    points = [np.array(p.seed_px, float) for p in picks if p.absent and p.seed_px is not None]
    if found is None or not points:
        return found

    def holds(c: PanelCandidate, at: Array) -> bool:
        return bool((at >= c.corners_px.min(0)).all() and (at <= c.corners_px.max(0)).all())

    return replace(found, candidates=tuple(c for c in found.candidates if not any(holds(c, at) for at in points)))


def named_by_picks(
    picks: Sequence[Pick], candidates: Sequence[PanelCandidate], antenna_ids: Collection[str]
) -> dict[int, str]:
    """Antennas of the candidates that picks name: those whose box holds the pick, the nearest where several do."""
    out: dict[int, str] = {}
    for pick in counting(picks, antenna_ids):
        at = np.array(pick.seed_px if pick.corners_px is None else np.mean(pick.corners_px, axis=0), float)
        within = 1.0 if pick.corners_px is None else CORNERS_WITHIN
        holding = []
        for k, c in enumerate(candidates):
            half = np.maximum(0.5 * np.ptp(c.corners_px, axis=0), 1.0)
            off = np.abs(at - c.corners_px.mean(0)) / half
            if k not in out and (off < within).all():
                holding.append((float(off.sum()), k))
        if holding:
            out[min(holding)[1]] = pick.antenna_id
    return out
