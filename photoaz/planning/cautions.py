"""What whoever is sent to a site is told first."""

from __future__ import annotations

SUN_CAUTION = (
    "Never look at the sun through a viewfinder, a lens or any optics, and never point a long lens at it; "
    "aim such a photo by the screen and keep it short."
)
#: the first of them come first on the sheet
CAUTIONS = (
    "Radio-frequency exposure: antennas may transmit. Stay on the ground, out of marked zones and off roofs in front "
    "of them.",
    "Falls and falling objects: no climbing for this plan, nobody below people at work, none near in ice or storm.",
    "Traffic: stand off carriageways and tracks, and never step back while looking at a screen.",
    "Power lines: nothing held up near them; a tripod or pole counts. Keep 3 m away and more.",
    SUN_CAUTION,
    "Private land: ask before you enter; the plan knows nothing of owners, fences, dogs or water.",
    "Local codes, the owner's rules and licensed practitioners come first. A plan for photos is no ground for work.",
)
