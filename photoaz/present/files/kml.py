"""sites.kml (OGC KML 2.2, 07-147r2), a site at a time."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import IO, Any
from xml.sax.saxutils import escape, quoteattr

from photoaz.angles import format_azimuth_deg
from photoaz.present.files.shapes import Kind, LonLat, Shape

# aabbggrr, as KML has colours; of Okabe and Ito, told apart by colour-blind eyes
_BLUE, _VERMILION, _GREEN, _GREY = "ffb27200", "ff005ed5", "ff739e00", "ff808080"
_LINES: dict[str, tuple[str, int]] = {
    "sight": (_GREY, 1),
    "antenna": (_BLUE, 4),
    "antenna_revisit": (_VERMILION, 4),
    "uncertainty": (_BLUE, 1),
    "uncertainty_revisit": (_VERMILION, 1),
    "reading": (_GREEN, 2),
    "design": ("ff000000", 2),
}
_PLURAL: dict[Kind, str] = {
    "sight": "line of sight",
    "antenna": "azimuth from the photos",
    "uncertainty": "U95 of the azimuth",
    "reading": "azimuth as read",
    "design": "azimuth as designed",
}
#: what XML 1.0 cannot hold, whatever the escape
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def _text(value: object) -> str:
    return escape(_NOT_XML.sub("\ufffd", str(value)))


def _head(title: str) -> Iterator[str]:
    yield '<?xml version="1.0" encoding="UTF-8"?>\n'
    yield '<kml xmlns="http://www.opengis.net/kml/2.2">\n<Document>\n'
    yield f"<name>{_text(title)}</name>\n"
    for name, (colour, width) in _LINES.items():
        fill = f"<PolyStyle><color>50{colour[2:]}</color></PolyStyle>" if name.startswith("uncertainty") else ""
        line = f"<LineStyle><color>{colour}</color><width>{width}</width></LineStyle>"
        yield f'<Style id="{name}">{line}{fill}</Style>\n'


def _folder(shapes: Sequence[Shape]) -> Iterator[str]:
    yield f"<Folder>\n<name>{_text(shapes[0].site_id)}</name>\n"
    for shape in shapes:
        if shape.parts:
            yield _placemark(shape)
    yield "</Folder>\n"


def _placemark(shape: Shape) -> str:
    style = shape.kind
    revisit = shape.properties.get("revisit") and shape.kind in ("antenna", "uncertainty")
    what = _PLURAL.get(shape.kind)
    parts = ["<Placemark>", f"<name>{_text(shape.name)}</name>"]
    words = [*([what] if what else []), *_words(shape)]
    if words:
        parts.append(f"<description>{_text('; '.join(words))}</description>")
    if (day := shape.properties.get("taken")) is not None:
        parts.append(f"<TimeStamp><when>{day}</when></TimeStamp>")
    if style in _LINES:
        parts.append(f"<styleUrl>#{style}{'_revisit' if revisit else ''}</styleUrl>")
    data = {"kind": shape.kind, "site_id": shape.site_id, **shape.properties}
    parts.append("<ExtendedData>")
    parts += [
        f"<Data name={quoteattr(name)}><value>{_text(_value(value))}</value></Data>"
        for name, value in data.items()
        if value is not None
    ]
    parts.append("</ExtendedData>")
    geometries = [_geometry(shape, part) for part in shape.parts]
    parts.append(geometries[0] if len(geometries) == 1 else f"<MultiGeometry>{''.join(geometries)}</MultiGeometry>")
    parts.append("</Placemark>\n")
    return "".join(parts)


def _words(shape: Shape) -> list[str]:
    azimuth = shape.properties.get("azimuth_true_deg")
    if azimuth is None:
        to_do = shape.properties.get("to_do")
        return [] if to_do is None else [str(to_do)]
    return [f"{format_azimuth_deg(azimuth, shape.properties.get('u95_deg'))} true"]


def _value(value: Any) -> str:
    return ("true" if value else "false") if isinstance(value, bool) else str(value)


def _geometry(shape: Shape, part: tuple[LonLat, ...]) -> str:
    coordinates = " ".join(f"{lon:.7f},{lat:.7f}" for lon, lat in part)
    coordinates = f"<coordinates>{coordinates}</coordinates>"
    if shape.geometry == "Point":
        return f"<Point>{coordinates}</Point>"
    # lines follow the ground, or they would sink into hills
    if shape.geometry == "LineString":
        return f"<LineString><tessellate>1</tessellate>{coordinates}</LineString>"
    ring = f"<outerBoundaryIs><LinearRing>{coordinates}</LinearRing></outerBoundaryIs>"
    return f"<Polygon><tessellate>1</tessellate>{ring}</Polygon>"


class Kml:
    """Writes sites.kml to an open file: a folder for each site, its standpoints with their dates, its antennas."""

    def __init__(self, file: IO[str], title: str = "Antenna azimuths") -> None:
        self._file = file
        file.writelines(_head(title))

    def add(self, shapes: Sequence[Shape]) -> None:
        """A site's shapes, its tower first."""
        self._file.writelines(_folder(shapes))

    def close(self) -> None:
        self._file.write("</Document>\n</kml>\n")
