"""Heights of the ground: a grid from a file, and what of it lies round a site.

Files are ESRI ASCII grids (a header of ncols, nrows, xllcorner or xllcenter, yllcorner or yllcenter, cellsize and
NODATA_value, then rows from north to south) or XYZ (a line a point of a regular grid: x, y, height). Coordinates are
longitude and latitude (WGS84), or of the system that a file of the same name ending in .prj names (WKT).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz import quantities as q
from photoaz.angles import Array
from photoaz.errors import Fault, InputError
from photoaz.geodesy.frames import EnuFrame, drop_m

_WANTED = "an ESRI ASCII grid, or XYZ: x, y and height of a regular grid, a point a line"
#: a grid of more cells than this is no terrain that is held in memory
_MOST_CELLS = 100_000_000
#: the grid about a site has so many cells each way from the tower, in two sizes
_CELLS = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """Heights about a site above the ground at the tower [m]: square grids about it, the finest first.

    steps_m: of each grid; heights_m: (2 k + 1, 2 k + 1) each, rows from south to north, the tower in the middle.
    """

    steps_m: tuple[float, ...]
    heights_m: tuple[Array, ...]

    def at(self, east_north_m: Array) -> Array:
        """Heights (...) at places (..., 2) [m], bilinear; beyond the grids, what they have at their rim."""
        from scipy.ndimage import map_coordinates

        places = np.asarray(east_north_m, float)
        out = np.empty(places.shape[:-1])
        left = np.ones(out.shape, bool)
        for number, (step, heights) in enumerate(zip(self.steps_m, self.heights_m, strict=True)):
            reach = (len(heights) // 2) * step
            last = number == len(self.steps_m) - 1
            here = left & (last | (np.abs(places).max(-1) <= reach))
            cells = (places[here] / step + len(heights) // 2).T[::-1]
            out[here] = map_coordinates(heights, cells, order=1, mode="nearest")
            left &= ~here
        return out

    def horizon(self, eye_m: Array, azimuths: int, refraction_k: float) -> tuple[Array, Array]:
        """Where the ground meets the sky all round, from eye_m (3,): places (azimuths, 2) [m], their heights [m]."""
        reach = max(s * (len(h) // 2) for s, h in zip(self.steps_m, self.heights_m, strict=True))
        distance = np.geomspace(max(0.5 * self.steps_m[0], 5.0), reach, 240)
        azimuth, every = 2 * np.pi * np.arange(azimuths) / azimuths, np.arange(azimuths)
        way = np.column_stack([np.sin(azimuth), np.cos(azimuth)])
        tried = np.broadcast_to(distance, (azimuths, len(distance)))
        for _ in range(2):  # once more about the highest
            places = eye_m[:2] + way[:, None, :] * tried[..., None]
            up = self.at(places)
            best = np.argmax((up - eye_m[2] - drop_m(tried, refraction_k)) / tried, axis=1)
            place, top = places[every, best], up[every, best]
            tried = tried[every, best][:, None] * np.geomspace(distance[0] / distance[1], distance[1] / distance[0], 33)
        return place, top


@dataclass(frozen=True, kw_only=True)
class Terrain:
    """A grid of heights (rows, columns) [m], rows from south to north; NaN where there is none.

    x, y: of the first cell's middle; step_x, step_y: between cells, of the system `crs`, WKT, longitude and latitude
    where None.
    """

    file: str
    x: float
    y: float
    step_x: float
    step_y: float
    heights_m: Array
    crs: str | None = None

    @cached_property
    def _to_grid(self) -> Any:
        import pyproj

        return pyproj.Transformer.from_crs("EPSG:4326", pyproj.CRS.from_user_input(self.crs), always_xy=True)

    def at(self, lat_deg: Array, lon_deg: Array) -> Array:
        """Heights (...) [m] at places (...) [deg], bilinear; NaN beyond the grid and where it has none."""
        from scipy.ndimage import map_coordinates

        x, y = (lon_deg, lat_deg) if self.crs is None else self._to_grid.transform(lon_deg, lat_deg)
        cells = np.stack([(np.asarray(y) - self.y) / self.step_y, (np.asarray(x) - self.x) / self.step_x])
        flat = map_coordinates(self.heights_m, cells.reshape(2, -1), float, order=1, cval=np.nan)
        return np.asarray(flat.reshape(cells.shape[1:]))

    def ground(self, frame: EnuFrame) -> Ground | None:
        """What lies round a site: out to SURROUNDINGS_M finely, to HILLS_M coarsely; None where the grid has no height
        at the tower. Where the grid ends, the ground goes on as high as the tower's.
        """
        tower = self.at(np.array(frame.lat_deg), np.array(frame.lon_deg))
        if np.isnan(tower):
            return None
        cells = np.arange(-_CELLS, _CELLS + 1)
        steps, grids = [], []
        for reach in (q.SURROUNDINGS_M, q.HILLS_M):
            step = reach / _CELLS
            east, north = np.meshgrid(cells * step, cells * step)
            lat, lon, _ = frame.geodetic_from_enu(np.stack([east, north, np.zeros_like(east)], -1))
            height = self.at(lat, lon) - tower
            steps.append(step)
            grids.append(np.where(np.isnan(height), 0.0, np.round(height, 2)))
        return Ground(steps_m=tuple(steps), heights_m=tuple(grids))


def read_terrain(path: Path) -> Terrain:
    """Read a grid of heights.

    Raises InputError: no such file, neither of the two formats, a value that is none, points off a regular grid,
    coordinates in metres without a .prj file, or one that cannot be read.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as e:
        raise InputError(Fault(file=path, found=e.strerror or str(e), wanted=_WANTED)) from e
    except UnicodeDecodeError as e:
        raise InputError(Fault(file=path, found="no text", wanted=_WANTED)) from e
    first = text.lstrip()[:5].lower()
    x, y, step_x, step_y, heights = _esri(path, text) if first in ("ncols", "nrows") else _xyz(path, text)
    if heights.shape[0] < 2 or heights.shape[1] < 2:
        raise InputError(Fault(file=path, found=f"{heights.shape[0]} by {heights.shape[1]} heights", wanted="2 by 2"))
    crs = _system(path.with_suffix(".prj"))
    ends = (x, x + step_x * (heights.shape[1] - 1)), (y, y + step_y * (heights.shape[0] - 1))
    if crs is None and (max(map(abs, ends[0])) > 360.0 or max(map(abs, ends[1])) > 90.0):
        found = f"coordinates such as {x:g}, {y:g} and no {path.with_suffix('.prj').name}"
        wanted = "longitude and latitude, or a .prj file beside it that names the coordinate system"
        raise InputError(Fault(file=path, found=found, wanted=wanted))
    return Terrain(file=path.name, x=x, y=y, step_x=step_x, step_y=step_y, heights_m=heights, crs=crs)


def _system(prj: Path) -> str | None:
    """The coordinate system that a .prj file names; None where there is none, or it is longitude and latitude."""
    if not prj.is_file():
        return None
    import pyproj

    text = prj.read_text(encoding="utf-8", errors="replace").strip()
    try:
        crs = pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError as e:
        wanted = "a coordinate system as WKT or EPSG:number"
        raise InputError(Fault(file=prj, found=f"'{text[:60]}'", wanted=wanted)) from e
    return None if crs.equals(pyproj.CRS.from_epsg(4326), ignore_axis_order=True) else text


def _numbers(path: Path, text: str, line: int) -> Array:
    """All numbers of a text; line: of the file, where it begins."""
    try:
        return np.array(text.split(), float)
    except ValueError:
        for number, row in enumerate(text.splitlines(), line):
            for word in row.split():
                try:
                    float(word)
                except ValueError:
                    raise InputError(Fault(file=path, line=number, found=f"'{word}'", wanted="a number")) from None
        raise


def _esri(path: Path, text: str) -> tuple[float, float, float, float, Array]:
    lines = text.lstrip().split("\n")
    head: dict[str, float] = {}
    for number, line in enumerate(lines, 1):
        words = line.split()
        if len(words) != 2 or not words[0][0].isalpha():
            break
        try:
            head[words[0].lower()] = float(words[1])
        except ValueError:
            raise InputError(Fault(file=path, line=number, found=f"'{line.strip()}'", wanted="a number")) from None
    step_x, step_y = head.get("cellsize", head.get("dx", 0.0)), head.get("cellsize", head.get("dy", 0.0))
    columns, rows = int(head.get("ncols", 0)), int(head.get("nrows", 0))
    corners = [head.get(f"{axis}llcenter", head.get(f"{axis}llcorner")) for axis in "xy"]
    if not (step_x > 0 and step_y > 0 and columns > 0 and rows > 0) or None in corners or columns * rows > _MOST_CELLS:
        wanted = "ncols, nrows, xllcorner or xllcenter, yllcorner or yllcenter, cellsize"
        raise InputError(Fault(file=path, found=f"a header of {', '.join(head) or 'nothing'}", wanted=wanted))
    values = _numbers(path, "\n".join(lines[len(head) :]), len(head) + 1)
    if len(values) != columns * rows:
        raise InputError(Fault(file=path, found=f"{len(values)} heights", wanted=f"{columns} times {rows}"))
    heights = values.reshape(rows, columns)[::-1]
    x, y = (
        float(value or 0.0) + (0.5 * step if f"{axis}llcenter" not in head else 0.0)
        for axis, value, step in zip("xy", corners, (step_x, step_y), strict=True)
    )
    return x, y, step_x, step_y, np.where(heights == head.get("nodata_value", -9999.0), np.nan, heights)


def _xyz(path: Path, text: str) -> tuple[float, float, float, float, Array]:
    lines = text.replace(",", " ").replace(";", " ").replace("\t", " ")
    head = 0
    if lines[:1].isalpha() or lines[:1] in ('"', "#"):  # names of the columns
        lines, head = lines.partition("\n")[2], 1
    values = _numbers(path, lines, head + 1)
    if not len(values) or len(values) % 3:
        raise InputError(Fault(file=path, found=f"{len(values)} numbers", wanted=_WANTED))
    x, y, z = values.reshape(-1, 3).T
    (x0, step_x, column), (y0, step_y, row) = _places(x), _places(y)
    rows, columns = int(row.max()) + 1, int(column.max()) + 1
    off = max(np.abs(x - x0 - column * step_x).max() / step_x, np.abs(y - y0 - row * step_y).max() / step_y)
    if off > 0.05 or rows * columns > max(20 * len(z), 1000):
        raise InputError(Fault(file=path, found="points that lie on no regular grid", wanted=_WANTED))
    heights = np.full((rows, columns), np.nan)
    heights[row, column] = z
    return x0, y0, step_x, step_y, heights


def _places(values: Array) -> tuple[float, float, NDArray[np.int64]]:
    """The least value, the step between neighbours, and each value's number (n,)."""
    apart = np.diff(np.unique(values))
    # what is written with few digits comes out unevenly: steps of one kind, averaged
    apart = apart[apart > 1e-3 * apart.max(initial=0.0)]
    step = float(np.mean(apart[apart < 1.5 * apart.min()])) if len(apart) else 1.0
    number = np.round((values - values.min()) / step).astype(np.int64)
    top = int(number.max())
    if top:
        step = float(np.ptp(values)) / top
    return float(values.min()), step, np.round((values - values.min()) / step).astype(np.int64)
