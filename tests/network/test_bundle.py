"""A whole site against a bundle adjustment that shares nothing with the package.

Raw corner pixels through cv2.projectPoints; cameras and panels turned by rotation vectors (cv2.Rodrigues), not by
heading, pitch, roll; solved by scipy.optimize.least_squares with numerical derivatives. What the facts state enters as
residuals of the angles read off the matrices.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize
from scipy.spatial.transform import Rotation

from photoaz.network.adjust import adjust
from photoaz.network.site import build

Array = NDArray[Any]

#: agreement of azimuths and headings where nothing contradicts anything
EXACT_RAD = 1e-6
CORNER_PX = 0.3
#: a box stands for its corners to first order. Allowed is what adds half a per cent to an uncertainty, the rounding of
#: two digits: sqrt(1 + 0.1^2) = 1.005, in standard uncertainties of the angle. Found over six seeds: 0.01 to 0.065
OF_SIGMA = 0.1
ALL = slice(0, 8)


def off(a: float, b: float) -> float:
    return abs(float((a - b + np.pi) % (2 * np.pi) - np.pi))


def camera_angles(turn: Array) -> Array:
    """Heading, pitch, roll of a matrix whose rows are the camera's right, down and forward in ENU."""
    right, _, forward = turn
    heading = np.arctan2(forward[0], forward[1])
    level = np.array([np.cos(heading), -np.sin(heading), 0.0])
    up = np.cross(level, forward)
    return np.array([heading, np.arcsin(forward[2]), np.arctan2(-right @ up, right @ level)])


def panel_angles(turn: Array) -> Array:
    """Azimuth, downtilt, roll of a matrix whose columns are a panel's right, up and normal in ENU."""
    right, up, normal = turn.T
    return np.array([np.arctan2(normal[0], normal[1]), np.arcsin(-normal[2]), np.arctan2(-right[2], up[2])])


@dataclass(frozen=True, slots=True)
class Bundle:
    """The site's unknowns in another order and other parameters: per camera and panel rotation vector, position, three

    more (ln focal and principal point; ln sizes), then the tower and the landmarks.
    """

    kit: Any
    net: Any
    corners_px: dict[tuple[str, str], Array]
    which: slice

    def pack(self, x: Array) -> Array:
        """From the package's unknowns, for starting values only."""
        lay, kit = self.net.layout, self.kit
        out = []
        for p in self.net.photos:
            v = x[lay.photo(p.name)]
            out += [cv2.Rodrigues(kit.rotation(*v[:3]))[0].ravel(), v[3:]]
        for a in self.net.antennas:
            v = x[lay.antenna(a.name)]
            out += [cv2.Rodrigues(kit.panel_axes(*v[:3]))[0].ravel(), v[3:]]
        return np.concatenate([*out, x[lay.site()], *(x[lay.landmark(n)] for n in lay.landmarks)])

    def unpack(self, y: Array) -> tuple[dict[str, Array], dict[str, Array], Array, dict[str, Array]]:
        cameras, panels = len(self.net.photos), len(self.net.antennas)
        block = y[: 9 * (cameras + panels)].reshape(-1, 9)
        rest = y[9 * (cameras + panels) :]
        return (
            {p.name: v for p, v in zip(self.net.photos, block[:cameras], strict=True)},
            {a.name: v for a, v in zip(self.net.antennas, block[cameras:], strict=True)},
            rest[:2],
            dict(zip(self.net.layout.landmarks, rest[2:].reshape(-1, 3), strict=True)),
        )

    def angles(self, y: Array) -> dict[str, float]:
        """Headings of the photos and azimuths of the antennas [rad]."""
        cameras, panels, _, _ = self.unpack(y)
        out = {n: float(camera_angles(cv2.Rodrigues(v[:3])[0])[0]) for n, v in cameras.items()}
        return out | {n: float(panel_angles(cv2.Rodrigues(v[:3])[0])[0]) for n, v in panels.items()}

    def residual(self, y: Array) -> Array:
        cameras, panels, tower, landmarks = self.unpack(y)
        out: list[Any] = []
        bodies = {}
        for a in self.net.antennas:
            v = panels[a.name]
            turn = cv2.Rodrigues(v[:3])[0]
            bodies[a.name] = v[3:6] + np.append(tower, 0.0) + (self.kit.CORNERS[self.which] * np.exp(v[6:])) @ turn.T
            _, downtilt, roll = panel_angles(turn)
            out.append((v[3:5] - a.east_north_m) / a.offset_sigma_m)
            out.append([(v[5] - a.up_m) / a.up_sigma_m])
            out.append((v[6:] - a.ln_size) / a.ln_size_sigma)
            out.append([(downtilt - a.downtilt_rad) / a.downtilt_sigma_rad, roll / a.roll_sigma_rad])
        for p in self.net.photos:
            v, cam = cameras[p.name], p.camera
            f = cam.f_px * np.exp(v[6])
            k = np.array([[f, 0, cam.cx_px + v[7]], [0, f, cam.cy_px + v[8]], [0, 0, 1.0]])
            turn = cv2.Rodrigues(v[:3])[0]
            names = list(p.boxes)
            points = np.concatenate([*(bodies[n] for n in names), *(landmarks[s.name][None] for s in p.landmarks)])
            seen = cv2.projectPoints(points, v[:3], -turn @ v[3:6], k, None)[0].reshape(-1, 2)
            m = len(self.kit.CORNERS[self.which])
            for i, n in enumerate(names):
                out.append((seen[m * i : m * (i + 1)] - self.corners_px[p.name, n]).ravel() / CORNER_PX)
            for i, s in enumerate(p.landmarks):
                out.append((seen[m * len(names) + i] - s.pixel) / s.sigma_px)
            for stated, value in zip((p.headings, p.pitches, p.rolls), camera_angles(turn), strict=True):
                out.append([((value - s.value_rad + np.pi) % (2 * np.pi) - np.pi) / s.sigma_rad for s in stated])
            out += [(v[3:5] - en) / sigma for en, sigma, _ in p.standpoints]
            out.append([(v[5] - p.up_m) / p.up_sigma_m, (v[6] - p.ln_focal) / cam.f_relative_sigma])
            out.append(v[7:] / cam.principal_sigma_px)
        out.append(tower / self.kit.Setting().site_m)
        for s in {s.name: s for p in self.net.photos for s in p.landmarks}.values():
            out.append((landmarks[s.name] - s.enu_m) / [s.sigma_m, s.sigma_m, s.height_sigma_m])
        return np.concatenate([np.asarray(r, float) for r in out])

    def solve(self, start: Array) -> dict[str, float]:
        """Headings and azimuths, from starting values in the package's unknowns."""
        found = optimize.least_squares(
            self.residual,
            self.pack(start),
            jac="3-point",
            x_scale="jac",
            ftol=1e-15,
            xtol=1e-15,
            gtol=1e-13,
            max_nfev=40,
        )
        return self.angles(found.x)


@pytest.fixture(scope="module")
def site(kit: Any) -> Any:
    """Three sectors of two antennas seen by three photos from between them, a mast on a hill in one."""
    stations = (
        kit.Station(name="p1", bearing_deg=62.0, distance_m=48.0, sees=("a1", "a2", "b1", "b2"), landmarks=("mast",)),
        kit.Station(name="p2", bearing_deg=185.0, distance_m=62.0, sees=("b1", "b2", "c1", "c2"), roll_deg=-1.1),
        kit.Station(name="p3", bearing_deg=301.0, distance_m=55.0, sees=("a1", "a2", "c1", "c2"), roll_deg=0.2),
    )
    azimuths = {"a1": 5.0, "a2": 18.0, "b1": 120.0, "b2": 131.0, "c1": 238.0, "c2": 250.0}
    return kit.make_site(
        stations, azimuths, setting=kit.Setting(corners=8), landmarks={"mast": (-820.0, -500.0, 330.0)}
    )


def corners(built: Any) -> dict[tuple[str, str], Array]:
    return {(p.name, a): m[0].corners_px for p in built.network.photos for a, m in p.boxes.items()}


def disturbed(built: Any, rng: np.random.Generator) -> Array:
    """Starting values off by degrees, metres and per cents."""
    lay = built.layout
    photo = [0.03] * 3 + [2.0] * 3 + [0.004] + [3.0] * 2
    antenna = [0.12] + [0.03] * 2 + [0.3] * 3 + [0.02] * 3
    spread = np.concatenate([photo * len(lay.photos), antenna * len(lay.antennas), [1.0] * 2, [3.0] * 3])
    return built.truth + spread * rng.uniform(-1, 1, len(spread))


def our_angles(built: Any, x: Array) -> dict[str, float]:
    lay = built.layout
    return {n: float(x[lay.photo(n)[0]]) for n in lay.photos} | {n: float(x[lay.antenna(n)[0]]) for n in lay.antennas}


@pytest.mark.parametrize("seed", [1, 2])
def test_noise_free_site_equals_the_bundle(kit, site, seed):
    start = disturbed(site, np.random.default_rng(seed))
    want = Bundle(kit, site.network, corners(site), ALL).solve(start)
    got = our_angles(site, adjust(site.observations, start, tolerance=1e-14).x)
    truth = our_angles(site, site.truth)
    assert set(want) == set(got) == {"p1", "p2", "p3", "a1", "a2", "b1", "b2", "c1", "c2"}
    for name, angle in truth.items():
        assert off(want[name], angle) < EXACT_RAD
        assert off(got[name], angle) < EXACT_RAD


def refitted(kit: Any, cam: Any, mode: Any, noisy: Array) -> Any:
    """The box measured from its own noisy corners alone, with the information they have there (QR of the Jacobian)."""

    def parts(d: Array) -> tuple[Array, Array, Array]:
        return Rotation.from_rotvec(d[:3]).as_matrix() @ mode.rotation, mode.centre_px + d[3:5], mode.ln_size + d[5:]

    def misfit(d: Array) -> Array:
        return (kit.corners_of(cam, *parts(d), ALL) - noisy).ravel() / CORNER_PX

    fit = optimize.least_squares(misfit, np.zeros(8), jac="3-point", x_scale="jac", xtol=1e-15, ftol=1e-15)
    rotation, centre, ln_size = parts(fit.x)
    root = kit.root_of_corners(cam, rotation, centre, ln_size, CORNER_PX, ALL)
    assert len(root) == 8
    return replace(
        mode, rotation=rotation, centre_px=centre, ln_size=ln_size, root=root, offset=np.zeros(8), corners_px=noisy
    )


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_noisy_site_equals_the_bundle_to_a_small_part_of_sigma(kit, site, seed):
    """Corners off by 0.3 px, compasses and positions by what is stated of them."""
    rng = np.random.default_rng(seed)
    photos = []
    for p in site.network.photos:
        boxes = {
            a: (refitted(kit, p.camera, m, m.corners_px + rng.normal(0, CORNER_PX, (8, 2))),)
            for a, (m,) in p.boxes.items()
        }
        said = tuple(replace(h, value_rad=h.value_rad + h.sigma_rad * rng.standard_normal()) for h in p.headings)
        stood = tuple((en + s * rng.standard_normal(2), s, n) for en, s, n in p.standpoints)
        photos.append(replace(p, boxes=boxes, headings=said, standpoints=stood))
    net = build(photos, site.network.antennas, kit.Setting().site_m)
    noisy = replace(site, network=net, observations=net.observations({(p.name, a): 0 for p in photos for a in p.boxes}))
    got = adjust(noisy.observations, noisy.truth, tolerance=1e-12)
    ours = our_angles(noisy, got.x)
    want = Bundle(kit, net, corners(noisy), ALL).solve(noisy.truth)
    truth = our_angles(noisy, noisy.truth)
    lay = noisy.layout
    moved = []
    for name, angle in want.items():
        k = (lay.photo(name) if name in lay.photos else lay.antenna(name))[0]
        sigma = float(np.sqrt(got.covariance[k, k]))
        assert off(ours[name], angle) < OF_SIGMA * sigma, (name, off(ours[name], angle) / sigma)
        moved.append(off(angle, truth[name]) / sigma)
    assert 0.1 < max(moved) < 4.0  # the noise did arrive, and it is of the size stated
