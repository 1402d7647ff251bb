"""What is typed at the desk about dropped photos, and the tables that it comes to."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from photoaz.angles import azimuth_deg, parse_place_deg
from photoaz.audit.edits import pick_of
from photoaz.desk.answering import WrongError
from photoaz.desk.exports import controls_csv, picks_csv, table_csv
from photoaz.errors import Fault, InputError
from photoaz.geodesy.frames import destination
from photoaz.naming.places import places_of
from photoaz.photo.camera import camera_from_record, normalised_from_pixels
from photoaz.photo.record import PhotoRecord
from photoaz.quantities import CONTROL_U95, SITE_POSITION_U95_M
from photoaz.register.load import RegisterResult
from photoaz.register.model import Control, Pick
from photoaz.register.rows import ManifestRow, RegisterRow, columns_of

#: antennas, and letters of anything typed
MOST_ANTENNAS, MOST_LETTERS = 60, 200
#: what may be typed of an antenna; the site's own columns come from the tower's place
CELLS = tuple(c for c in columns_of(RegisterRow) if not c.startswith("site_"))
SITE = "my-site"


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoForm:
    """Of one photo. place: where it was taken from, as typed, '' where its metadata are to count; u_m: good to so many
    metres (95 %). picks: bodies as `pick_of` reads them. left_out: not to be used.
    """

    place: str = ""
    u_m: str = ""
    picks: tuple[Mapping[str, Any], ...] = ()
    left_out: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """All that is typed, as it is typed.

    site_id: of a register, or a name for the site. tower: its place, or '' where `distance_m` in the direction in which
    `seen_from` (a photo's digest) looks at it is to tell it. antennas: cells by column of the register. photos: by
    digest. register: whether the one that was dropped counts.
    """

    site_id: str = ""
    tower: str = ""
    tower_u_m: str = ""
    distance_m: str = ""
    seen_from: str = ""
    antennas: tuple[Mapping[str, str], ...] = ()
    photos: Mapping[str, PhotoForm] = field(default_factory=dict)
    register: bool = False

    def as_json(self) -> dict[str, Any]:
        """As the page sends it."""
        return asdict(self)

    def without(self, digest: str) -> Form:
        """Without what was said of a photo."""
        return replace(self, photos={d: p for d, p in self.photos.items() if d != digest})


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What a form comes to. tables: by file name. used: digests of the photos that count."""

    site_id: str
    tables: Mapping[str, str]
    used: frozenset[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class DroppedPhoto:
    """A photo of a project. told: what the browser called it, of which nothing but letters and digits is ever used."""

    path: Path
    told: str
    digest: str
    record: PhotoRecord

    @property
    def name(self) -> str:
        """What it is called in results and tables."""
        return str(self.path)


def form_of(said: Mapping[str, Any]) -> Form:
    """A form of JSON. Raises WrongError where it is none."""

    def text(of: Mapping[str, Any], name: str) -> str:
        value = of.get(name) or ""
        if not isinstance(value, str) or len(value) > MOST_LETTERS:
            raise WrongError(f"{name}: wanted a text of at most {MOST_LETTERS} letters")
        return value.strip()

    def parts(of: Mapping[str, Any], name: str, kind: type[Any], most: int) -> Any:
        value = of.get(name) or kind()
        if not isinstance(value, list | tuple if kind is list else kind) or len(value) > most:
            raise WrongError(f"{name}: wanted {'a list' if kind is list else 'an object'} of at most {most}")
        if not all(isinstance(v, dict) for v in (value.values() if isinstance(value, dict) else value)):
            raise WrongError(f"{name}: wanted objects in it")
        return value

    photos = {
        str(digest)[:64]: PhotoForm(
            place=text(p, "place"),
            u_m=text(p, "u_m"),
            picks=tuple(parts(p, "picks", list, 200)),
            left_out=p.get("left_out") is True,
        )
        for digest, p in parts(said, "photos", dict, 1000).items()
    }
    return Form(
        site_id=text(said, "site_id"),
        tower=text(said, "tower"),
        tower_u_m=text(said, "tower_u_m"),
        distance_m=text(said, "distance_m"),
        seen_from=text(said, "seen_from"),
        antennas=tuple(
            {c: v for c in CELLS if (v := text(a, c))} for a in parts(said, "antennas", list, MOST_ANTENNAS)
        ),
        photos=photos,
        register=said.get("register") is True,
    )


def tables_of(form: Form, photos: Sequence[DroppedPhoto], register: RegisterResult | None) -> Told:
    """The tables of what was typed. Raises InputError: the faults' columns are fields of the form."""
    forms = {p.digest: form.photos.get(p.digest, PhotoForm()) for p in photos}
    used = [p for p in photos if not forms[p.digest].left_out]
    if not used:
        raise InputError(Fault(file="photos", column="photos", found="none", wanted="a photo of the antenna"))
    tables: dict[str, str] = {}
    faults: list[Fault] = []
    controls = []
    for p in used:
        try:
            controls += _standpoint(p.name, forms[p.digest])
        except InputError as e:
            faults += e.faults
    if register is None:
        site_id = form.site_id or SITE
        try:
            tables["register.csv"] = _register(form, site_id, _tower(form, {p.digest: p for p in used}, controls))
        except InputError as e:
            faults += e.faults
        known: Collection[str] = {a["antenna_id"] for a in form.antennas if "antenna_id" in a}
    else:
        site_id = register.site(form.site_id or None).site_id
        known = {a.antenna_id for a in register.site(site_id).antennas}
    if faults:
        raise InputError(faults)
    picks = [pick for p in used for pick in _picks(p.name, forms[p.digest], known)]
    called = {p.name: f"photos/{p.name.replace(chr(92), '/').rpartition('/')[2]}" for p in used}
    if controls:
        tables["controls.csv"] = controls_csv(controls, called.__getitem__)
    if picks:
        tables["picks.csv"] = picks_csv(picks, called.__getitem__)
    tables["manifest.csv"] = table_csv(columns_of(ManifestRow), [(name, site_id) for name in called.values()])
    return Told(site_id=site_id, tables=tables, used=frozenset(p.digest for p in used))


def seen_at_deg(record: PhotoRecord, pixel: tuple[float, float] | None) -> float | None:
    """True azimuth in which a photo's compass puts a pixel (the picture's middle where None); None without a compass.

    The camera is taken as level: what this tells is where the tower stands, roughly.
    """
    heading = float(places_of([record]).heading_deg[0])
    if math.isnan(heading) and record.heading is not None:
        heading = record.heading.value_deg
    if math.isnan(heading):
        return None
    camera = camera_from_record(record)
    if pixel is None or camera is None:
        return azimuth_deg(heading)
    x = float(normalised_from_pixels(camera, np.array(pixel, float))[0])
    return azimuth_deg(heading + math.degrees(math.atan(x)))


def _tower(form: Form, photos: Mapping[str, DroppedPhoto], standpoints: Iterable[Control]) -> tuple[float, float, str]:
    """The tower's place, and to how many metres it is known, as a cell ('' for the usual)."""
    if form.tower:
        return *_place(form.tower, "tower"), form.tower_u_m
    photo = photos.get(form.seen_from) or next(iter(photos.values()))
    distance = _metres(form.distance_m, "distance_m", "the tower's coordinates, or how far it is from where you stood")
    given = next((c for c in standpoints if c.photo == photo.name), None)
    at = photo.record.position if given is None else given
    if at is None or at.lat_deg is None or at.lon_deg is None:
        wanted = "where the photo was taken from, or the tower's own coordinates"
        raise InputError(Fault(file="form", column="place", found="no position in the photo", wanted=wanted))
    body = next(iter(form.photos.get(photo.digest, PhotoForm()).picks), None)
    pick = None if body is None else pick_of(photo.name, body)
    pixel = None
    if pick is not None:
        pixel = pick.seed_px or tuple(np.mean(pick.corners_px or [(0.0, 0.0)], axis=0).tolist())
    bearing = seen_at_deg(photo.record, pixel)
    if bearing is None:
        wanted = "the tower's coordinates: this photo does not say which way it looks"
        raise InputError(Fault(file="form", column="tower", found="no heading in the photo", wanted=wanted))
    # The direction is the compass's own: a place this wide says next to nothing of it, so that it is not counted twice
    wide = max(distance, SITE_POSITION_U95_M)
    return *destination(at.lat_deg, at.lon_deg, bearing, distance), f"{wide:.1f}"


def _standpoint(name: str, said: PhotoForm) -> list[Control]:
    if not said.place:
        return []
    lat_deg, lon_deg = _place(said.place, "place")
    u95 = _metres(said.u_m, "u_m", "metres") if said.u_m else CONTROL_U95["standpoint"]
    return [Control(photo=name, kind="standpoint", lat_deg=lat_deg, lon_deg=lon_deg, u95=u95)]


def _place(text: str, column: str) -> tuple[float, float]:
    try:
        return parse_place_deg(text)
    except ValueError as e:
        wanted = "a latitude and a longitude, such as 49.15546, 14.20000"
        raise InputError(Fault(file="form", column=column, found=f"{text!r} ({e})", wanted=wanted)) from None


def _metres(text: str, column: str, wanted: str) -> float:
    try:
        value = float(_plain(text))
    except ValueError:
        value = math.nan
    if not 0.0 < value < 1e5:
        raise InputError(Fault(file="form", column=column, found=repr(text) if text else "nothing", wanted=wanted))
    return value


def _plain(cell: str) -> str:
    """A number that was typed with a decimal comma, with a point."""
    return cell.replace(",", ".") if re.fullmatch(r"[+-]?\d*,\d+", cell) else cell


def _register(form: Form, site_id: str, tower: tuple[float, float, str]) -> str:
    if not form.antennas:
        raise InputError(Fault(file="form", column="antenna_id", found="no antenna", wanted="one at least"))
    columns = columns_of(RegisterRow)
    lat_deg, lon_deg, u_m = tower
    site = {"site_id": site_id, "site_lat_deg": f"{lat_deg:.7f}", "site_lon_deg": f"{lon_deg:.7f}"}
    rows = []
    for antenna in form.antennas:
        cells = {c: _plain(v) if columns[c].is_number else v for c, v in antenna.items()}
        rows.append({**site, "site_position_u_m": _plain(u_m), **cells})
    filled = [c for c in columns if c in ("site_id", "antenna_id") or any(row.get(c) for row in rows)]
    # what every row must have is a column even where nobody typed it: its fault is told by the table's reader
    filled += [c for c in ("rad_center_m", "design_azimuth_deg") if c not in filled]
    return table_csv(filled, [[row.get(c, "") for c in filled] for row in rows])


def _picks(name: str, said: PhotoForm, known: Collection[str]) -> list[Pick]:
    """The first of each antenna."""
    picks: dict[str, Pick] = {}
    for body in said.picks:
        pick = pick_of(name, body)
        if pick.antenna_id in known:
            picks.setdefault(pick.antenna_id, pick)
    return list(picks.values())
