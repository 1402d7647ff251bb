"""sites.geojson (RFC 7946), a site at a time."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import IO, Any

from photoaz.present.files.shapes import Bounds, Shape, all_points


def _feature(shape: Shape) -> dict[str, Any]:
    """`kind` is tower, standpoint, sight, antenna, uncertainty, reading or design."""
    return {
        "type": "Feature",
        "geometry": _geometry(shape),
        "properties": {"kind": shape.kind, "site_id": shape.site_id, "name": shape.name, **shape.properties},
    }


def _geometry(shape: Shape) -> Mapping[str, Any] | None:
    if not shape.parts:
        return None
    whole: list[Any] = [_coordinates(shape, [list(point) for point in part]) for part in shape.parts]
    if len(whole) == 1:
        return {"type": shape.geometry, "coordinates": whole[0]}
    return {"type": f"Multi{shape.geometry}", "coordinates": whole}


def _coordinates(shape: Shape, part: list[list[float]]) -> list[Any]:
    if shape.geometry == "Point":
        return part[0]
    return [part] if shape.geometry == "Polygon" else part


class GeoJson:
    """Writes sites.geojson to an open file, a site at a time: WGS84, longitude first, 7 decimals (1 cm)."""

    def __init__(self, file: IO[str]) -> None:
        self._file, self._bounds, self._empty = file, Bounds(), True
        file.write('{"type": "FeatureCollection", "features": [')

    def add(self, shapes: Sequence[Shape]) -> None:
        """A site's shapes."""
        self._bounds.add(list(all_points(shapes)))
        for shape in shapes:
            self._file.write("\n" if self._empty else ",\n")
            self._file.write(json.dumps(_feature(shape), ensure_ascii=False, allow_nan=False))
            self._empty = False

    def close(self) -> None:
        """End the file with a box around it all."""
        box = self._bounds.box()
        self._file.write(("\n]" if box is None else f'\n], "bbox": {json.dumps(box)}') + "}\n")
