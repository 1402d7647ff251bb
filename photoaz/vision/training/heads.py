"""Random scenes that the finder learns panels from: towers' heads, and all the other places where panels hang.

What the finder must not take for a panel is as much the point as what it must: it hangs beside panels of many sizes,
colours and attitudes, and alone. Metres, east-north-up, the head's middle at (0, 0, 0).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from photoaz.vision.training import mounts, towers
from photoaz.vision.training.parts import Head

#: kinds of scene: how often, how built
SCENES: dict[str, tuple[float, Callable[[Head, np.random.Generator], Any]]] = {
    "tower": (0.42, towers.tower),
    "monopole": (0.07, towers.monopole),
    "stacked": (0.07, towers.stacked),
    "roof masts": (0.07, mounts.roof_masts),
    "parapet": (0.06, mounts.parapet),
    "wall": (0.06, mounts.wall),
    "tank": (0.045, mounts.tank),
    "church": (0.03, mounts.church),
    "chimney": (0.03, mounts.stack),
    "bare pole": (0.045, mounts.bare_pole),
    "lamp post": (0.04, mounts.lamp_post),
    "street": (0.06, mounts.street),
}
#: of all but streets: heads where what is no panel hangs in the panels' places
BARREN = 0.07


def build(rng: np.random.Generator, kind: str = "") -> Head:
    """A scene of a kind, or of any: every choice from `rng`."""
    share = np.array([s for s, _ in SCENES.values()])
    drawn = str(rng.choice(list(SCENES), p=share / share.sum()))
    head = Head(kind=kind or drawn, barren=bool(rng.random() < BARREN))
    SCENES[head.kind][1](head, rng)
    return head
