"""Make the sample photos and their tables again.

`python make.py tables` writes register.csv, controls.csv, picks_by_hand.csv and truth.json (needs pvlib and mitsuba);
`python make.py photos` renders, develops and writes the photos (needs mitsuba and OpenCV, no network).
Both give the same result every time, up to the renderer's variant.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import exif
import numpy as np
import place
import tables
from develop import develop, through_lens
from PIL import Image
from rendering import Stage, build_meshes, choose, visible_fractions

HERE = Path(__file__).resolve().parent.parent


def make_tables(out: Path, variant: str) -> None:
    """Write the tables; the renderer is only asked what hides what."""
    choose(variant)
    cameras = [tables.camera_of(shot) for shot in place.SHOTS]
    with tempfile.TemporaryDirectory() as folder:
        panels = build_meshes(Path(folder), cameras)
        stage = Stage(Path(folder))
        seen = [visible_fractions(stage, camera, panels) for camera in cameras]
    tables.write_all(out, panels, cameras, seen)


def make_photos(out: Path, variant: str, samples: int, only: list[int], quality: int, crop: list[int] | None) -> None:
    """Render, develop and write photos. crop: x, y, width, height of the render, for trials (written as PNG)."""
    choose(variant)
    cameras = [tables.camera_of(shot) for shot in place.SHOTS]
    with tempfile.TemporaryDirectory() as folder:
        build_meshes(Path(folder), cameras)
        stage = Stage(Path(folder))
        for number, (shot, camera) in enumerate(zip(place.SHOTS, cameras, strict=True), 1):
            if only and number not in only:
                continue
            start = time.perf_counter()
            rng = np.random.default_rng([place.SEED, number])
            sun = tables.sun_of(shot)
            radiance = stage.render(camera, sun, number, samples, crop)
            rendered = time.perf_counter()
            if crop is not None:
                image = develop(radiance, camera, shot.lens, place.GAIN[number - 1], rng)
                Image.fromarray(image).save(out / f"crop_{number}.png")
                continue
            image = develop(through_lens(radiance, camera), camera, shot.lens, place.GAIN[number - 1], rng)
            if shot.orientation == 6:  # shown = stored turned clockwise by a quarter
                image = np.rot90(image)
            Image.fromarray(image).save(
                out / shot.file, quality=quality, subsampling="4:2:0", exif=exif.build(shot, camera), optimize=True
            )
            took = time.perf_counter()
            print(f"{shot.file}: rendered in {rendered - start:.1f} s, developed in {took - rendered:.1f} s")


def main() -> None:
    """Parse the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=["tables", "photos"])
    parser.add_argument("--out", type=Path, default=HERE)
    parser.add_argument("--variant", default="scalar_rgb", help="mitsuba's: scalar_rgb or cuda_ad_rgb")
    parser.add_argument("--samples", type=int, default=48, help="a pixel")
    parser.add_argument("--only", type=int, nargs="*", default=[], help="numbers of photos")
    parser.add_argument("--quality", type=int, default=90)
    parser.add_argument("--crop", type=int, nargs=4, default=None, metavar=("X", "Y", "W", "H"))
    args = parser.parse_args()
    if args.what == "tables":
        make_tables(args.out, args.variant)
    else:
        make_photos(args.out, args.variant, args.samples, args.only, args.quality, args.crop)


if __name__ == "__main__":
    main()
