"""What was concluded of an antenna and of a site's readings, said in sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from photoaz.angles import format_angle_deg as deg
from photoaz.angles import format_azimuth_deg, format_difference_deg
from photoaz.priors import Priors
from photoaz.quantities import CAUSE_NAMED
from photoaz.result import (
    Alternative,
    AntennaResult,
    Cause,
    Combined,
    Design,
    Impact,
    JudgedDowntilt,
    JudgedReading,
    LikelyCause,
)
from photoaz.wording import percent, percent_words
from photoaz.wording import share as percent_of

_CAUSES: Mapping[LikelyCause, str] = {
    "declination_omitted": "declination left out",
    "declination_sign": "declination applied the wrong way or twice",
    "grid_for_true": "another north than stated: grid and true mixed up",
    "reversed_180": "read the wrong way round (180°)",
    "sectors_swapped": "readings exchanged with another antenna's",
    "digits_transposed": "two digits exchanged",
    "common_offset": "all off by one angle",
    "antenna_turned": "the antenna is turned",
    "reading_wrong": "the reading is wrong",
}
_DECIDED = {"accept": "within tolerance", "reject": "out of tolerance", "undecided": "undecided"}


def unfilled_sentence(design_deg: float) -> str:
    """That a site's designs are not held against anything."""
    return (
        f"The register's designs look unfilled: all of this site's antennas are at {design_deg:g}°, which cannot be "
        "true of all. No design is judged, and no panel is named by it."
    )


def reading_sentence(
    reading: JudgedReading, azimuths: Sequence[Alternative], photos: Alternative, found: float | None = None
) -> str:
    """The verdict on a reading. azimuths : possible by the photos; photos : the one that it was held against; found :
    share of the edge found of the best outline, where that is little.
    """
    if reading.en is None or reading.difference_deg is None:
        raise ValueError("a reading without a verdict")
    if reading.agrees is None and found is not None:
        return (
            f"The reading, {format_azimuth_deg(reading.azimuth_true_deg, reading.u95_deg)} true, is not judged: it "
            f"differs by {deg(abs(reading.difference_deg))} from the photos, "
            f"{format_azimuth_deg(photos.azimuth_true_deg, photos.u95_deg)} (En {reading.en:.2f}), but no more than "
            f"{percent_words(found)} of the best outline's edge is found: too little to call a reading wrong."
        )
    verb = "agrees" if reading.agrees else "disagrees"
    limit = "within" if reading.en <= 1.0 else "more than"
    other = " (the second azimuth that they allow)" if photos is not azimuths[0] else ""
    if not other and len(azimuths) > 1:  # its U95 is of this one azimuth, not of all that they allow
        other = " (the likeliest azimuth that they allow)"
    said = (
        f"The reading, {format_azimuth_deg(reading.azimuth_true_deg, reading.u95_deg)} true, {verb} with the photos, "
        f"{format_azimuth_deg(photos.azimuth_true_deg, photos.u95_deg)}{other}: they differ by "
        f"{deg(abs(reading.difference_deg))}, {limit} what the two uncertainties allow (En {reading.en:.2f})"
    )
    if reading.p_right is not None and reading.agrees != (reading.en <= 1.0):
        right = percent_words(reading.p_right)
        said += f"{', but' if reading.agrees else '; but'} by all of the site's readings and photos it is right with a "
        said += f"probability of {right}, and the verdict goes by that: En compares this one pair"
    return f"{said}."


def downtilt_sentence(reading: JudgedDowntilt, tilt_deg: float, u95_deg: float) -> str:
    """The verdict on a downtilt reading, beside the photos'."""
    return (
        f"The downtilt reading, {deg(reading.downtilt_deg, reading.u95_deg)}, "
        f"{'agrees' if reading.agrees else 'disagrees'} with the photos, {deg(tilt_deg, u95_deg)} "
        f"(En {reading.en:.2f})."
    )


def design_sentence(
    design: Design, azimuths: Sequence[Alternative], needed_u95_deg: float | None, far_out: float | None
) -> str:
    """The decision about a design, and what would decide it. azimuths : that the photos allow, the likeliest first.

    needed_u95_deg : of an undecided one, with which it would be decided; None where hardly any would do. far_out :
    probability by the photos alone of twice the tolerance, where that alone keeps it from being accepted; else None.
    """
    said = f"{_off_design(design, azimuths)}: {_DECIDED[design.decision]}, {_p_out_words(design)}."
    if design.decision != "undecided":
        return said
    if far_out is not None:
        said += (
            f" It is not accepted, as by the photos alone it may be {2.0 * design.tolerance_deg:g}° off or more "
            f"(probability {percent_words(far_out)})."
        )
    if len(azimuths) > 1:
        return f"{said} A photo from another side would tell which of the possible azimuths is the true one."
    if needed_u95_deg is None:
        return f"{said} {_limits(design)} It lies at the limit of the tolerance, where no measurement decides."
    better = f"An uncertainty of ± {deg(needed_u95_deg)} or better would decide it"
    return f"{said} {_limits(design)} {better}, if the azimuth stays as it is."


def not_measured_sentence(design: Design, azimuths: Sequence[Alternative]) -> str:
    """Of an azimuth so wide that it decides nothing."""
    return f"{_off_design(design, azimuths)}: not measured, so nothing is decided ({_p_out_words(design)})."


def little_found_sentence(design: Design, azimuths: Sequence[Alternative], share: float) -> str:
    """Of an azimuth that rests on outlines of which too little was found; share : of the best one's edge."""
    return (
        f"{_off_design(design, azimuths)}: undecided, as no photo shows half of its outline's edge (at most "
        f"{percent_of(share)} was found; {_p_out_words(design)}). Bring a photo that shows more of it, or in which "
        "it stands before the sky."
    )


def hangs_on_one_sentence(design: Design, azimuths: Sequence[Alternative], decision: str) -> str:
    """Of an azimuth whose views contradict each other; decision : what all of them together would be."""
    would = "accepted" if decision == "accept" else "rejected"
    return (
        f"{_off_design(design, azimuths)}: undecided. By all photos together it would be {would} "
        f"({_p_out_words(design)}), but they contradict each other, and without one of them the opposite would be "
        "said. Bring one more photo."
    )


def _off_design(design: Design, azimuths: Sequence[Alternative]) -> str:
    if design.azimuth_true_deg is None or design.deviation_deg is None:
        raise ValueError("a design without a decision")
    which = "The likeliest azimuth" if len(azimuths) > 1 else "The azimuth"
    return (
        f"{which} from the photos, {format_azimuth_deg(azimuths[0].azimuth_true_deg, azimuths[0].u95_deg)}, is "
        f"{format_difference_deg(design.deviation_deg)} off the design, "
        f"{format_azimuth_deg(design.azimuth_true_deg)} true ± {design.tolerance_deg:g}°"
    )


def _p_out_words(design: Design) -> str:
    """The probability of being out, with what is known of antennas and without."""
    if design.p_out_of_tolerance is None or design.p_out_photos_alone is None:
        raise ValueError("a design without a decision")
    both, alone = percent_words(design.p_out_of_tolerance), percent_words(design.p_out_photos_alone)
    said = f"the probability of being out of tolerance is {both}"
    return said if both == alone else f"{said}, by the photos alone {alone}"


def _limits(design: Design) -> str:
    """What deviations would be decided at this uncertainty."""
    rejected = "none is rejected" if design.rejection_deg is None else f"rejected beyond {deg(design.rejection_deg)}"
    if design.acceptance_deg is None:
        could = f"no deviation could be accepted with this uncertainty; it would be {rejected}"
    else:
        could = f"a deviation is accepted up to {deg(design.acceptance_deg)} and {rejected}"
    return f"At a risk of {100.0 * (design.risk or 0.0):g} % {could}."


def combined_sentence(both: Combined, design: Design) -> str:
    """The mean of reading and estimate, and its decision where that is another than the photos'."""
    said = ""
    if both.p_out_of_tolerance is not None and both.decision != design.decision:
        p_out = percent_words(both.p_out_of_tolerance)
        said = f", by which it would be {_DECIDED[both.decision]} (probability of being out of tolerance {p_out})"
    return (
        f"Reading and photos together: {format_azimuth_deg(both.azimuth_true_deg, both.u95_deg)}, "
        f"{percent_of(both.weight_estimate)} of the weight with the photos{said}."
    )


def priors_sentence(priors: Priors) -> str:
    """Which priors were used that are not the defaults."""
    usual = {(table, key): value for table, key, value in Priors().values()}
    changed = [
        f"{key} {value:g} (by default {usual[table, key]:g})"
        for table, key, value in priors.values()
        if value != usual[table, key]
    ]
    return f"Weighed with priors of the user's: {', '.join(changed)}."


def impact_sentence(deviation_deg: float, impact: Impact) -> str:
    """What pointing off the design costs."""
    return (
        f"Pointing {deg(abs(deviation_deg))} off costs {abs(impact.boresight):.1f} dB in the design "
        f"direction and {abs(impact.edge):.1f} dB at one edge of a 120° sector (65° reference pattern)."
    )


def unseen_sentence(found: AntennaResult) -> str:
    """Of an antenna without an estimate."""
    seen = {"not_visible": "does not show in any photo", "not_found": "was not found in the photos"}
    return f"The antenna {seen.get(found.status, 'has no estimate')}: nothing is decided about it."


def in_words(cause: LikelyCause) -> str:
    """A cause in words, to follow 'likely cause: '."""
    return _CAUSES[cause]


def odds(probability: float) -> float:
    """Of something against all else; a million at most."""
    return probability / max(1.0 - probability, 1e-6)


def format_odds(odds: float) -> str:
    """'40:1', 'more than 1000:1'; two digits at most, since no prior is better known."""
    if odds >= 1000.0:
        return "more than 1000:1"
    return f"{odds:.1f}:1" if odds < 9.95 else f"{float(f'{odds:.2g}'):.0f}:1"


def cause_sentence(reading: JudgedReading) -> str | None:
    """What may explain a reading; None where probably nothing is wrong, or it was not asked."""
    if reading.no_fault is None or reading.no_fault >= CAUSE_NAMED:
        return None
    if reading.likely_cause is not None and reading.cause_odds is not None:
        return f"Likely cause: {in_words(reading.likely_cause)} (odds {format_odds(reading.cause_odds)})."
    if reading.not_told_apart:
        said = ", or ".join(in_words(c) for c in reading.not_told_apart)
        return f"Likely cause: {said}; the readings do not tell these apart."
    shown = ", ".join(f"{in_words(c.cause)} {percent(c.probability)}" for c in reading.causes)
    return "No cause stands out" + (f": {shown}." if shown else ".")


def site_causes_sentence(readings: Mapping[str, JudgedReading], causes: Sequence[Cause]) -> str | None:
    """The causes named for a site's readings, by antenna_id, and those that are not told apart; None without any."""
    said = []
    for c in causes:
        whom = "all readings" if len(c.antennas) == len(readings) > 1 else ", ".join(c.antennas)
        said.append(f"{in_words(c.cause)} ({whom}; odds {format_odds(odds(c.probability))})")
    unclear: dict[tuple[LikelyCause, ...], list[str]] = {}
    for name, reading in readings.items():
        if reading.not_told_apart:
            unclear.setdefault(reading.not_told_apart, []).append(name)
    for alike, names in unclear.items():
        said.append(f"not told apart: {' or '.join(map(in_words, alike))} ({', '.join(names)})")
    return f"Likely cause: {'; '.join(said)}." if said else None
