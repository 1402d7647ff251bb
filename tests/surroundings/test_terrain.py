"""Grids of heights: both formats, planes that bilinear reading must give exactly, hills that hide."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyproj
import pytest

from photoaz.errors import InputError
from photoaz.surroundings.panorama import panorama
from photoaz.surroundings.reading import read_surroundings
from photoaz.surroundings.terrain import Ground, read_terrain
from photoaz.surroundings.walls import GROUND, NOTHING

from .conftest import box, feature, ring, surroundings, written


def plane(lon, lat):
    """Rises by 40 m per hundredth of a degree to the east and falls by 20 m to the north."""
    return 500.0 + 4000.0 * (lon - 8.0) - 2000.0 * (lat - 47.0)


def esri(path, reach=0.05, step=0.001, centre=False):
    n = round(2 * reach / step) + 1
    lon, lat = np.meshgrid(8.0 - reach + step * np.arange(n), 47.0 - reach + step * np.arange(n))
    shift, word = (0.0, "center") if centre else (step / 2, "corner")
    head = f"ncols {n}\nnrows {n}\nxll{word} {8 - reach - shift:.6f}\nyll{word} {47 - reach - shift:.6f}\n"
    rows = "\n".join(" ".join(f"{v:.4f}" for v in row) for row in plane(lon, lat)[::-1])
    path.write_text(f"{head}cellsize {step}\nNODATA_value -9999\n{rows}\n", encoding="utf-8")
    return path


@pytest.mark.parametrize("centre", [True, False])
def test_a_plane_is_read_exactly(tmp_path, centre, rng) -> None:
    terrain = read_terrain(esri(tmp_path / "hill.asc", centre=centre))
    lon, lat = 8.0 + rng.uniform(-0.04, 0.04, 50), 47.0 + rng.uniform(-0.04, 0.04, 50)
    assert terrain.at(lat, lon) == pytest.approx(plane(lon, lat), abs=1e-3)
    assert np.isnan(terrain.at(np.array([48.0]), np.array([8.0]))[0])


@pytest.mark.parametrize("between", [" ", ",", ";", "\t"])
def test_xyz(tmp_path, between) -> None:
    lon, lat = np.meshgrid(8.0 + 0.01 * np.arange(5), 47.0 + 0.005 * np.arange(4))
    path = tmp_path / "hill.xyz"
    rows = [
        f"{a:.3f}{between}{b:.3f}{between}{c:.3f}"
        for a, b, c in zip(lon.flat, lat.flat, plane(lon, lat).flat, strict=True)
    ]
    path.write_text("\n".join(["x,y,z", *rows[:-1]]), encoding="utf-8")
    terrain = read_terrain(path)
    assert terrain.at(np.array(47.0067), np.array(8.0123)) == pytest.approx(plane(8.0123, 47.0067), abs=1e-3)
    assert np.isnan(terrain.at(np.array(47.0149), np.array(8.0399)))  # the corner that is left out


def test_metres_of_a_named_system(tmp_path) -> None:
    """UTM, by pyproj: the height 3 km east of the first cell is that cell's."""
    to = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:32632", always_xy=True)
    x, y = to.transform(8.0, 47.0)
    path = tmp_path / "hill.asc"
    rows = "\n".join(" ".join(str(column) for column in range(100)) for _ in range(100))
    path.write_text(f"ncols 100\nnrows 100\nxllcenter {x - 3000}\nyllcenter {y - 3000}\ncellsize 100\n{rows}\n")
    with pytest.raises(InputError, match=r"hill\.prj"):
        read_terrain(path)
    path.with_suffix(".prj").write_text(pyproj.CRS.from_epsg(32632).to_wkt("WKT1_ESRI"))
    assert read_terrain(path).at(np.array(47.0), np.array(8.0)) == pytest.approx(30.0, abs=1e-6)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "0 numbers"),
        ("hello", "0 numbers"),
        ("1 2 3\n1 2 tall\n", "line 2: found 'tall'"),
        ("1 2 3\n2 2 3\n1.5 3.7 3\n2 9 1\n4 4.3 3\n7 1.1 2\n", "no regular grid"),
        ("ncols 2\nnrows 2\nxllcorner 8\nyllcorner 47\n1 2\n3 4\n", "a header of ncols, nrows, xllcorner, yllcorner"),
        ("ncols 2\nnrows 2\nxllcorner 8\nyllcorner 47\ncellsize 1\n1 2\n3\n", "found 3 heights; wanted 2 times 2"),
        ("ncols 2\nnrows 2\nxllcorner 8\nyllcorner 47\ncellsize 1\n1 2\n3 x\n", "line 7: found 'x'"),
        ("ncols two\nnrows 2\n", "line 1: found 'ncols two'"),
        ("ncols 1\nnrows 1\nxllcorner 8\nyllcorner 47\ncellsize 1\n1\n", "1 by 1 heights"),
        ("ncols 1000000\nnrows 1000000\nxllcorner 8\nyllcorner 47\ncellsize 1\n1\n", "a header of"),
    ],
)
def test_what_is_no_grid_is_said(tmp_path, text, said) -> None:
    path = tmp_path / "hill.asc"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_terrain(path)
    assert said in str(caught.value)
    assert "hill.asc" in str(caught.value)


def test_buildings_stand_on_the_ground(tmp_path) -> None:
    """1 km east the plane is 4000 * 1000 / 76057 = 52.6 m higher (a degree of longitude at 47 N is 76.06 km)."""
    made = read_surroundings(
        written(
            tmp_path / "map.geojson",
            feature("Polygon", [ring(box(1000.0, 0.0, 10, 10))], height_m=8),
            feature("Point", [8.02, 47.0], name="Mast", height_m=40),
        )
    )
    terrain = read_terrain(esri(tmp_path / "hill.asc"))
    some = made.near(47.0, 8.0, terrain=terrain)
    assert some.ground_m[0] == pytest.approx(52.6, abs=0.3)
    assert some.landmarks[0].ground_m == pytest.approx(80.0, abs=0.1)
    assert some.source.terrain == "hill.asc"
    here, sigma = some.ground_at(np.array([[500.0, 0.0], [0.0, 0.0]]))
    assert here == pytest.approx([26.3, 0.0], abs=0.2)
    assert (sigma < 3.0).all()
    assert made.near(60.0, 8.0, terrain=terrain).ground is None
    level, sigma = made.near(47.0, 8.0).ground_at(np.array([100.0, 0.0]))
    assert (level, sigma) == (0.0, 10.0)


def ridge(north_m=500.0, high_m=60.0) -> Ground:
    """Level ground with a long ridge across the north."""
    step, cells = 25.0, 100
    _, north = np.meshgrid(step * np.arange(-cells, cells + 1), step * np.arange(-cells, cells + 1))
    return Ground(steps_m=(step,), heights_m=(np.maximum(high_m - np.abs(north - north_m), 0.0),))


def test_hills_meet_the_sky_and_hide_what_is_behind() -> None:
    """A crest 60 m high and 500 m away: tan e = (60 - 1.5) / 500 on a level earth, by hand."""
    some = surroundings([box(0.0, 900.0, 30, 30), box(0.0, -60.0, 10, 10)], [40.0, 8.0])
    some = replace(some, ground=ridge())
    seen = panorama(some, np.array([0.0, 0.0, 1.5]), refraction_k=1.0)
    assert np.tan(seen.skyline.elevation_rad(0.0)) == pytest.approx(58.5 / 500.0, abs=2e-3)
    assert seen.skyline.building[seen.skyline.piece_at(0.0)] == GROUND
    assert set(seen.skyline.building.tolist()) <= {1, GROUND, NOTHING}
    assert 1 in seen.skyline.building
    assert 0 not in seen.uprights.building[seen.uprights.p_seen > 0.5]
    assert (seen.skyline.sigma_rad([0.0, np.pi]) < 0.2).all()


def test_without_the_hill_it_is_seen() -> None:
    some = surroundings([box(0.0, 900.0, 30, 30)], [40.0])
    assert 0 in panorama(some, np.array([0.0, 0.0, 1.5])).skyline.building
