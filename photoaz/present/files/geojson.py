"""sites.geojson (RFC 7946) from site documents, a site at a time."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Self

from photoaz.present.files.cells import replaced
from photoaz.present.files.shapes import Bounds, Document, Shape, all_points, site_shapes


def features(site: Document) -> list[dict[str, Any]]:
    """A site's features: `kind` is tower, standpoint, sight, antenna, uncertainty, reading or design."""
    return [_feature(shape) for shape in site_shapes(site)]


def _feature(shape: Shape) -> dict[str, Any]:
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
    """Writes sites.geojson a site at a time; the file takes its place when the `with` block ends."""

    def __init__(self, path: Path | str) -> None:
        self._open = replaced(path)
        self._bounds = Bounds()
        self._empty = True

    def __enter__(self) -> Self:
        self._file: IO[str] = self._open.__enter__()
        self._file.write('{"type": "FeatureCollection", "features": [')
        return self

    def add(self, site: Document) -> None:
        shapes = site_shapes(site)
        self._bounds.add(list(all_points(shapes)))
        for shape in shapes:
            self._file.write("\n" if self._empty else ",\n")
            self._file.write(json.dumps(_feature(shape), ensure_ascii=False, allow_nan=False))
            self._empty = False

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            box = self._bounds.box()
            self._file.write("\n]" if box is None else f'\n], "bbox": {json.dumps(box)}')
            self._file.write("}\n")
        self._open.__exit__(kind, error, trace)


def write_geojson(path: Path | str, sites: Iterable[Document]) -> None:
    """Write sites.geojson: WGS84, longitude first, 7 decimals (1 cm), rings anticlockwise, a box around it all."""
    with GeoJson(path) as file:
        for site in sites:
            file.add(site)
