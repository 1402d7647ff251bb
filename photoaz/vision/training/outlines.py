"""Fits of panels whose truth is known: `python -m photoaz.vision.training.outlines --pictures DIR --out FILE`.

The finder looks at each picture of `outline_pictures`; what it finds, and picks as people make them, are measured under
expectations as wrong as they say. FILE has a line for every mode of every outline: what was seen, and how far its
azimuth is off.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from photoaz.angles import wrap_rad
from photoaz.photo.camera import Camera, directions_from_pixels, project, rotation_cam_from_enu
from photoaz.quantities import (
    ANYWHERE_SHARE,
    CAMERA_HEIGHT_M,
    DESIGN_DOWNTILT_SIGMA_RAD,
    DESIGN_TOLERANCE_DEG,
    DOWNTILT_RAD,
    FOUND_HEIGHT_SIGMA,
    FOUND_HEIGHTS_SIGMA,
    GIVEN_OFFSET_SIGMA_M,
    K95,
    NOT_AS_DESIGNED_SHARE,
    PHONE_FOCAL_SHARE,
    PHONE_POSITION_M,
    RAD_CENTER_U95_M,
    RADIUS_95,
    SITE_POSITION_U95_M,
    SIZE_SIGMA,
    TURNED_SIGMA_DEG,
    TYPICAL_SIZE_M,
)
from photoaz.vision.box import Sighting, width_across
from photoaz.vision.boxes import Prior
from photoaz.vision.evidence import TILT_SIGMA_RAD, BoxMode, azimuths_of, mode_from_minimum
from photoaz.vision.finder import PanelCandidate, candidates_by_both
from photoaz.vision.fit import Minimum
from photoaz.vision.head_locator import HeadGuess, window_at
from photoaz.vision.measure import Expectation, Look, look_at, measure_boxes, measure_boxes_again, with_appearance
from photoaz.vision.picked import off_of, off_px
from photoaz.vision.trust import MOST_MODES, Signs, signs_of

Array = NDArray[Any]

#: sizes are in the register this often, downtilts that often
SIZES_KNOWN_SHARE, DOWNTILT_KNOWN_SHARE = 0.8, 0.5
#: rolls of the training heads' panels
ROLL_RAD = float(np.radians(1.0))
#: pitch and roll as metadata have them, and where upright lines tell them
ATTITUDE_RAD, UPRIGHT_RAD = float(np.radians(1.0)), float(np.radians(0.5))
#: after a first adjustment: attitude, and distance over focal length
AGAIN_RAD, AGAIN_LN = float(np.radians(0.3)), 0.012
#: a found panel is the true one from this share of the union
SAME_SHARE = 0.35
CUT_SHARE = 0.1
PICKED_FRONT, PICKED_PX = 0.7, 12.0
#: a point is marked on panels of which so much shows, on that share of those that the finder sees
MARKED_VISIBLE, MARKED_SHARE = 0.35, 0.15


@dataclass(frozen=True, slots=True)
class Scene:
    """One picture: its truth, the true camera, and its attitude."""

    truth: dict[str, Any]
    image: Array
    camera: Camera
    cam_from_enu: Array

    @classmethod
    def read(cls, folder: Path, truth: dict[str, Any]) -> Scene:
        """The picture of a truth."""
        size = truth["size_px"]
        camera = Camera(width_px=size, height_px=size, f_px=truth["f_px"], cx_px=truth["cx_px"], cy_px=truth["cy_px"])
        image = cv2.imread(str(folder / f"{truth['name']}.jpg"))
        if image is None:
            raise FileNotFoundError(folder / f"{truth['name']}.jpg")
        angles = np.radians([truth["heading_deg"], truth["pitch_deg"], truth["roll_deg"]])
        return cls(truth, np.asarray(image), camera, rotation_cam_from_enu(*angles))


def expectations_of(
    scene: Scene, boxes_px: dict[int, Array], head_rng: np.random.Generator, rng: np.random.Generator
) -> tuple[Camera, list[Expectation]]:
    """The camera as metadata have it, and what is expected of every panel of a scene, as wrong as it says.

    boxes_px: corners (8, 2) of the panels found, which tell the distance. head_rng: what belongs to the head.
    """
    t = scene.truth
    ln_f = rng.normal(0, PHONE_FOCAL_SHARE)
    camera = replace(scene.camera, f_px=scene.camera.f_px * float(np.exp(ln_f)), f_relative_sigma=PHONE_FOCAL_SHARE)
    site_sigma = SITE_POSITION_U95_M / RADIUS_95
    known_sizes, known_tilt = head_rng.random() < SIZES_KNOWN_SHARE, head_rng.random() < DOWNTILT_KNOWN_SHARE
    error = np.append(rng.normal(0, PHONE_POSITION_M, 2), rng.normal(0, CAMERA_HEIGHT_M[1]))
    error[:2] += head_rng.normal(0, site_sigma, 2)
    deltas, sigmas, ln_sizes, size_sigmas, tilts = [], [], [], [], []
    for p in t["panels"]:
        own = head_rng.normal(0, 1, 8)
        whd = np.array(p["whd_m"])
        if known_sizes:
            s = np.hypot(SIZE_SIGMA[0], SIZE_SIGMA[1] / whd)
            ln_sizes.append(np.log(whd) + s * own[:3])
        else:
            s = np.array([v[1] for v in TYPICAL_SIZE_M.values()])
            ln_sizes.append(np.log([v[0] for v in TYPICAL_SIZE_M.values()]))
        size_sigmas.append(s)
        true_tilt = np.radians(p["downtilt_deg"])
        tilts.append(true_tilt + DESIGN_DOWNTILT_SIGMA_RAD * own[3] if known_tilt else DOWNTILT_RAD[0])
        place = GIVEN_OFFSET_SIGMA_M * own[4:6], RAD_CENTER_U95_M / K95 * own[6]
        delta = np.array(p["centre_m"]) - np.array(t["position_m"]) + error + np.append(*place)
        along = float(np.hypot(PHONE_POSITION_M, np.hypot(GIVEN_OFFSET_SIGMA_M, site_sigma)))
        sigma = np.hypot(along * np.hypot(delta[0], delta[1]), CAMERA_HEIGHT_M[1] * delta[2]) / (delta @ delta)
        deltas.append(delta)
        sigmas.append(float(sigma))
    farther, told = _farther(camera, boxes_px, deltas, sigmas, ln_sizes, size_sigmas)
    held = UPRIGHT_RAD if rng.random() < 0.6 else ATTITUDE_RAD
    pitch = np.radians(t["pitch_deg"]) + rng.normal(0, held)
    roll = np.radians(t["roll_deg"]) + rng.normal(0, held)
    return camera, [
        Expectation(
            camera=camera,
            pitch_rad=float(pitch),
            pitch_sigma_rad=held,
            roll_rad=float(roll),
            roll_sigma_rad=held,
            distance_m=float(np.linalg.norm(deltas[k]) * np.exp(farther)),
            ln_distance_sigma=float(np.hypot(min(sigmas[k], told), PHONE_FOCAL_SHARE)),
            ln_size=np.asarray(ln_sizes[k]),
            ln_size_sigma=np.asarray(size_sigmas[k]),
            downtilt_rad=float(tilts[k]),
            downtilt_sigma_rad=DESIGN_DOWNTILT_SIGMA_RAD if known_tilt else DOWNTILT_RAD[1],
            panel_roll_sigma_rad=ROLL_RAD,
        )
        for k in range(len(deltas))
    ]


def _farther(
    camera: Camera,
    boxes_px: dict[int, Array],
    deltas: Sequence[Array],
    sigmas: Sequence[float],
    ln_sizes: Sequence[Array],
    size_sigmas: Sequence[Array],
) -> tuple[float, float]:
    """By how much (ln) the tower is farther than positions say, and how sure that is: as `estimate.gather` does."""
    before = float(np.hypot(np.median(sigmas), PHONE_FOCAL_SHARE)) if len(sigmas) else 1.0
    offs, own = [], []
    for k, c in boxes_px.items():
        top = directions_from_pixels(camera, c[[0, 1, 4, 5]].mean(0))
        bottom = directions_from_pixels(camera, c[[2, 3, 6, 7]].mean(0))
        seen = float(np.arctan2(np.linalg.norm(np.cross(top, bottom)), top @ bottom))
        d = deltas[k]
        wanted = float(np.exp(ln_sizes[k][1]) * np.hypot(d[0], d[1]) / (d @ d))
        offs.append(np.log(wanted / max(seen, 1e-9)))
        own.append(float(np.hypot(FOUND_HEIGHT_SIGMA, size_sigmas[k][1])))
    if not offs:
        return 0.0, before
    told = float(np.hypot(1.25 * np.median(own) / np.sqrt(len(offs)), FOUND_HEIGHTS_SIGMA))
    w1, w2 = 1.0 / (1.5 * before) ** 2, 1.0 / told**2
    return float(np.median(offs)) * w2 / (w1 + w2), float(np.sqrt(1.0 / (w1 + w2)))


def found_in(scene: Scene, rng: np.random.Generator) -> list[PanelCandidate]:
    """What the finder sees about the head, in the picture's pixels, looked at at about the right scale."""
    t = scene.truth
    centres = np.array([p["centre_m"] for p in t["panels"]])
    way = centres.mean(0) - np.array(t["position_m"])
    guess = HeadGuess(
        distance_m=float(np.linalg.norm(way) * np.exp(rng.normal(0, 0.05))),
        ln_distance_sigma=0.05,
        width_m=float(np.exp(np.median([np.log(p["whd_m"][0]) for p in t["panels"]]) + rng.normal(0, 0.1))),
        height_m=max(p["whd_m"][1] for p in t["panels"]),
        rise_m=float(np.ptp(centres[:, 2])),
    )
    middle = project(scene.camera, scene.cam_from_enu @ way)
    assert guess.distance_m is not None
    window = window_at(scene.camera, guess, np.clip(middle, 0, t["size_px"]), guess.distance_m)
    found = candidates_by_both(window.cut(scene.image))
    return [replace(c, corners_px=window.to_frame(c.corners_px)) for c in found]


def matched(scene: Scene, found: Sequence[PanelCandidate]) -> dict[int, int]:
    """Which candidate is which panel: panel -> candidate, by the shares of the union, the largest first."""
    panels = scene.truth["panels"]
    own = [_hull(np.array(p["corners_px"])) for p in panels]
    pairs = []
    for c, one in enumerate(found):
        hull = _hull(one.corners_px)
        for k, p in enumerate(panels):
            if p["visible"] > 0.15:
                shared = cv2.intersectConvexConvex(hull, own[k])[0]
                union = cv2.contourArea(hull) + cv2.contourArea(own[k]) - shared
                pairs.append((shared / max(union, 1e-9), k, c))
    out: dict[int, int] = {}
    for share, k, c in sorted(pairs, reverse=True):
        beyond = np.maximum(-found[c].corners_px, found[c].corners_px - (scene.truth["size_px"] - 1)).max()
        if beyond > CUT_SHARE * float(np.ptp(found[c].corners_px, axis=0).max()):
            continue
        if share >= SAME_SHARE and k not in out and c not in out.values():
            out[k] = c
    return out


def _hull(corners_px: Array) -> Array:
    return np.asarray(cv2.convexHull(corners_px.astype(np.float32)))


class Recorder:
    """A judge of outlines that keeps all their modes, and the signs by which they could be judged."""

    def __init__(self) -> None:
        self.signs: dict[int, Signs] = {}

    def __call__(
        self, sighting: Sighting, minima: tuple[Minimum, ...], prior: Prior, expectation: Expectation, look: Look
    ) -> tuple[BoxMode, ...]:
        """Every minimum as it is."""
        modes = with_appearance([mode_from_minimum(sighting, m, prior) for m in minima], minima, look)
        if modes:  # looks are judged in an order of their own
            self.signs[id(look)] = signs_of(sighting, modes, minima, prior, look.candidate, look.binned, look.turn)
        return tuple(modes)


def rows_of(scene: Scene, seed: int) -> list[dict[str, Any]]:
    """All outlines of a picture: those of found panels and of picked ones, at first and once more."""
    t = scene.truth
    number = [int(v) for v in t["name"].split("_")]
    rng, head_rng = np.random.default_rng([seed, *number]), np.random.default_rng([seed, *number[:2]])
    found = found_in(scene, rng)
    match = matched(scene, found)
    _, expected = expectations_of(scene, {k: found[c].corners_px for k, c in match.items()}, head_rng, rng)
    out: list[dict[str, Any]] = []
    looks: dict[int, Look] = {
        k: look_at(scene.image, expected[k], candidate=found[c]) for k, c in sorted(match.items())
    }
    out += _measured(scene, looks, expected, "found", rng)
    picks: dict[int, Look] = {}
    for k, p in enumerate(t["panels"]):
        px = np.array(p["corners_px"])
        face = np.hypot(*(px[[1, 2]].mean(0) - px[[0, 3]].mean(0)))
        inside = ((px > 1) & (px < t["size_px"] - 2)).all()
        if (
            inside
            and p["front_visible"] >= PICKED_FRONT
            and face >= PICKED_PX
            and p["facing"] > np.cos(off_of("front")[1])
        ):
            rough = px[:4] + off_px(px[:4]) * np.clip(rng.normal(0, 1.0, (4, 2)), -2.0, 2.0)
            picks[k] = look_at(scene.image, expected[k], corners_px=rough)
    out += _measured(scene, picks, expected, "picked", rng)
    return out + _marked(scene, expected, match, rng)


def _marked(
    scene: Scene, expected: Sequence[Expectation], match: dict[int, int], rng: np.random.Generator
) -> list[dict[str, Any]]:
    """Outlines from a point on each panel that the finder did not see, and on some that it did."""
    t = scene.truth
    looks: dict[int, Look] = {}
    told = list(expected)
    for k, p in enumerate(t["panels"]):
        px = np.array(p["corners_px"])
        inside = ((px > 1) & (px < t["size_px"] - 2)).all()
        if not inside or p["visible"] < MARKED_VISIBLE or (k in match and rng.random() > MARKED_SHARE):
            continue
        off = rng.normal(0, np.radians(DESIGN_TOLERANCE_DEG / 2.0))
        if rng.random() < NOT_AS_DESIGNED_SHARE:
            turned = rng.normal(0, np.radians(TURNED_SIGMA_DEG))
            off = np.pi * rng.uniform(-1, 1) if rng.random() < ANYWHERE_SHARE else turned
        design = np.radians(p["azimuth_deg"]) - off
        bearing = design - np.radians(p["azimuth_deg"] - p["yaw_deg"])
        apart = abs(float(np.degrees(wrap_rad(bearing))))
        # as `estimate.gather` has it
        told[k] = replace(expected[k], faces_camera=None if 65.0 < apart < 115.0 else apart <= 65.0)
        middle = px.mean(0) + rng.normal(0, 0.15 * width_across(px), 2)
        looks[k] = look_at(scene.image, told[k], seed_px=middle)
    return _measured(scene, looks, told, "marked", rng)


def _measured(
    scene: Scene,
    looks: dict[int, Look],
    expected: Sequence[Expectation],
    kind: str,
    rng: np.random.Generator,
) -> list[dict[str, Any]]:
    if not looks:
        return []
    record = Recorder()
    modes = measure_boxes(list(looks.values()), [expected[k] for k in looks], judge=record)
    out = _rows(scene, looks, modes, record, kind, 0)
    again, better = Recorder(), [_better(expected[k], scene, k, rng) for k in looks]
    better = [replace(e, pitch_rad=better[0].pitch_rad, roll_rad=better[0].roll_rad) for e in better]
    most = [m[:MOST_MODES] for m in modes]
    some = [n for n, m in enumerate(most) if m]
    if some:
        left = {k: look for n, (k, look) in enumerate(looks.items()) if n in some}
        once_more = measure_boxes_again(
            list(left.values()), [better[n] for n in some], [most[n] for n in some], judge=again
        )
        out += _rows(scene, left, once_more, again, kind, 1)
    return out


def _better(e: Expectation, scene: Scene, k: int, rng: np.random.Generator) -> Expectation:
    """As an adjustment leaves it: distance over focal length, pitch and roll nearly right."""
    t = scene.truth
    true = np.linalg.norm(np.array(t["panels"][k]["centre_m"]) - np.array(t["position_m"]))
    distance = true * e.camera.f_px / t["f_px"] * np.exp(rng.normal(0, AGAIN_LN))
    return replace(
        e,
        camera=replace(e.camera, f_relative_sigma=0.0),
        pitch_rad=float(np.radians(t["pitch_deg"]) + rng.normal(0, AGAIN_RAD)),
        roll_rad=float(np.radians(t["roll_deg"]) + rng.normal(0, AGAIN_RAD)),
        pitch_sigma_rad=AGAIN_RAD,
        roll_sigma_rad=AGAIN_RAD,
        distance_m=float(distance),
        ln_distance_sigma=AGAIN_LN + 0.01,
    )


def _rows(
    scene: Scene,
    looks: dict[int, Look],
    modes: Sequence[tuple[BoxMode, ...]],
    record: Recorder,
    kind: str,
    again: int,
) -> list[dict[str, Any]]:
    out = []
    for (k, look), some in zip(looks.items(), modes, strict=True):
        p = scene.truth["panels"][k]
        rows: list[dict[str, float]] = []
        if some:
            azimuth, _ = azimuths_of(some, scene.camera, scene.cam_from_enu, TILT_SIGMA_RAD)
            error = wrap_rad(azimuth - np.radians(p["azimuth_deg"]))
            signs = {f.name: getattr(record.signs[id(look)], f.name) for f in fields(Signs)} | {"error_rad": error}
            rows = [{name: float(v[m]) for name, v in signs.items()} for m in range(len(some))]
        out.append(
            {
                "picture": scene.truth["name"],
                "head": scene.truth["head"],
                "group": scene.truth["group"],
                "panel": k,
                "kind": kind,
                "again": again,
                "true_yaw_deg": p["yaw_deg"],
                "true_visible": p["visible"],
                "modes": rows,
                "turn_ln": None if look.turn is None else np.round(look.turn.ln, 2).tolist(),
                "binned": look.binned,
            }
        )
    return out


def main() -> None:
    """Parse the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pictures", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--part", type=int, nargs=2, default=(0, 1), help="of so many parts, this one first")
    args = parser.parse_args()
    truths = json.loads((args.pictures / "truth.json").read_text(encoding="utf-8"))
    with args.out.open("w", encoding="utf-8") as file:
        for truth in truths[args.part[0] :: args.part[1]]:
            for row in rows_of(Scene.read(args.pictures, truth), args.seed):
                file.write(json.dumps(row) + "\n")
            file.flush()


if __name__ == "__main__":
    main()
