"""What could be done about an antenna, what each costs, and what it leaves to be lost.

Each antenna may be left, its register row corrected, records checked or evidence looked up at the desk, one more photo
taken, its azimuth read again, or the tower climbed. Which of these can help depends on the likely cause of what does
not fit: a declination left out is put right at the desk, with all the readings that lack it; exchanged readings are
looked for in labels and cabling records; what a wrong reading should be, a better one tells.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from photoaz.angles import difference_deg
from photoaz.judgement.conformity import Known, known_parts, with_known
from photoaz.judgement.costs import Costs
from photoaz.judgement.impact import parts_of
from photoaz.judgement.losses import (
    Preview,
    Stake,
    evidence_sigma_deg,
    loss_corrected,
    loss_fixed,
    loss_now,
    parts_with_reading,
    preview,
)
from photoaz.quantities import FIRST_PHOTO_U95_DEG, K95
from photoaz.register.model import Antenna
from photoaz.result import Action, AntennaResult, EvidenceOption

#: causes after which only another reading is a reading
_READ_AGAIN = {"reading_wrong", "common_offset"}


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
    shown: Preview | None = None
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


def stake_of(antenna: Antenna, found: AntennaResult, known: Known) -> Stake | None:
    """What hangs on a judged antenna; None where its design is not known in true north. known : how antennas hang."""
    design, reading, tilt = found.design, found.reading, found.downtilt_reading
    aim, tolerance = design.azimuth_true_deg, antenna.tolerance_deg
    if aim is None:
        return None
    photos = parts_of(found, aim)
    if not photos:
        return Stake(parts=known_parts(known), tolerance_deg=tolerance)
    parts = with_known(photos, known)
    stake = Stake(
        parts=parts,
        tolerance_deg=tolerance,
        photo_sigma_deg=max(photos, key=lambda x: x.probability).sigma_deg,
        tilt_contradicted=tilt is not None and tilt.agrees is False,
    )
    if reading is None:
        return stake
    cause = reading.likely_cause
    off = float(difference_deg(reading.azimuth_true_deg, aim)) if reading.agrees is False else None
    sigma, fixed = max(reading.u95_deg / K95, 1e-3), None
    if reading.p_right is not None:
        believed, right = reading.azimuth_true_deg, reading.p_right
        if off is not None and reading.corrected_deg is not None:
            believed = reading.corrected_deg
            fixed = float(difference_deg(believed, aim))
            right = next((c.probability for c in reading.causes if c.cause == cause), 0.0)
        parts = parts_with_reading(parts, float(difference_deg(believed, aim)), sigma, min(right, 1.0))
        stake = replace(stake, parts=parts)
    p_out = design.p_out_of_tolerance
    return replace(
        stake,
        record_off_deg=off,
        cause=cause,
        alike=reading.not_told_apart,
        fixed_off_deg=fixed,
        reading_sigma_deg=sigma,
        turned=cause == "antenna_turned" and p_out is not None and p_out > 0.5,
    )


def ways_of(found: AntennaResult, stake: Stake, costs: Costs, fix: float) -> Iterator[Way]:
    """Everything that could be done about an antenna. fix : its part of undoing a fault in the register."""
    yield Way(action="leave", loss=loss_now(stake, costs), cost=0.0)
    in_register: Action = "check_records" if stake.cause == "sectors_swapped" else "correct_register"
    fixed, corrected = loss_fixed(stake, costs), loss_corrected(stake, costs)
    if fixed is not None:
        yield Way(action=in_register, loss=fixed, cost=fix)
    elif corrected is not None and not stake.turned:
        # to write down where a turned antenna points, in place of where it should, puts nothing right
        yield Way(action=in_register, loss=corrected, cost=costs.desk)
    yield Way(action="climb", cost=costs.turn, trip=True, climb=True)
    if found.azimuth_true_deg is None:
        first = preview(stake, FIRST_PHOTO_U95_DEG / K95, costs)
        yield Way(action="photo", cost=costs.photo, trip=True, shown=first)
        return
    if stake.record_off_deg is not None and fixed is None and {stake.cause, *stake.alike} & _READ_AGAIN:
        again = preview(stake, stake.reading_sigma_deg, costs)
        yield Way(action="read_again", cost=costs.photo, trip=True, shown=again)
    now = stake.photo_sigma_deg or max(stake.parts, key=lambda p: p.probability).sigma_deg
    for option in found.next_evidence.options if found.next_evidence else ():
        sigma = evidence_sigma_deg(now, option.u95_then_deg / K95)
        if math.isfinite(sigma):
            yield Way(
                action="photo" if option.needs_trip else "desk",
                cost=costs.photo if option.needs_trip else costs.desk,
                trip=option.needs_trip,
                option=option,
                shown=preview(stake, sigma, costs),
            )
