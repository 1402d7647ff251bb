"""Cameras and sun of each photo, and the tables that go with the photos: register, controls, picks, truth."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import exif
import numpy as np
import place
from geometry import Array, TrueCamera, box_corners, outward

EYE_M = 1.6
#: the register's tower position is this far from the true one (east, north)
REGISTER_ERROR_M = (1.3, -0.9)
HEAD_M = 29.4


def camera_of(shot: place.Shot) -> TrueCamera:
    """The true camera of a photo: standpoint on the ground, axis off the direction to the tower's head."""
    x, y, _ = outward(shot.bearing_deg) * shot.distance_m
    eye = (round(float(x), 4), round(float(y), 4), round(float(place.terrain_m(x, y)) + EYE_M, 4))
    heading = np.degrees(np.arctan2(-eye[0], -eye[1])) + shot.aim_deg[0]
    pitch = np.degrees(np.arctan2(HEAD_M - eye[2], shot.distance_m)) + shot.aim_deg[1]
    width, height = shot.lens.size_px
    px, py = shot.lens.principal_px
    if shot.portrait:  # the phone held upright: its sensor's right-hand side is up, or down
        width, height = height, width
        px, py = -py, px
    return TrueCamera(
        width_px=width,
        height_px=height,
        f_px=round(shot.lens.f_px(), 4),
        cx_px=(width - 1) / 2 + px,
        cy_px=(height - 1) / 2 + py,
        k1=shot.lens.k1,
        position_enu_m=eye,
        heading_deg=round(float(heading % 360), 5),
        pitch_deg=round(float(pitch), 5),
        roll_deg=shot.roll_deg,
    )


def sun_of(shot: place.Shot) -> tuple[float, float]:
    """Azimuth and apparent elevation [deg] of the sun when the photo was taken (place.SUN_DEG, checked by `tables`)."""
    return place.SUN_DEG[shot.file]


def _check_sun() -> None:
    import pandas as pd
    import pvlib

    for shot in place.SHOTS:
        found = pvlib.solarposition.get_solarposition(
            pd.DatetimeIndex([shot.utc]), place.FRAME.lat_deg, place.FRAME.lon_deg, altitude=place.FRAME.height_m
        )
        want = (float(found["azimuth"].iloc[0]), float(found["apparent_elevation"].iloc[0]))
        if np.abs(np.subtract(want, sun_of(shot))).max() > 0.02:
            raise ValueError(f"{shot.file}: the sun stood at {want}; place.py says {sun_of(shot)}")


def corners_of(panel: place.Antenna) -> Array:
    """The ideal box's corners (8, 3), as `geometry.box_corners` orders them."""
    return box_corners(panel.centre_enu_m, np.array(panel.model.whd_m), panel.axes())


def _write_csv(path: Path, rows: list[dict[str, Any]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def _readings(panels: list[place.Antenna]) -> dict[str, dict[str, Any]]:
    """The register's reading of each antenna, and what is wrong with it."""
    rng = np.random.default_rng(place.SEED + 4)
    out = {}
    for panel in panels:
        error = float(np.clip(rng.normal(0, 0.5), -0.95, 0.95))
        magnetic = (panel.azimuth_deg + error - place.DECLINATION_DEG) % 360
        faulty = panel.antenna_id == place.FAULTY_READING
        value = round(magnetic, 1)
        declination = 0.0 if faulty else place.DECLINATION_DEG
        out[panel.antenna_id] = {
            "azimuth_deg": value,
            "north": "true" if faulty else "magnetic",
            "error_deg": round((value + declination - panel.azimuth_deg + 180) % 360 - 180, 3),
            "fault": "declination_omitted" if faulty else None,
            "downtilt_deg": round(panel.downtilt_deg + float(rng.normal(0, 0.15)), 1),
        }
    return out


def _register(panels: list[place.Antenna], readings: dict[str, dict[str, Any]]) -> list[dict[str, Any]]:
    lat, lon, _ = place.FRAME.geodetic(np.array([*REGISTER_ERROR_M, 0.0]))
    rng = np.random.default_rng(place.SEED + 5)
    rows = []
    for panel in panels:
        w, h, d = panel.model.whd_m
        reading = readings[panel.antenna_id]
        rows.append(
            {
                "site_id": place.SITE_ID,
                "antenna_id": panel.antenna_id,
                "site_lat_deg": f"{lat:.6f}",
                "site_lon_deg": f"{lon:.6f}",
                "site_position_u_m": 3,
                "sector": panel.sector,
                "position": panel.position,
                "rad_center_m": round(float(panel.centre_enu_m[2]) + float(rng.normal(0, 0.2)), 1),
                "rad_center_u_m": 0.5,
                "antenna_height_m": h,
                "antenna_width_m": w,
                "antenna_depth_m": d,
                "offset_east_m": round(float(panel.centre_enu_m[0]), 1),
                "offset_north_m": round(float(panel.centre_enu_m[1]), 1),
                "design_azimuth_deg": panel.design_azimuth_deg,
                "design_north": "true",
                "tolerance_deg": 5,
                "design_downtilt_deg": panel.design_downtilt_deg,
                "reading_azimuth_deg": reading["azimuth_deg"],
                "reading_north": reading["north"],
                "reading_u95_deg": 2,
                "reading_date": "2026-04-28",
                "reading_downtilt_deg": reading["downtilt_deg"],
                "reading_downtilt_u95_deg": 0.5,
                "model": panel.model.name,
            }
        )
    return rows


def _controls(cameras: list[TrueCamera]) -> list[dict[str, Any]]:
    rng = np.random.default_rng(place.SEED + 6)
    rows = []
    for shot, camera in zip(place.SHOTS, cameras, strict=True):
        for mark in place.landmarks():
            pixel = camera.project(mark.top_enu_m)[0]
            if not bool(camera.inside(pixel, 40)):
                continue
            x, y = pixel + np.clip(rng.normal(0, 0.8, 2), -1.6, 1.6)
            stated = mark.top_enu_m + np.array(mark.stated_error_m)
            lat, lon, _ = place.FRAME.geodetic(stated)
            rows.append(
                {
                    "photo": shot.file,
                    "kind": "landmark",
                    "name": mark.name,
                    "x_px": round(float(x), 1),
                    "y_px": round(float(y), 1),
                    "lat_deg": f"{lat:.6f}",
                    "lon_deg": f"{lon:.6f}",
                    "height_m": round(float(stated[2]), 1),
                    "azimuth_true_deg": "",
                    "u95": 5,
                }
            )
    return rows


def _picks(panels: list[place.Antenna], cameras: list[TrueCamera], seen: list[list[float]]) -> list[dict[str, Any]]:
    """Rough corners where the front shows well: 90 % of it, 6 px wide at least."""
    rng = np.random.default_rng(place.SEED + 7)
    rows = []
    for shot, camera, shares in zip(place.SHOTS, cameras, seen, strict=True):
        for panel, share in zip(panels, shares, strict=True):
            corners = camera.project(corners_of(panel)[:4])
            width = float(np.linalg.norm((corners[0] + corners[3] - corners[1] - corners[2]) / 2))
            if share < 0.9 or width < 6 or not bool(camera.inside(corners, 5).all()):
                continue
            # about 3 px off; on a panel few pixels wide a person zooms in and does better
            spread = float(np.clip(0.15 * width, 0.8, 2.1))
            picked = (corners + np.clip(rng.normal(0, spread, corners.shape), -5, 5)).round(1)
            row: dict[str, Any] = {"photo": shot.file, "antenna_id": panel.antenna_id}
            row |= {"x_px": round(float(picked[:, 0].mean()), 1), "y_px": round(float(picked[:, 1].mean()), 1)}
            for k, (x, y) in enumerate(picked, 1):
                row |= {f"x{k}_px": float(x), f"y{k}_px": float(y)}
            rows.append(row)
    return rows


def _truth(
    panels: list[place.Antenna], cameras: list[TrueCamera], seen: list[list[float]], readings: dict[str, dict[str, Any]]
) -> dict[str, Any]:
    frame = place.FRAME
    photos = []
    for shot, camera, shares in zip(place.SHOTS, cameras, seen, strict=True):
        lat, lon, height = frame.geodetic(np.array(camera.position_enu_m))
        views = []
        for panel, share in zip(panels, shares, strict=True):
            px = camera.project(corners_of(panel))
            views.append(
                {
                    "antenna_id": panel.antenna_id,
                    "corners_px": px.round(3).tolist(),
                    "all_corners_inside": bool(camera.inside(px).all()),
                    "front_visible_fraction": share,
                }
            )
        marks = {m.name: camera.project(m.top_enu_m)[0] for m in place.landmarks()}
        photos.append(
            {
                "file": shot.file,
                "says": shot.says,
                "utc": shot.utc.isoformat(),
                "lat_deg": round(lat, 9),
                "lon_deg": round(lon, 9),
                "ellipsoidal_height_m": round(height, 3),
                "position_enu_m": list(camera.position_enu_m),
                "heading_deg": camera.heading_deg,
                "pitch_deg": camera.pitch_deg,
                "roll_deg": camera.roll_deg,
                "width_px": camera.width_px,
                "height_px": camera.height_px,
                "f_px": camera.f_px,
                "cx_px": camera.cx_px,
                "cy_px": camera.cy_px,
                "k1": camera.k1,
                "sun_azimuth_deg": sun_of(shot)[0],
                "sun_elevation_deg": sun_of(shot)[1],
                "orientation": shot.orientation,
                "metadata": exif.written(shot, camera),
                "metadata_errors": {
                    "heading_deg": shot.heading_error_deg,
                    "position_enu_m": list(shot.gps_error_m),
                    "elevation_deg": shot.elevation_error_deg,
                },
                "landmarks_px": {n: p.round(3).tolist() for n, p in marks.items() if bool(camera.inside(p))},
                "antennas": views,
            }
        )
    return {
        "schema": "photoaz/sample-truth/1",
        "site_id": place.SITE_ID,
        "conventions": {
            "frame": "east, north, up in metres; origin: middle of the tower's base, WGS84",
            "pixels": "of the image as shown; the centre of the upper-left pixel is (0, 0); x right, y down",
            "distortion": "x_d = x (1 + k1 r^2) in normalised coordinates",
            "azimuth": "of the front's outward normal, clockwise from true north; downtilt positive looks down; "
            "roll positive turns clockwise as seen by somebody looking at the front",
            "camera": "heading of the axis clockwise from true north, pitch up, roll clockwise seen from behind it",
            "corners": "of the box that the panel touches at its sides, back, caps and the front's middle: the front's "
            "upper left, upper right, lower right, lower left as seen by somebody looking at it, then the back's",
        },
        "tower": {
            "lat_deg": frame.lat_deg,
            "lon_deg": frame.lon_deg,
            "ellipsoidal_height_m": frame.height_m,
            "height_m": place.TOWER_HEIGHT_M,
            "register_error_m": list(REGISTER_ERROR_M),
        },
        "declination_deg": place.DECLINATION_DEG,
        "antennas": [
            {
                "antenna_id": p.antenna_id,
                "sector": p.sector,
                "position": p.position,
                "centre_enu_m": p.centre_enu_m.tolist(),
                "width_m": p.model.whd_m[0],
                "height_m": p.model.whd_m[1],
                "depth_m": p.model.whd_m[2],
                "edge_radius_m": p.model.edge_radius_m,
                "front_bulge_m": p.model.bulge_m,
                "azimuth_deg": p.azimuth_deg,
                "downtilt_deg": p.downtilt_deg,
                "roll_deg": p.roll_deg,
                "design_azimuth_deg": p.design_azimuth_deg,
                "planted": p.planted or None,
                "reading": readings[p.antenna_id],
            }
            for p in panels
        ],
        "landmarks": [
            {
                "name": m.name,
                "kind": m.kind,
                "top_enu_m": m.top_enu_m.tolist(),
                "lat_deg": round(frame.geodetic(m.top_enu_m)[0], 9),
                "lon_deg": round(frame.geodetic(m.top_enu_m)[1], 9),
                "stated_error_m": list(m.stated_error_m),
            }
            for m in place.landmarks()
        ],
        "photos": photos,
    }


def write_all(out: Path, panels: list[place.Antenna], cameras: list[TrueCamera], seen: list[list[float]]) -> None:
    """Check the sun and write register.csv, controls.csv, picks_by_hand.csv and truth.json."""
    _check_sun()
    readings = _readings(panels)
    _write_csv(out / "register.csv", _register(panels, readings))
    _write_csv(out / "controls.csv", _controls(cameras))
    _write_csv(out / "picks_by_hand.csv", _picks(panels, cameras, seen))
    truth = _truth(panels, cameras, seen, readings)
    (out / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
