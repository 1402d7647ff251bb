"""A site as planning sees it: its antennas as the register has them, and a photo that is not there yet.

The photo to come goes into the very network that real photos go into; only what its pixels will say is foreseen, from
the geometry that the fit uses.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from photoaz import quantities as q
from photoaz.angles import COMPASS, Angle, Array, wrap_rad
from photoaz.estimate.priors import antenna_priors_of
from photoaz.geodesy.frames import EnuFrame
from photoaz.naming.model import AntennaPriors, camera_height
from photoaz.naming.mount import mount_of
from photoaz.network.antenna_positions import AntennaPositions, antenna_positions_of
from photoaz.network.heading_aids import LandmarkPixel
from photoaz.network.observations import box_quantities
from photoaz.network.site import PhotoObservations
from photoaz.photo.camera import rotation_cam_from_enu
from photoaz.planning.equipment import BORDER_SHARE, Equipment, PlannedPhoto, in_frame
from photoaz.planning.skyline import Outlook
from photoaz.planning.surroundings import Landmark
from photoaz.register.model import Site
from photoaz.surroundings.maps import Surroundings
from photoaz.vision.box import N_PARAMETERS, Sighting, ideal_corners_px
from photoaz.vision.boxes import Prior
from photoaz.vision.evidence import BoxMode
from photoaz.vision.expected import expected_modes, theta_of
from photoaz.vision.measure import BULGE_M, EDGE_RADIUS_M
from photoaz.vision.verticals import Verticals

#: narrower than this no panel is found; where less of it than this is free of others in front none is planned on
LEAST_PX, LEAST_VISIBLE = 9.0, 0.7
#: seen from further behind than this off its normal, pipes, brackets and radios hide an antenna more often than not
#: (of the sample photos' views from there a fifth could be used; from in front nearly all)
MOST_YAW_RAD = float(np.radians(100.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanningScene:
    """A site laid out for planning.

    azimuth_rad: of each antenna, as far as it is known: as photos had it, else by design. angles: downtilt and roll
    foreseen are the register's. wanted: the antennas whose azimuths are asked for. nearest_m: nobody is to stand nearer
    to the tower. outlook: on what a map has round the site, None without one.
    """

    site: Site
    frame: EnuFrame
    antennas: tuple[AntennaPriors, ...]
    head: AntennaPositions
    site_sigma_m: float
    azimuth_rad: Mapping[str, float]
    places_m: Mapping[str, Array]
    wanted: tuple[str, ...]
    landmarks: tuple[Landmark, ...] = ()
    nearest_m: float = q.PRACTICE_LEAST_M
    outlook: Outlook | None = None

    @property
    def height_m(self) -> float:
        """Of the antennas wanted above the camera, in the middle."""
        ups = [a.up_m for a in self.antennas if a.name in self.wanted]
        return float(np.mean(ups)) - q.CAMERA_HEIGHT_M[0]


def scene_of_site(
    site: Site,
    *,
    wanted: Sequence[str] | None = None,
    azimuth_deg: Mapping[str, float] | None = None,
    landmarks: Sequence[Landmark] = (),
    nearest_m: float = q.PRACTICE_LEAST_M,
    around: Surroundings | None = None,
) -> PlanningScene:
    """Lay out a site. wanted: antennas asked for, all by default; azimuth_deg: those that photos told so far.
    around: what a map has round the site.

    Raises KeyError where the site has no such antenna.
    """
    facts = {a.antenna_id: antenna_priors_of(a, site) for a in site.antennas}
    names = tuple(facts) if wanted is None else tuple(wanted)
    for name in names:
        facts[name]
    mount = mount_of(list(facts.values()))
    head = antenna_positions_of(mount, {name: f.up_sigma_m for name, f in facts.items()})
    places = {n: np.array([*head.places_m[k], head.up_m[k]]) for k, n in enumerate(head.names)}
    known = azimuth_deg or {}
    return PlanningScene(
        site=site,
        frame=EnuFrame(lat_deg=site.lat_deg, lon_deg=site.lon_deg, height_m=0.0),
        antennas=tuple(facts.values()),
        head=head,
        site_sigma_m=site.position_u95_m / q.RADIUS_95,
        azimuth_rad={n: float(np.radians(known[n])) if n in known else f.design_rad for n, f in facts.items()},
        places_m=places,
        wanted=names,
        landmarks=tuple(landmarks),
        nearest_m=nearest_m,
        outlook=None if around is None else Outlook(around),
    )


def aimed(
    name: str,
    scene: PlanningScene,
    east_north_m: Array,
    equipment: Equipment,
    lens_mm: float,
    *,
    up_m: float | None = None,
) -> PlannedPhoto:
    """A photo that shows the middle of the head, held upright and level. up_m: of the camera, in a hand where None."""
    if up_m is None:
        up_m = q.CAMERA_HEIGHT_M[0] + (0.0 if scene.outlook is None else scene.outlook.ground_m(east_north_m))
    eye = np.array([east_north_m[0], east_north_m[1], up_m])
    places = np.stack([scene.places_m[n] for n in scene.wanted])
    aim = places.mean(0) - eye
    attitude = np.array([np.arctan2(aim[0], aim[1]), np.arctan2(aim[2], np.hypot(aim[0], aim[1])), 0.0])
    return PlannedPhoto(
        name=name,
        enu_m=eye,
        attitude_rad=attitude,
        camera=equipment.camera(lens_mm),
        equipment=equipment,
        lens_mm=lens_mm,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ForeseenView:
    """How an antenna will show: its mode, and its normal off the line of sight."""

    mode: BoxMode
    yaw_rad: float


def foreseen_views(
    scene: PlanningScene, stand: PlannedPhoto, *, border_share: float = BORDER_SHARE
) -> dict[str, ForeseenView]:
    """The antennas that a photo will show whole, large and free enough to be measured."""
    camera = stand.camera
    rot = rotation_cam_from_enu(*stand.attitude_rad)
    names, quantities, distances = [], [], []
    for a in scene.antennas:
        place = scene.places_m[a.name]
        sight = rot @ (place - stand.enu_m)
        if sight[2] < 1.0:
            continue
        x = np.zeros(20)
        x[:3], x[3:6] = stand.attitude_rad, stand.enu_m
        x[9:12] = scene.azimuth_rad[a.name], a.downtilt_rad, 0.0
        x[12:15], x[15:18] = place, a.ln_size
        names.append(a)
        quantities.append(x)
        distances.append(float(np.linalg.norm(place - stand.enu_m)))
    if not names:
        return {}
    x = np.stack(quantities)
    distance = np.array(distances)
    _, centre, _ = box_quantities(camera, x)
    size = np.stack([a.ln_size for a in names])
    width = np.exp(size[:, 0])
    shape = np.stack([EDGE_RADIUS_M[0] / width, BULGE_M[0] / width], -1)
    sighting = Sighting(camera, rotation_cam_from_enu(0.0, stand.attitude_rad[1], stand.attitude_rad[2]))
    theta = theta_of(sighting, float(stand.attitude_rad[0]), x[:, 9:12], centre, size, distance, shape)
    corners = ideal_corners_px(sighting, theta)
    frame = np.array([camera.width_px, camera.height_px], float)
    margin = border_share * frame.min()
    inside = ((corners > margin) & (corners < frame - margin)).all((1, 2))
    across = np.exp(size[:, 0]) * camera.f_px / distance
    visible = _free_shares(corners, distance)
    delta = stand.enu_m - x[:, 12:15]
    yaw = np.asarray(wrap_rad(x[:, 9] - np.arctan2(delta[:, 0], delta[:, 1])))
    keep = np.flatnonzero(inside & (across >= LEAST_PX) & (visible >= LEAST_VISIBLE) & (np.abs(yaw) <= MOST_YAW_RAD))
    priors = []
    for k in keep:
        info = np.zeros((N_PARAMETERS, N_PARAMETERS))
        info[8, 8], info[9, 9] = (width[k] / EDGE_RADIUS_M[1]) ** 2, (width[k] / BULGE_M[1]) ** 2
        priors.append(Prior(theta[k], info, float(width[k])))
    modes = zip(keep, expected_modes(sighting, theta[keep], priors, visible[keep]), strict=True)
    return {names[k].name: ForeseenView(mode=m, yaw_rad=float(yaw[k])) for k, m in modes if m is not None}


#: places on a box's silhouette that are asked whether something stands before them
_ACROSS, _ALONG = 5, 9


def _free_shares(corners: Array, distance: Array) -> Array:
    """Share (B,) of each box's silhouette, corners (B, 8, 2), that no nearer one covers."""
    import cv2

    hulls = [cv2.convexHull(c.astype(np.float32)) for c in corners]
    low, high = corners.min(1), corners.max(1)
    out = np.ones(len(corners))
    for b in range(len(corners)):
        over = [
            k
            for k in range(len(corners))
            if distance[k] < distance[b] - 0.05 and (low[k] < high[b]).all() and (high[k] > low[b]).all()
        ]
        if not over:
            continue
        u, v = np.meshgrid(np.linspace(0.02, 0.98, _ACROSS), np.linspace(0.02, 0.98, _ALONG))
        grid = low[b] + np.stack([u.ravel(), v.ravel()], -1) * (high[b] - low[b])
        mine = [tuple(map(float, p)) for p in grid if cv2.pointPolygonTest(hulls[b], tuple(map(float, p)), False) >= 0]
        hidden = sum(any(cv2.pointPolygonTest(hulls[k], p, False) >= 0 for k in over) for p in mine)
        out[b] = 1.0 - hidden / max(len(mine), 1)
    return out


def landmark_pixels(scene: PlanningScene, stand: PlannedPhoto) -> tuple[LandmarkPixel, ...]:
    """The landmarks that a photo will show, at their true pixels."""
    if not scene.landmarks:
        return ()
    px, inside = in_frame(stand, np.stack([m.enu_m for m in scene.landmarks]))
    return tuple(
        LandmarkPixel(
            name=m.name,
            pixel=px[k],
            enu_m=m.enu_m,
            sigma_m=m.u95_m / q.RADIUS_95,
            height_sigma_m=q.LANDMARK_UP_SIGMA_M if m.height_m is None else q.LANDMARK_GIVEN_UP_SIGMA_M,
        )
        for k, m in enumerate(scene.landmarks)
        if inside[k]
    )


def foreseen_photo(
    scene: PlanningScene, stand: PlannedPhoto, views: Mapping[str, ForeseenView] | None = None
) -> PhotoObservations:
    """The observations that a photo will bring. views: of the antennas that it will show, foreseen here by default."""
    carried = stand.equipment
    seen = foreseen_views(scene, stand) if views is None else views
    edges = None if scene.outlook is None else scene.outlook.edges(stand)

    def known(axis: int, sigma_rad: float, source: str, declination_rad: float = 0.0) -> Angle:
        return Angle(
            value_rad=float(stand.attitude_rad[axis]),
            sigma_rad=sigma_rad,
            source=source,
            label=f"{source} of {stand.name}",
            declination_sigma_rad=declination_rad,
        )

    compass, pitch, roll = carried.compass_rad, carried.pitch_rad, carried.roll_rad
    level = known(2, q.HAND_HELD_ROLL_RAD, "camera held level") if roll is None else known(2, roll, "camera roll")
    return PhotoObservations(
        name=stand.name,
        camera=stand.camera,
        start=np.concatenate([stand.attitude_rad, stand.enu_m]),
        headings=() if compass is None else (known(0, compass, COMPASS, carried.declination_rad),),
        pitches=() if pitch is None else (known(1, pitch, "camera pitch"),),
        rolls=(level,),
        standpoints=((stand.enu_m[:2], carried.position_m, "camera position"),),
        up_m=float(stand.enu_m[2]),
        up_sigma_m=camera_height(stand.distance_m)[1],
        ln_focal=0.0,
        boxes={n: (v.mode,) for n, v in seen.items()},
        aids=(*landmark_pixels(scene, stand), *(() if edges is None else (edges,))),
        verticals=None if carried.plumb_rad is None else _plumb_lines(stand, carried.plumb_rad),
    )


def _plumb_lines(stand: PlannedPhoto, sigma_rad: float) -> Verticals:
    """What upright lines about the middle of the frame tell: the roll, at a given pitch."""
    empty = np.zeros((0, 2, 2))
    root = np.array([[0.0, 1.0 / sigma_rad, 0.0, 0.0, 0.0]])
    return Verticals(
        mean=stand.attitude_rad[1:3].copy(),
        root=root,
        offset=np.zeros(1),
        sigma_roll_rad=sigma_rad,
        lines_px=empty,
        share=np.zeros(0),
        plumb=np.zeros(0),
    )
