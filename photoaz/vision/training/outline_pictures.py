"""Pictures of random heads with all that is true of them, for learning how far fitted outlines can be believed.

`python -m photoaz.vision.training.outline_pictures --out DIR --heads N --seed S`. Each head is seen by two groups of
neighbouring standpoints and a single one, as photographers stand about a tower; the camera of each picture is exact.
Files: JPEGs, and truth.json.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from photoaz.vision.training.heads import build
from photoaz.vision.training.parts import Head
from photoaz.vision.training.renderer import geometry
from photoaz.vision.training.views import CLASSES, SIZE_PX, Stage, View, lit

Array = NDArray[Any]

#: views of a head from each group of neighbouring standpoints
GROUPS = (3, 2, 1)
#: width of a panel of 0.3 m seen face-on [px], drawn log-uniformly; focal lengths that telephones and lenses have [px]
WIDTH_PX, FOCAL_PX = (13.0, 140.0), (2400.0, 17000.0)
DISTANCE_M = (22.0, 160.0)
#: half the frame's long side: what lies in it is no farther off the axis [px]
HALF_FRAME_PX = 2000.0
#: where panels are wider than this the window is wider too
_WIDE_PX, _WIDE_SIZE_PX = 80.0, 1088


def standpoints(
    head: Head, rng: np.random.Generator, groups: Sequence[int] = GROUPS
) -> Iterator[tuple[int, Any, tuple[int, int], int]]:
    """Group, camera, window's corner and size of each view of a head; so many views from each group."""
    for group, views in enumerate(groups):
        while True:
            distance = float(np.exp(rng.uniform(*np.log(DISTANCE_M))))
            width = float(np.exp(rng.uniform(*np.log(WIDTH_PX))))
            if FOCAL_PX[0] < width * distance / 0.3 < FOCAL_PX[1]:
                break
        bearing = rng.uniform(0, 2 * np.pi)
        elevation = (
            rng.uniform(12, 55) if rng.random() < 0.85 else rng.choice([rng.uniform(1, 12), rng.uniform(55, 64)])
        )
        target = head.panels[rng.integers(len(head.panels))].centre_m
        for _ in range(views):
            d = distance * np.exp(rng.normal(0, 0.08))
            f = float(np.clip(width * np.exp(rng.normal(0, 0.15)) * d / 0.3, *FOCAL_PX))
            a = bearing + np.radians(rng.uniform(-10, 10))
            e = np.radians(np.clip(elevation + rng.normal(0, 2), 0, 66))
            yield group, *_aimed(head, target, d, a, e, f, rng)


def _aimed(
    head: Head, target: Array, distance: float, bearing: float, elevation: float, f_px: float, rng: np.random.Generator
) -> tuple[Any, tuple[int, int], int]:
    """A camera that many metres off, seen from which the tower lies that way, with a window about the head's panels."""
    eye = -distance * np.array(
        [np.sin(bearing) * np.cos(elevation), np.cos(bearing) * np.cos(elevation), np.sin(elevation)]
    )
    size = SIZE_PX if f_px * 0.3 / distance < _WIDE_PX else _WIDE_SIZE_PX
    # where the head is smaller than the window its middle is aimed at, else one of its panels
    span = size * distance / f_px
    aim = target * min(1.0, 2.0 * head.reach_m / span) + rng.normal(0, 0.12 * span, 3)
    to = aim - eye
    most = min(np.radians(22), np.arctan(HALF_FRAME_PX / f_px))
    off = rng.uniform(-1, 1, 2) * most if rng.random() < 0.6 else np.zeros(2)
    whole = 2 * (int(np.ceil(f_px * np.tan(np.radians(36)))) + size)
    camera = geometry.TrueCamera(
        width_px=whole,
        height_px=whole,
        f_px=f_px,
        cx_px=(whole - 1) / 2,
        cy_px=(whole - 1) / 2,
        k1=0.0,
        position_enu_m=tuple(float(v) for v in eye),
        heading_deg=float(np.degrees(np.arctan2(to[0], to[1]) + off[0])),
        pitch_deg=float(np.clip(np.degrees(np.arctan2(to[2], np.hypot(to[0], to[1])) + off[1]), -10, 78)),
        roll_deg=float(rng.normal(0, 1.5)),
    )
    middle = camera.project(aim[None])[0]
    corner = np.clip(np.round(middle - size / 2), 0, whole - size).astype(int)
    return camera, (int(corner[0]), int(corner[1])), size


def truth_of(head: Head, view: View, camera: Any, corner: tuple[int, int], size: int) -> dict[str, Any]:
    """Camera and panels of a view in plain numbers; pixels are the window's."""
    panels = []
    for k, p in enumerate(head.panels):
        _, up, normal = p.axes
        right = p.axes[0]
        r = 0.29 * p.edge_radius_m  # as far as its rounded edge the front is called the front
        inner = geometry.box_corners(p.centre_m, p.whd_m - 2 * np.array([r, 0.01, 0.0]), p.axes)[:4]
        face = cv2.contourArea((camera.project(inner) - corner).astype(np.float32))
        seen = int(((view.panel == k + 1) & (view.shows == CLASSES.index("front"))).sum())
        panels.append(
            {
                "azimuth_deg": float(p.azimuth_deg % 360.0),
                "downtilt_deg": float(np.degrees(np.arcsin(-normal[2]))),
                "roll_deg": float(np.degrees(np.arctan2(-right[2], up[2]))),
                "centre_m": p.centre_m.tolist(),
                "whd_m": p.whd_m.tolist(),
                "edge_radius_m": float(p.edge_radius_m),
                "bulge_m": float(p.bulge_m),
                "corners_px": np.round(view.corners_px[k].astype(float), 3).tolist(),
                "visible": round(float(view.visible[k]), 4),
                "front_visible": round(min(1.0, seen / max(face, 1.0)), 4) if view.facing[k] > 0 else 0.0,
                "facing": round(float(view.facing[k]), 5),
                "yaw_deg": round(float(np.degrees(view.yaw_rad[k])), 4),
            }
        )
    return {
        "size_px": size,
        "f_px": float(camera.f_px),
        "cx_px": float(camera.cx_px - corner[0]),
        "cy_px": float(camera.cy_px - corner[1]),
        "position_m": [float(v) for v in camera.position_enu_m],
        "heading_deg": float(camera.heading_deg),
        "pitch_deg": float(camera.pitch_deg),
        "roll_deg": float(camera.roll_deg),
        "panels": panels,
    }


def render_head(out: Path, seed: int, number: int, samples: int, groups: Sequence[int]) -> None:
    """All views of a head as .npz with the truth beside them; views that show no panel are left out."""
    rng = np.random.default_rng([seed, number])
    head = build(rng, "tower")  # standpoints lie all round it
    if not head.panels:
        return
    stage = Stage(head)
    one_sky = rng.random() < 0.7  # photos of one visit
    for k, (group, camera, corner, size) in enumerate(standpoints(head, rng, groups)):
        light = lit(np.random.default_rng([seed, number, 99 if one_sky else k]))
        view = stage.seen_by(camera, corner, light, int(rng.integers(1 << 30)), samples, size)
        if not ((view.visible > 0.4) & ((view.corners_px > 2) & (view.corners_px < size - 3)).all((1, 2))).any():
            continue
        name = f"{seed}_{number:04d}_{k}"
        truth = {"name": name, "head": f"{seed}_{number:04d}", "group": group}
        truth |= truth_of(head, view, camera, corner, size)
        np.savez(out / f"{name}.npz", rgba=view.rgba, sky=view.sky)
        (out / f"{name}.json").write_text(json.dumps(truth), encoding="utf-8")


def _work(job: tuple[str, int, int, int, int, int, tuple[int, ...], str, float]) -> None:
    import mitsuba as mi

    out, seed, first, last, step, samples, groups, variant, until = job
    mi.set_variant(variant)
    if step > 1:
        import drjit

        drjit.set_thread_count(1)  # the processes share the cores among them
    for number in range(first, last, step):
        if time.time() > until:
            break
        try:
            render_head(Path(out), seed, number, samples, groups)
        except RuntimeError as e:
            print(f"head {number}: {e}", flush=True)


def _roughness(number: int, mild: float, rng: np.random.Generator) -> Array:
    """Noise (N,) against the finder's training, which is rougher than most photos by day; a share is mild."""
    quiet = np.exp(rng.uniform(np.log(0.12), np.log(0.6), number))
    return np.where(rng.random(number) < mild, quiet, 1.0).astype(np.float32)


def compose(folder: Path, out: Path, seed: int, device: str, mild: float) -> None:
    """Skies, clutter, lens, noise, tone and JPEG for all rendered views of a folder: pictures, and truth.json."""
    import torch

    from photoaz.vision.training.data import develop

    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    truths = [json.loads(f.read_text(encoding="utf-8")) for f in sorted(folder.glob("*.json"))]

    def write(truth: dict[str, Any], picture: Array) -> None:
        cv2.imwrite(str(out / f"{truth['name']}.jpg"), picture, [cv2.IMWRITE_JPEG_QUALITY, truth["jpeg_quality"]])

    with ThreadPoolExecutor(12) as pool:
        for size in sorted({t["size_px"] for t in truths}):
            same = [t for t in truths if t["size_px"] == size]
            for k in range(0, len(same), 8):
                some = same[k : k + 8]
                loaded = list(pool.map(lambda t: dict(np.load(folder / f"{t['name']}.npz")), some))
                rgba = torch.from_numpy(np.stack([z["rgba"] for z in loaded])).to(device).permute(0, 3, 1, 2).float()
                sky = torch.from_numpy(np.stack([z["sky"] for z in loaded])).to(device)
                rough = torch.from_numpy(_roughness(len(some), mild, rng)).to(device)[:, None, None, None]
                pictures = (develop(rgba, sky, size, rough) * 255.0).permute(0, 2, 3, 1).cpu().numpy()
                for truth, picture in zip(some, pictures, strict=True):
                    picture, truth["jpeg_quality"] = picture.astype(np.float32), int(rng.integers(80, 94))
                    if rng.random() < 0.12 * (1.0 - mild):  # shaken, out of focus, or taken at dusk
                        picture = cv2.GaussianBlur(picture, (0, 0), float(rng.uniform(0.8, 2.2)))
                        picture = picture + rng.normal(0, rng.uniform(1, 9), picture.shape)
                    write(truth, np.clip(np.round(picture), 0, 255).astype(np.uint8))
    (out / "truth.json").write_text(json.dumps(truths), encoding="utf-8")


def main() -> None:
    """Parse the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--views", type=Path, required=True, help="folder for rendered views")
    parser.add_argument("--heads", type=int, nargs=2, default=(0, 200), help="numbers from, to")
    parser.add_argument("--groups", type=int, nargs="+", default=GROUPS, help="views of a head from each group")
    parser.add_argument("--samples", type=int, default=32, help="a pixel")
    parser.add_argument("--seed", type=int, default=70)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--variant", default="scalar_rgb", help="mitsuba's: scalar_rgb or cuda_ad_rgb")
    parser.add_argument("--mild", type=float, default=0.0, help="share of pictures with little noise")
    parser.add_argument("--device", default="cpu", help="torch's")
    parser.add_argument("--seconds", type=float, default=1e9, help="begin no further head after that many")
    args = parser.parse_args()
    for folder in (args.out, args.views):
        folder.mkdir(parents=True, exist_ok=True)
    start = time.time()
    first, last = args.heads
    shared = args.samples, tuple(args.groups), args.variant, start + args.seconds
    jobs = [(str(args.views), args.seed, first + k, last, args.workers, *shared) for k in range(args.workers)]
    if args.workers == 1:
        _work(jobs[0])
    else:
        with multiprocessing.get_context("spawn").Pool(args.workers) as pool:
            pool.map(_work, jobs, chunksize=1)
    print(f"rendered after {time.time() - start:.0f} s", flush=True)
    compose(args.views, args.out, args.seed + first, args.device, args.mild)
    print(f"done after {time.time() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
