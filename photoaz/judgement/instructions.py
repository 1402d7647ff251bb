"""What to do about an antenna, where, with what and why, in words."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from photoaz.angles import format_angle_deg as deg
from photoaz.angles import format_azimuth_deg, format_difference_deg, format_u95_deg
from photoaz.judgement.losses import Stake
from photoaz.judgement.reasons import in_words
from photoaz.judgement.ways import Way
from photoaz.quantities import FIRST_PHOTO_M
from photoaz.register.model import Site
from photoaz.result import Action, AntennaResult, RevisitItem, SiteResult, Where
from photoaz.wording import GOING, percent, two_digits

#: kinds of evidence that say where somebody must stand
_PHOTOS = ("photo", "photo_with_landmark")
_INSTRUMENT = "an instrument that needs no magnetic north"
_CAMERA = "a camera with a long lens"


def figures(action: Action, now: float, after: float, cost: float, unit: str) -> str:
    """'expected loss 1200 now, 300 after the visit, cost 250 (units)'."""
    if action == "leave":
        return f"expected loss {two_digits(now)}; whatever could be done costs more than it avoids"
    visit = "after the visit"
    when = {"desk": "with that", "climb": "after the climb", "photo": visit, "read_again": visit}
    done = when.get(action, "after the correction")
    return f"expected loss {two_digits(now)} now, {two_digits(after)} {done}, cost {two_digits(cost)} ({unit})"


def site_sentence(items: Sequence[RevisitItem], trip: bool, now: float, after: float, cost: float, unit: str) -> str:
    """What the list is ordered by, with the site's figures."""
    if not items:
        return "no visit needed: the expected loss does not justify one"
    todo = [i for i in items if i.action != "leave"]
    if not todo:
        return f"nothing that could be done avoids more than it costs (expected loss {two_digits(now)})"
    goers = sum(i.action in GOING for i in todo)
    going = f"one visit serves {goers}" if goers > 1 else "one visit" if trip else "no visit needed"
    return (
        f"expected loss {two_digits(now)} now, {two_digits(after)} after, cost {two_digits(cost)} "
        f"({unit}; {going}): ordered by expected loss avoided"
    )


def bring(way: Way) -> str | None:
    """What to take along."""
    if way.action == "read_again":
        return _INSTRUMENT
    if way.action == "climb":
        return f"a climbing crew, {_INSTRUMENT}, a second photo taken afterwards"
    if way.option is not None:
        return _CAMERA if way.option.kind in _PHOTOS else way.option.bring
    return _CAMERA if way.action == "photo" else None


def why(found: AntennaResult, p_out: float, action: Action) -> list[str]:
    """Why, in few words, the weightiest first."""
    out = []
    design, reading, tilt = found.design, found.reading, found.downtilt_reading
    if found.azimuth_true_deg is None:
        seen = {"not_visible": "shows in no photo", "not_found": "was not found in the photos"}
        out.append(f"it {seen.get(found.status, 'has no estimate')}, so nothing is known of it")
    if design.decision == "reject" and design.deviation_deg is not None:
        off = format_difference_deg(design.deviation_deg)
        out.append(f"out of tolerance: {off} off a design of ± {design.tolerance_deg:g}°")
    elif design.deviation_deg is not None and p_out > 0.05:
        out.append(f"out of tolerance with a probability of {percent(p_out)}, not decided")
    if reading is not None and reading.agrees is False and reading.difference_deg is not None:
        out.append(f"the reading differs from the photos by {deg(abs(reading.difference_deg))} (En {reading.en:.2f})")
    if reading is not None and reading.likely_cause is not None:
        out.append(f"likely cause: {in_words(reading.likely_cause)}")
    if tilt is not None and tilt.agrees is False and tilt.difference_deg is not None:
        out.append(f"the downtilt reading differs from the photos by {deg(abs(tilt.difference_deg))}")
    if found.alternatives:
        out.append("the photos allow more than one azimuth")
    if action == "leave":
        return out or ["the photos alone leave it open, and whatever could be done costs more than it avoids"]
    return out or ["more is to be lost than the evidence costs"]


def instruction(found: AntennaResult, stake: Stake, way: Way, place: str | None, alike: Sequence[str]) -> str:
    """What to do, and what is to be put right in the register beside it.

    place : where to stand, in words. alike : the antennas of the same likely cause.
    """
    name, action = found.antenna_id, way.action
    fixed = None
    if found.reading is not None and found.reading.corrected_deg is not None:
        fixed = f"{format_azimuth_deg(found.reading.corrected_deg)} true"
    undone = fixed is not None and stake.fixed_off_deg is not None and stake.cause is not None
    if action == "leave":
        return "leave it as it is"
    if action == "check_records":
        checked = f"check labels, cabling records and the notes of the readings: exchanged ({', '.join(alike)})"
        back = f"exchanged back, the reading of {name} is {fixed}"
        return f"{checked}; {f'the photos say {_seen(found)}' if fixed is None else back}"
    if action == "correct_register" and undone and stake.cause is not None:
        whose = f"the {len(alike)} readings" if len(alike) > 1 else "the reading"
        said = f"correct {whose} in the register, no visit needed: {in_words(stake.cause)}"
        return f"{said}; corrected, that of {name} is {fixed}"
    if action == "correct_register":
        right = [_seen(found)] if found.reading is not None and found.reading.agrees is False else []
        tilt = found.downtilt_reading
        if tilt is not None and tilt.agrees is False and found.downtilt_deg is not None:
            right.append(f"a downtilt of {deg(found.downtilt_deg, found.downtilt_u95_deg or 0.0)}")
        return f"correct the register: the photos say {' and '.join(right)}"
    if action == "read_again":
        said = f"read the azimuth of {name} again, from the ground, with another instrument or from another place"
    elif action == "climb":
        design = found.design.azimuth_true_deg
        aim = "" if design is None else f", and turn it to {format_azimuth_deg(design)} true if it is out"
        said = f"climb: {f'{name} is likely turned; measure it' if stake.turned else f'measure {name}'}{aim}"
    else:
        said = _evidence(name, way, place)
    return f"{said}; in the register, correct the reading to {fixed}" if undone else said


def _seen(found: AntennaResult) -> str:
    return f"{format_azimuth_deg(found.azimuth_true_deg or 0.0, found.u95_deg)} true"


def _evidence(name: str, way: Way, place: str | None) -> str:
    option = way.option
    if option is None:
        return f"photograph {name} from {place or 'where its front shows'}"
    then = f"; U95 then ± {format_u95_deg(option.u95_then_deg)}"
    if option.kind in _PHOTOS:
        mark = ", with a landmark in the frame" if option.kind == "photo_with_landmark" else ""
        return f"confirm by a photo from {place or option.bring}{mark}{then}"
    return f"{'measure' if option.needs_trip else 'look up'} {option.bring}{then}"


def where(site: Site, result: SiteResult, found: AntennaResult, way: Way) -> Where:
    """Where to stand."""
    from photoaz.geodesy.frames import destination

    if not way.trip:
        return Where()
    option = way.option
    if way.action in ("climb", "read_again") or (option is not None and option.kind == "tower_position"):
        return Where(words="the tower", lat_deg=site.lat_deg, lon_deg=site.lon_deg)
    if option is not None and option.photo is not None:
        photo = result.photos.get(option.photo)
        name = f"where {Path(option.photo).name} was taken"
        return Where(words=name) if photo is None else Where(words=name, lat_deg=photo.lat_deg, lon_deg=photo.lon_deg)
    bearing = None if option is None else option.bearing_deg
    distance = None if option is None else option.distance_m
    if option is None and found.design.azimuth_true_deg is not None:
        bearing, distance = found.design.azimuth_true_deg, FIRST_PHOTO_M
    if bearing is None or distance is None:
        return Where()
    lat, lon = destination(site.lat_deg, site.lon_deg, bearing, distance)
    words = f"{distance:.0f} m off, at a bearing of {bearing:.0f}° from the tower"
    return Where(words=words, lat_deg=lat, lon_deg=lon)
