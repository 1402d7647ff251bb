"""The field sheet: one page to print or to keep on the phone, that tells where to stand, how, when, and with what care.

One HTML file that needs nothing else; 188 x 257 mm of it fit A4 and Letter. What is what is told by numbers, line
style and words, not by colour alone.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace

from markupsafe import Markup

from photoaz.planning.light import UTC, CivilTime, daylight
from photoaz.planning.plan import SitePlan, Standpoint
from photoaz.planning.trip import RoundTrip
from photoaz.present import plan_document
from photoaz.present.charts import year_svg
from photoaz.present.drawing import FIELD_PLAN, CameraPlace, Direction, Pointing, azimuth_plan
from photoaz.present.frame import inlined, rendered
from photoaz.present.words import UNKNOWN, shortened
from photoaz.quantities import PRACTICE_LEAST_M
from photoaz.result import Revisit

_MOST_STANDPOINTS = 4


def field_sheet_html(plan: SitePlan, created: dt.datetime, gain: Revisit | None = None, civil: CivilTime = UTC) -> str:
    """A plan's field sheet as an HTML document.

    created: with its zone. gain: what is best for each antenna, where that is known. civil: whose hours are told.
    """
    shown = plan.standpoints[:_MOST_STANDPOINTS]
    stands = plan_document.standpoints_table(replace(plan, standpoints=shown))
    rows = tuple((*row, _beside(s)) for row, s in zip(stands.rows, shown, strict=True))
    return rendered(
        "field_sheet.html",
        inlined=inlined("paper.css", "drawing.css", "field_sheet.css"),
        plan=plan,
        now=plan_document.median_of(plan.now_u95_deg),
        then=plan_document.median_of(plan.together_u95_deg),
        svg=Markup(field_plan_svg(plan)),
        stands=replace(stands, headings=(*stands.headings, "beside the tower in the frame"), rows=rows),
        light=[(s.rank, _today(s, civil), Markup(year_svg(s.year, civil, s.rank))) for s in shown],
        outcome=plan_document.outcome_table(plan),
        # nobody is told on a field sheet that closer would do
        distances=plan_document.distance_table(
            replace(plan, by_distance=tuple(p for p in plan.by_distance if p.distance_m > 0.99 * PRACTICE_LEAST_M))
        ),
        gain=gain,
        created=civil.moment(created),
        civil=civil,
    )


def _beside(s: Standpoint) -> str:
    """What else must be in the frame, for the heading."""
    out = []
    if s.landmarks:
        m = s.landmarks[0]
        side = "right" if m.off_deg > 0 else "left"
        out.append(f"{shortened(m.name, 28)}, {m.distance_m:.0f} m off, {abs(m.off_deg):.0f}° {side}, low")
    if s.skyline is not None:
        out.append(f"skyline, with {s.skyline.buildings} mapped buildings")
    return "\n".join(out) or UNKNOWN


def _today(s: Standpoint, civil: CivilTime) -> str:
    if not s.light.sun_behind:
        return "sun not behind you that day: overcast is best"
    return f"sun behind you {civil.hours(s.light.sun_behind)}"


def field_plan_svg(plan: SitePlan) -> str:
    """Standpoints and what their frames hold, antennas' directions, landmarks, and the distances of practice."""
    antennas = []
    for name in plan.wanted:
        now, azimuth = plan.now_u95_deg.get(name), plan.azimuth_deg[name]
        kind = "design" if now is None else "photos"
        antennas.append(
            Pointing(label=name, directions=[Direction(kind=kind, label=kind, azimuth_deg=azimuth, half_deg=now)])
        )
    cameras = []
    for s in plan.standpoints:
        camera = plan.equipment.camera(s.lens_35mm_mm)
        half = math.degrees(math.atan(0.5 * camera.width_px / camera.f_px))
        cameras.append(
            CameraPlace(
                number=s.rank,
                bearing_deg=s.bearing_from_tower_deg,
                distance_m=s.distance_m,
                heading_deg=s.heading_deg,
                half_deg=half,
            )
        )
    return azimuth_plan(
        antennas,
        cameras,
        layout=FIELD_PLAN,
        rings=[(PRACTICE_LEAST_M, "150 ft"), (plan.height_m, "as far out as high")],
        landmarks=[(math.degrees(math.atan2(m.enu_m[0], m.enu_m[1])), m.name) for m in plan.surroundings[:12]],
    )


# ---- a round trip ----------------------------------------------------------------------------------------------------


def trip_sheet_html(trip: RoundTrip, created: dt.datetime, day: dt.date, civil: CivilTime = UTC) -> str:
    """A round trip's sheet as an HTML document. created: with its zone; day: of the trip, whose daylight is given."""
    spans = [daylight(s.lat_deg, s.lon_deg, day) for s in trip.stops]
    return rendered(
        "trip.html",
        inlined=inlined("paper.css", "field_sheet.css", "trip_sheet.css"),
        trip=trip,
        day=day,
        civil=civil,
        daylight=[civil.hours(some) for some in spans],
        made=civil.moment(created),
    )
