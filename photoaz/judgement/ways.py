"""What could be done about an antenna, what each costs, and what it leaves to be lost.

Each antenna may be left, its register row corrected, records checked or evidence looked up at the desk, one more photo
taken, its azimuth read again, or the tower climbed. Which of these can help depends on the likely cause of what does
not fit: a declination left out is put right at the desk, with all the readings that lack it; exchanged readings are
looked for in labels and cabling records; what a wrong reading should be, a better one tells.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from photoaz.angles import difference_deg
from photoaz.judgement import losses
from photoaz.judgement.beliefs import by_photos, deviations, with_priors
from photoaz.judgement.conformity import Known, Part, known_parts
from photoaz.judgement.costs import Costs
from photoaz.network.mixture import Mixture
from photoaz.quantities import FIRST_PHOTO_U95_DEG, K95
from photoaz.register.model import Antenna
from photoaz.result import Action, AntennaResult, EvidenceOption

#: causes after which only another reading is a reading
_READ_AGAIN = {"reading_wrong", "common_offset"}
#: kinds of evidence that are another photo
_PHOTOS = {"photo", "photo_with_landmark"}
#: parts of a deviation that losses are worked out for; one as wide as this is flat: 360 / sqrt(12) [deg]
MOST_PARTS, FLAT_DEG = 3, 104.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One thing that could be done: its own cost, what it needs of the site's, and the loss that is expected after it.

    shown: of evidence, what it may show; then the loss depends on what a later climb costs (`with_later_climb`), and
    climbs_after is the probability that it sends somebody up. option: the evidence, where it is one of those forecast.
    """

    action: Action
    cost: float
    loss: float = 0.0
    trip: bool = False
    climb: bool = False
    option: EvidenceOption | None = None
    shown: losses.Preview | None = None
    climbs_after: float = 0.0

    def with_later_climb(self, cost: float) -> Way:
        """The same, where a climb on another trip costs this much."""
        if self.shown is None:
            return self
        loss, climbs = self.shown.after(cost)
        return replace(self, loss=loss, climbs_after=climbs)

    @property
    def u95_then_deg(self) -> float | None:
        """Of the azimuth after it; None where it does not sharpen it."""
        if self.option is not None:
            return self.option.u95_then_deg
        return FIRST_PHOTO_U95_DEG if self.action == "photo" else None


def stake_of(antenna: Antenna, found: AntennaResult, known: Known) -> losses.Stake | None:
    """What hangs on a judged antenna; None where its design is not known in true north. known : how antennas hang."""
    design, reading, tilt = found.design, found.reading, found.downtilt_reading
    aim, tolerance = design.azimuth_true_deg, antenna.tolerance_deg
    if aim is None:
        return None
    photos = deviations(by_photos(found), aim)
    if not photos:
        return losses.Stake(parts=known_parts(known), tolerance_deg=tolerance)
    stake = losses.Stake(
        parts=_fewer(deviations(with_priors(found, aim, known), aim)),
        tolerance_deg=tolerance,
        photo_sigma_deg=max(photos, key=lambda x: x.probability).sigma_deg,
        tilt_contradicted=tilt is not None and tilt.agrees is False,
    )
    if reading is None:
        return stake
    cause = reading.likely_cause
    off = float(difference_deg(reading.azimuth_true_deg, aim)) if reading.agrees is False else None
    fixed, p_out = None, design.p_out_of_tolerance
    if off is not None and reading.corrected_deg is not None:
        fixed = float(difference_deg(reading.corrected_deg, aim))
    return replace(
        stake,
        record_off_deg=off,
        cause=cause,
        alike=reading.not_told_apart,
        fixed_off_deg=fixed,
        reading_sigma_deg=max(reading.u95_deg / K95, 1e-3),
        turned=cause == "antenna_turned" and p_out is not None and p_out > 0.5,
    )


def _fewer(parts: Sequence[Part]) -> tuple[Part, ...]:
    """A deviation's parts as few ones: what may be lost hangs on where they lie, not on their shape."""
    weight, off, sigma = np.array([(p.probability, p.deviation_deg, p.sigma_deg) for p in parts]).T
    m = Mixture(weight / weight.sum(), np.radians(off), np.radians(np.minimum(sigma, FLAT_DEG))).with_fewer(MOST_PARTS)
    return tuple(
        Part(deviation_deg=float(d), sigma_deg=float(s), probability=float(w))
        for w, d, s in zip(m.weight, np.degrees(m.value), np.degrees(m.sigma), strict=True)
    )


def ways_of(found: AntennaResult, stake: losses.Stake, costs: Costs, fix: float) -> Iterator[Way]:
    """Everything that could be done about an antenna. fix : its part of undoing a fault in the register.

    Nobody is sent up on one view alone: one more photo comes first.
    """
    yield Way(action="leave", loss=losses.loss_now(stake, costs), cost=0.0)
    in_register: Action = "check_records" if stake.cause == "sectors_swapped" else "correct_register"
    fixed, corrected = losses.loss_fixed(stake, costs), losses.loss_corrected(stake, costs)
    if fixed is not None:
        yield Way(action=in_register, loss=fixed, cost=fix)
    elif corrected is not None and not stake.turned:
        # to write down where a turned antenna points, in place of where it should, puts nothing right
        yield Way(action=in_register, loss=corrected, cost=costs.desk)
    alone = len({v.photo for v in found.evidence}) == 1
    if not alone:
        yield Way(action="climb", cost=costs.turn, trip=True, climb=True)
    if found.azimuth_true_deg is None:
        first = losses.preview(stake, FIRST_PHOTO_U95_DEG / K95, costs)
        yield Way(action="photo", cost=costs.photo, trip=True, shown=first)
        return
    if stake.record_off_deg is not None and fixed is None and {stake.cause, *stake.alike} & _READ_AGAIN:
        again = losses.preview(stake, stake.reading_sigma_deg, costs)
        yield Way(action="read_again", cost=costs.photo, trip=True, shown=again)
    options = found.next_evidence.options if found.next_evidence else ()
    if alone and not any(o.kind in _PHOTOS for o in options):
        first = losses.preview(stake, FIRST_PHOTO_U95_DEG / K95, costs)
        yield Way(action="photo", cost=costs.photo, trip=True, shown=first)
    now = stake.photo_sigma_deg or max(stake.parts, key=lambda p: p.probability).sigma_deg
    for option in options:
        sigma = losses.evidence_sigma_deg(now, option.u95_then_deg / K95)
        if math.isfinite(sigma):
            yield Way(
                action="photo" if option.needs_trip else "desk",
                cost=costs.photo if option.needs_trip else costs.desk,
                trip=option.needs_trip,
                option=option,
                shown=losses.preview(stake, sigma, costs),
            )
