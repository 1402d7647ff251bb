"""The sun in a photo: looked for about its predicted place, told by the glow about it, or not told at all.

Whatever is bright and sharp-edged (a white radome, a lamp, a window) or bright and shapeless (an overexposed sky, a lit
cloud) is not the sun. What the sun has and these lack is light that falls off evenly on all sides of one centre over
degrees: scattered in the air, in thin cloud and in the lens.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from photoaz.photo.camera import Array, Camera
from photoaz.photo.pixels import Part
from photoaz.vision.sun_disc import CUT_OFF, burnt_discs
from photoaz.vision.sun_glow import GLOW_SIGMA_RAD, find_glow
from photoaz.vision.sun_view import DEG, NoSun, ReducedPhoto, SunGuess, SunSpot, is_expected, level_share, within_reach


def find_sun(image: Array | Part, camera: Camera, guess: SunGuess, *, anywhere: bool = False) -> SunSpot | NoSun:
    """Look for the sun in a photo.

    image : (H, W) grey uint8, as shown; looked at only where the sun may be in view. camera : its interior orientation.
    guess : where it should be. anywhere : look elsewhere too, and tell what was seen there as `NoSun.elsewhere`.

    Returns SunSpot, or NoSun with the reason. Two suns, or one that could be something else, are NoSun.
    """
    if not anywhere and not _may_be_seen(camera, guess):
        return NoSun(reason="it stood outside the frame")
    height, width = image.shape[:2]
    view = ReducedPhoto.of(image[0:height, 0:width], camera)
    burnt = burnt_discs(view, None if anywhere else guess)
    inside = [s for s in burnt.spots if is_expected(view.camera, guess, s)]
    if inside:
        return _only(inside, camera.f_px)
    elsewhere = burnt.spots[0] if len(burnt.spots) == 1 else None
    glow = find_glow(view, guess)
    if isinstance(glow, SunSpot):
        near = 2.0 * glow.radius_rad * camera.f_px
        on_it = [r for r in burnt.refused if np.hypot(*(r.pixel - glow.pixel)) < near]
        if all(r.why in CUT_OFF for r in on_it):
            # of a burnt-out core that is cut off, the part seen pulls the fit to its own middle
            pull = 0.5 * max((r.radius_rad for r in on_it), default=0.0) * camera.f_px
            if np.hypot(glow.sigma_px, pull) < GLOW_SIGMA_RAD * camera.f_px:
                return replace(glow, sigma_px=float(np.hypot(glow.sigma_px, pull)))
        glow = "nothing there glows like it"
    reason = burnt.reason(view, guess) or glow
    return NoSun(reason=reason, elsewhere=elsewhere)


def _may_be_seen(camera: Camera, guess: SunGuess, border: float = 0.04, n: int = 33) -> bool:
    """Whether any part of the frame, or of a border as wide as a glow reaches over (a share of it), may show it."""
    x = np.linspace(-border, 1 + border, n) * (camera.width_px - 1)
    y = np.linspace(-border, 1 + border, n) * (camera.height_px - 1)
    # half a cell more, so that nothing falls between the grid's points
    cell = 0.5 * max(camera.width_px, camera.height_px) * (1 + 2 * border) / (n - 1) / camera.f_px
    grid = np.stack(np.meshgrid(x, y), -1)
    return bool(within_reach(camera, guess, grid, cell / level_share(guess), cell).any())


def _only(spots: list[SunSpot], f_px: float) -> SunSpot | NoSun:
    """The one sun among round, glowing patches; a reflection or a ghost in the lens is much smaller than the sun."""
    by_size: list[SunSpot] = []
    for s in sorted(spots, key=lambda s: -s.radius_rad):
        # a bar before the sun leaves two patches about one centre
        if all(np.hypot(*(s.pixel - o.pixel)) > f_px * max(o.radius_rad, 0.7 * DEG) for o in by_size):
            by_size.append(s)
    if len(by_size) > 1 and by_size[1].radius_rad > 0.5 * by_size[0].radius_rad:
        return NoSun(reason=f"{len(by_size)} bright patches look like it")
    return by_size[0]
