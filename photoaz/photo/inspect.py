"""What a photo's metadata gives, in plain words and as JSON."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import datetime
from typing import Any

from photoaz.photo.focal import focal_cost_deg
from photoaz.photo.place import ASSUMED_DISTANCE_M, position_cost_deg
from photoaz.photo.record import PhotoRecord

_NORTHS = {"true": "true north", "magnetic": "magnetic north", "grid": "grid north", "unknown": "north of unknown kind"}
_MARKS = {"info": "note", "weak": "weak", "unusable": "not used"}


def describe(record: PhotoRecord) -> tuple[str, ...]:
    """Lines for people: what is there, what is odd or missing, and what uncertainty that adds to the azimuth.

    Costs are one standard uncertainty in degrees; positions are turned into degrees at 50 m from the tower, focal
    lengths 10 degrees off the optical axis.
    """
    camera = " ".join(name for name in (record.make, record.model) if name)
    size = f"{record.width_px} x {record.height_px} pixels as shown"
    lines = [f"{record.name}: {record.format}, {size}" + (f", by {camera}" if camera else "")]
    lines += [f"  {label:<13}{text}" for label, text in known_values(record)]
    for finding in sorted(record.findings, key=lambda f: ("unusable", "weak", "info").index(f.severity)):
        cost = "" if finding.cost_deg is None else f" Adds {finding.cost_deg:.1f} deg of uncertainty."
        lines.append(f"  {_MARKS[finding.severity]}: {finding.message}{cost} [{finding.code}]")
    lines.append("  " + verdict(record))
    return tuple(lines)


def record_as_json(record: PhotoRecord) -> dict[str, Any]:
    """The record as JSON values: paths and times as text, not known as null."""
    values = {"photo": record.name, **asdict(record)}
    text = json.dumps(values, default=lambda v: v.isoformat() if isinstance(v, datetime) else str(v))
    content: dict[str, Any] = json.loads(text)
    if record.focal is not None:
        content["focal"]["alternatives"] = [
            {"f_px": f_px, "assumes": assumes} for f_px, assumes in record.focal.alternatives
        ]
    return content


def known_values(record: PhotoRecord) -> list[tuple[str, str]]:
    """What is known of a photo, or that it is not: names and words."""
    place, heading, taken, focal = record.position, record.heading, record.taken, record.focal
    said = "not known"
    if place is not None:
        said = (
            f"{place.lat_deg:.6f}, {place.lon_deg:.6f} +- {place.sigma_m:.1f} m ({place.source}); "
            f"{position_cost_deg(place.sigma_m):.1f} deg at {ASSUMED_DISTANCE_M:.0f} m"
        )
    values = [("standpoint", said)]
    if record.altitude_m is not None:
        values.append(("altitude", f"{record.altitude_m.value:.0f} +- {record.altitude_m.sigma:.0f} m"))
    said = "not known"
    if heading is not None:
        said = f"{heading.value_deg:.1f} +- {heading.sigma_deg:.0f} deg from {_NORTHS[heading.north]}"
    values.append(("heading", said))
    for label, angle in (("pitch", record.pitch_deg), ("roll", record.roll_deg)):
        said = "not known" if angle is None else f"{angle.value:+.1f} +- {angle.sigma:.1f} deg ({angle.source})"
        values.append((label, said))
    values.append(("taken", "not known" if taken is None else _time(taken.local, taken.utc)))
    said = "not known"
    if focal is not None:
        cost = f"{focal_cost_deg(focal.relative_sigma):.1f} deg at 10 deg off the axis"
        said = f"{focal.f_px:.0f} px +- {100.0 * focal.relative_sigma:.1f} % ({focal.source}); {cost}"
    values.append(("focal length", said))
    values += [("", f"or {f_px:.0f} px: {assumes}") for f_px, assumes in (focal.alternatives if focal else ())]
    return values + _history(record)


def _history(record: PhotoRecord) -> list[tuple[str, str]]:
    """Exposure, programs and the last change, where the file says them."""
    told = record.provenance
    values = []
    seconds = told.exposure_s or 0.0
    shutter = f"{seconds:.1f} s" if seconds >= 0.4 else f"1/{1.0 / seconds:.0f} s" if seconds > 0.0 else ""
    exposure = (
        shutter,
        told.f_number is not None and f"f/{told.f_number:.2g}",
        told.iso is not None and f"ISO {told.iso:.0f}",
        told.flash_fired and "flash",
    )
    if any(exposure):
        values.append(("exposure", ", ".join(part for part in exposure if part)))
    programs = list(dict.fromkeys(name for name in (record.software, *told.tools) if name))
    if programs:
        values.append(("software", "; ".join(programs)))
    if told.modified is not None and told.modified != told.original:
        values.append(("last changed", f"{told.modified:%Y-%m-%d %H:%M:%S} by its own clock"))
    return values


def _time(local: datetime | None, utc: datetime | None) -> str:
    if utc is None:
        return f"{local:%Y-%m-%d %H:%M:%S}, time zone not known" if local else "not known"
    said = f"{utc:%Y-%m-%d %H:%M:%S} UTC"
    return said if local is None else f"{local:%Y-%m-%d %H:%M:%S} local time, {said}"


def verdict(record: PhotoRecord) -> str:
    """Whether it can be used, and with what it gets better."""
    wanted = {"the standpoint": record.position, "the heading": record.heading, "the date": record.taken}
    lacking = [name for name, value in wanted.items() if value is None]
    if record.focal is None:
        return "Cannot be measured in without a calibration of the camera."
    if record.position is None and record.heading is None:
        return "Alone it gives no direction: bring a landmark, the sun, or another photo of the same antennas."
    if lacking:
        return f"Can be used; without {' and '.join(lacking)} it leans on what else is known of the site."
    return "Can be used. A landmark of known position in the frame does more for the azimuth than anything above."
