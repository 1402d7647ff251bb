"""Make training scenes: `python -m photoaz.vision.training.scenes --out DIR --heads N --views M --seed S`.

Every head and every view comes from its own seed, so a set can be made in pieces and made again; `--workers` processes
share the graphics card. Files: one .npz a view.
"""

from __future__ import annotations

import argparse
import multiprocessing
import time
from pathlib import Path

import numpy as np


def make_head(out: Path, seed: int, number: int, views: int, samples: int) -> int:
    """Build and render one head; returns the number of views written."""
    from photoaz.vision.training.heads import build
    from photoaz.vision.training.views import Stage

    rng = np.random.default_rng([seed, number])
    stage = Stage(build(rng))
    for k in range(views):
        v = stage.view(np.random.default_rng([seed, number, k]), samples)
        arrays = {name: getattr(v, name) for name in v.__slots__}
        np.savez(out / f"{number:05d}_{k}.npz", **arrays)
    return views


def _work(job: tuple[str, int, int, int, int, int, int, str, float]) -> int:
    import mitsuba as mi

    out, seed, first, workers, heads, views, samples, variant, until = job
    mi.set_variant(variant)
    if workers > 1:
        import drjit

        drjit.set_thread_count(1)  # the processes share the cores among them
    done = 0
    for number in range(first, heads, workers):
        if time.time() > until:
            break
        try:
            done += make_head(Path(out), seed, number, views, samples)
        except RuntimeError as e:
            print(f"head {number}: {e}", flush=True)
        if first == 0:
            print(f"head {number}: {done * workers} views or so", flush=True)
    return done


def main() -> None:
    """Parse the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--heads", type=int, default=600)
    parser.add_argument("--views", type=int, default=6, help="of each head")
    parser.add_argument("--samples", type=int, default=32, help="a pixel")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--variant", default="scalar_rgb", help="mitsuba's: scalar_rgb or cuda_ad_rgb")
    parser.add_argument("--seconds", type=float, default=1e9, help="stop after that many")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    until = time.time() + args.seconds
    jobs = [
        (str(args.out), args.seed, k, args.workers, args.heads, args.views, args.samples, args.variant, until)
        for k in range(args.workers)
    ]
    if args.workers == 1:
        print(f"{_work(jobs[0])} views")
        return
    with multiprocessing.get_context("spawn").Pool(args.workers) as pool:
        print(f"{sum(pool.map(_work, jobs, chunksize=1))} views")


if __name__ == "__main__":
    main()
