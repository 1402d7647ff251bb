"""sites.geojson (RFC 7946) and sites.kml (OGC KML 2.2, 07-147r2), a site at a time."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import IO, Any

from photoaz.present.files.shapes import Bounds, Shape, all_points
from photoaz.present.frame import rendered


def feature(kind: str, site_id: str, geometry: Mapping[str, Any] | None, **more: Any) -> dict[str, Any]:
    """A feature of a site: WGS84, longitude first."""
    return {"type": "Feature", "geometry": geometry, "properties": {"kind": kind, "site_id": site_id, **more}}


def _geometry(shape: Shape) -> Mapping[str, Any] | None:
    if not shape.parts:
        return None
    whole: list[Any] = [[list(point) for point in part] for part in shape.parts]
    if shape.geometry != "LineString":  # a point's is its only one, a polygon's a list of rings
        whole = [part[0] if shape.geometry == "Point" else [part] for part in whole]
    if len(whole) == 1:
        return {"type": shape.geometry, "coordinates": whole[0]}
    return {"type": f"Multi{shape.geometry}", "coordinates": whole}


class GeoJson:
    """Writes sites.geojson to an open file, a site at a time: WGS84, longitude first, 7 decimals (1 cm)."""

    def __init__(self, file: IO[str]) -> None:
        self._file, self._bounds, self._empty = file, Bounds(), True
        file.write('{"type": "FeatureCollection", "features": [')

    def add(self, shapes: Sequence[Shape]) -> None:
        """A site's shapes."""
        self._bounds.add(list(all_points(shapes)))
        for shape in shapes:
            told = feature(shape.kind, shape.site_id, _geometry(shape), name=shape.name, **shape.properties)
            self._file.write("\n" if self._empty else ",\n")
            self._file.write(json.dumps(told, ensure_ascii=False, allow_nan=False))
            self._empty = False

    def close(self) -> None:
        """End the file with a box around it all."""
        box = self._bounds.box()
        self._file.write(("\n]" if box is None else f'\n], "bbox": {json.dumps(box)}') + "}\n")


# ---- KML -------------------------------------------------------------------------------------------------------------


class Kml:
    """Writes sites.kml to an open file: a folder for each site, its standpoints with their dates, its antennas."""

    def __init__(self, file: IO[str], title: str = "Antenna azimuths") -> None:
        self._file = file
        file.write(rendered("head.kml", title=title))

    def add(self, shapes: Sequence[Shape]) -> None:
        """A site's shapes, its tower first."""
        self._file.write(rendered("folder.kml", shapes=shapes))

    def close(self) -> None:
        self._file.write("</Document>\n</kml>\n")
