"""Train the finder: `python -m photoaz.vision.training.train --scenes DIR --out FILE.pt [--coarse] --seconds S`.

Views whose head's number ends in 9 are held out: they calibrate the scores and give the figures of the model card.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from typing import Any

import numpy as np
import torch

from photoaz.vision.training.data import Scenes, load, make_batch
from photoaz.vision.training.evaluate import evaluate
from photoaz.vision.training.loss import loss
from photoaz.vision.training.network import COARSE, FINE, Network

#: middle width of the panels in training pictures, and the least width that counts, px
WIDTHS = {"fine": (8.0, 58.0, 4.5), "coarse": (1.6, 11.0, 1.2)}
#: the same of the pictures that calibrate and give the figures: the scales at which the finder looks
CHECKED = {"fine": (18.0, 44.0, 4.5), "coarse": WIDTHS["coarse"]}


def held_out(file: Path) -> bool:
    """Whether a view belongs to a held-out head."""
    return file.stem.split("_")[0].endswith("9")


def train(
    scenes: Scenes,
    settings: dict[str, Any],
    kind: str,
    *,
    seconds: float,
    size: int,
    batch: int,
    seed: int,
    rate: float,
    start_from: Path | None,
) -> Network:
    """Train one network for about `seconds`, with a one-cycle rate; returns the averaged weights."""
    torch.manual_seed(seed)
    device = scenes.rgba.device
    net = Network(**settings).to(device).to(memory_format=torch.channels_last)
    if start_from is not None:
        net.load_state_dict(torch.load(start_from, map_location=device, weights_only=True)["state"])
    mean = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
    )
    best = torch.optim.AdamW(net.parameters(), lr=1e-3, weight_decay=0.02, betas=(0.9, 0.98))
    low, high, smallest = WIDTHS[kind]
    start, step = time.time(), 0
    parts: dict[str, torch.Tensor] = {}
    while (share := (time.time() - start) / seconds) < 1:
        warm = min(1.0, step / 300)
        now_rate = rate * warm * max(0.5 * (1 + np.cos(np.pi * share)), 0.004)
        for group in best.param_groups:
            group["lr"] = now_rate
        with torch.no_grad():
            b = make_batch(scenes, batch, size, (low, high))
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            out = net(b.image.contiguous(memory_format=torch.channels_last))
        total, now = loss(out, b, smallest)
        best.zero_grad(set_to_none=True)
        total.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        best.step()
        if share > 0.7:  # averaged over the last part only: before that the weights still travel
            mean.update_parameters(net)
        parts = {k: 0.98 * parts.get(k, v) + 0.02 * v for k, v in now.items()}
        step += 1
        if step % 100 == 0:
            said = " ".join(f"{k} {float(v):.3f}" for k, v in parts.items())
            print(f"{kind} {time.time() - start:.0f} s step {step} {said}", flush=True)
    out_net = mean.module
    assert isinstance(out_net, Network)
    return out_net.eval()


def main() -> None:
    """Parse the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenes", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--coarse", action="store_true", help="the lighter network that says where to look")
    parser.add_argument("--seconds", type=float, default=600)
    parser.add_argument("--size", type=int, default=448)
    parser.add_argument("--batch", type=int, default=32)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--rate", type=float, default=2.2e-3, help="highest learning rate")
    parser.add_argument("--start", type=Path, default=None, help="a trained file to go on from")
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    args = parser.parse_args()
    torch.backends.cudnn.benchmark = True
    torch.set_float32_matmul_precision("high")
    files = sorted(args.scenes.glob("*.npz"))
    start = time.time()
    scenes = load([f for f in files if not held_out(f)], args.device)
    print(f"{len(scenes.names)} views loaded in {time.time() - start:.0f} s", flush=True)
    kind = "coarse" if args.coarse else "fine"
    settings = COARSE if args.coarse else FINE
    net = train(
        scenes,
        settings,
        kind,
        seconds=args.seconds,
        size=args.size,
        batch=args.batch,
        seed=args.seed,
        rate=args.rate,
        start_from=args.start,
    )
    views = len(scenes.names)
    torch.save({"settings": net.settings, "state": net.state_dict(), "kind": kind, "figures": {}}, args.out)
    del scenes
    checked = load([f for f in files if held_out(f)], args.device)
    figures = evaluate(net, checked, CHECKED[kind], size=args.size, seed=args.seed)
    figures |= {"training_views": views, "held_out_views": len(checked.names)}
    print(json.dumps(figures, indent=1), flush=True)
    torch.save({"settings": net.settings, "state": net.state_dict(), "kind": kind, "figures": figures}, args.out)


if __name__ == "__main__":
    main()
