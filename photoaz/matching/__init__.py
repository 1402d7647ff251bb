"""Which panel found in a photo is which antenna of the register."""

from photoaz.matching.together import assign
from photoaz.matching.model import (
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
