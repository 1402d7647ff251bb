"""What is believed of an antenna's azimuth, as parts of a mixture: by its photos, with priors, with its reading."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from photoaz.angles import azimuth_deg, difference_deg
from photoaz.judgement.conformity import Known, Part, with_known
from photoaz.network.mixture import Mixture
from photoaz.quantities import ESTIMATE_SPOILED_SHARE, K95
from photoaz.result import Alternative, AntennaResult

#: U95 [deg] of a part of which nothing is known: so wide a normal density is flat round the circle
NOTHING_U95_DEG = K95 * 180.0
#: parts of what is believed of one antenna
MOST_PARTS = 12


def possible_azimuths(solution: AntennaResult) -> tuple[Alternative, ...]:
    """The estimate and its alternatives, each with the U95 that it has if it is the true one; weights to 1.

    Where there are alternatives, the stated U95 covers them too; then the estimate's own counts, and where that is not
    known, it is taken to be no wider than theirs, which come from the same pixels. Empty without an estimate.
    """
    if solution.azimuth_true_deg is None or solution.u95_deg is None:
        return ()
    azimuth, u95 = float(solution.azimuth_true_deg), float(solution.u95_deg)
    if not (math.isfinite(azimuth) and math.isfinite(u95)):
        return ()
    others = solution.alternatives
    if others:
        u95 = min([u95, *(o.u95_deg for o in others)]) if solution.own_u95_deg is None else solution.own_u95_deg
    rest = max(0.0, 1.0 - sum(o.probability for o in others))
    ways = (Alternative(azimuth_true_deg=azimuth, u95_deg=u95, probability=rest), *others)
    total = sum(w.probability for w in ways)
    return tuple(replace(w, probability=w.probability / total) for w in ways)


def by_photos(found: AntennaResult) -> tuple[Alternative, ...]:
    """By the photos alone, probabilities to 1; empty without an estimate.

    As the network has it. Where only an azimuth and its alternatives are known, its name or its outline may be wrong.
    """
    if found.distribution:
        return found.distribution
    ways = possible_azimuths(found)
    names = [1.0 if v.from_pick or v.name_probability is None else v.name_probability for v in found.evidence]
    spoiled = min(max(ESTIMATE_SPOILED_SHARE, 1.0 - max(names, default=1.0)), 0.8)
    if not ways:
        return ()
    nothing = Alternative(azimuth_true_deg=ways[0].azimuth_true_deg, u95_deg=NOTHING_U95_DEG, probability=spoiled)
    return (*(replace(w, probability=w.probability * (1.0 - spoiled)) for w in ways), nothing)


def with_priors(found: AntennaResult, design_deg: float | None, known: Known) -> tuple[Alternative, ...]:
    """With what is known of antennas in general, and of this site's others where the network has weighed them."""
    if found.distribution_known:
        return found.distribution_known
    photos = by_photos(found)
    if design_deg is None or not photos:
        return photos
    return fewer(azimuths(with_known(deviations(photos, design_deg), known), design_deg), MOST_PARTS)


def fewer(ways: Sequence[Alternative], most: int) -> tuple[Alternative, ...]:
    """The same belief in at most so many parts, probabilities to 1, the most probable first."""
    rows = np.array([(w.probability, w.azimuth_true_deg, max(w.u95_deg, 1e-6) / K95) for w in ways])
    weight, azimuth, sigma = rows[rows[:, 0] > 0.0].T
    m = Mixture(weight / weight.sum(), np.radians(azimuth), np.radians(sigma)).with_fewer(most)
    parts = zip(m.weight.tolist(), np.degrees(m.value).tolist(), np.degrees(m.sigma).tolist(), strict=True)
    out = [Alternative(azimuth_true_deg=float(azimuth_deg(a)), u95_deg=K95 * s, probability=w) for w, a, s in parts]
    return tuple(sorted(out, key=lambda w: -w.probability))


def deviations(ways: Sequence[Alternative], design_deg: float) -> tuple[Part, ...]:
    """Azimuths as deviations from a design."""
    return tuple(
        Part(
            deviation_deg=difference_deg(w.azimuth_true_deg, design_deg),
            sigma_deg=w.u95_deg / K95,
            probability=w.probability,
        )
        for w in ways
        if w.probability > 0.0
    )


def azimuths(parts: Sequence[Part], design_deg: float) -> tuple[Alternative, ...]:
    """Deviations as azimuths, the most probable first."""
    out = [
        Alternative(
            azimuth_true_deg=float(azimuth_deg(design_deg + p.deviation_deg)),
            u95_deg=K95 * p.sigma_deg,
            probability=p.probability,
        )
        for p in parts
    ]
    return tuple(sorted(out, key=lambda w: -w.probability))
