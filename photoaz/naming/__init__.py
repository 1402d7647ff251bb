"""Which panel found in a photo is which antenna of the register."""

from photoaz.naming.model import (
    AntennaFound,
    Assignment,
    HeadingStatement,
    KnownAntenna,
    Match,
    Mode,
    NameChance,
    PhotoAssignment,
    PhotoView,
    Sight,
)
from photoaz.naming.together import assign

__all__ = [
    "AntennaFound",
    "Assignment",
    "HeadingStatement",
    "KnownAntenna",
    "Match",
    "Mode",
    "NameChance",
    "PhotoAssignment",
    "PhotoView",
    "Sight",
    "assign",
]
