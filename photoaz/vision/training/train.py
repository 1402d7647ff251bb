"""Train the finder: `python -m photoaz.vision.training.train --scenes DIR --out FILE.pt [--coarse] --seconds S`.

Rendered views, before skies that are drawn and pieces of real photos (--photos); pieces of those that hold no panel,
the ones oftener in which the network still sees one; and, once asked for, panels marked by eye (--marked). Views
whose head's number ends in 9 are held out: they calibrate the scores and give the figures of the model card.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor

from photoaz.vision.panel_network import CHANNELS
from photoaz.vision.training.backbone import Backbone
from photoaz.vision.training.data import Batch, Scenes, joined, load, make_batch
from photoaz.vision.training.evaluate import evaluate
from photoaz.vision.training.loss import loss
from photoaz.vision.training.network import COARSE, FINE, Network
from photoaz.vision.training.pieces import empty_batch, marked_batch
from photoaz.vision.training.real import MarkedPhoto, Photographs, marked_photos, photographs
from photoaz.vision.training.resume import settle, start_from_export

#: middle width of the panels in training pictures, and the least width that counts, px
WIDTHS = {"fine": (7.0, 64.0, 4.5), "coarse": (1.6, 11.0, 1.2)}
#: the same of the pictures that calibrate and give the figures: the scales at which the finder looks
CHECKED = {"fine": (18.0, 44.0, 4.5), "coarse": WIDTHS["coarse"]}
#: share of a batch that is photos without panels, and photos with marked ones
EMPTY, MARKED = 0.22, 0.14


@dataclass(slots=True)
class Material:
    """All that the network learns from."""

    scenes: Scenes
    photos: Photographs | None
    marked: list[MarkedPhoto]
    rng: np.random.Generator
    empty: float = EMPTY
    before_photos: bool = True
    marked_share: float = MARKED

    def batch(self, number: int, size: int, widths: tuple[float, float]) -> tuple[Batch, Tensor]:
        """A batch, the photos without panels last, and which ones they are."""
        empty = 0 if self.photos is None else round(self.empty * number)
        marked = round(self.marked_share * number) if self.marked else 0
        behind = self.photos if self.before_photos else None
        parts = [make_batch(self.scenes, number - empty - marked, size, widths, behind)]
        if marked:
            parts.append(marked_batch(self.marked, marked, size, widths, self.rng, self.photos))
        which = torch.zeros(0, dtype=torch.long)
        if self.photos is not None and empty:
            which = self.photos.draw(empty)
            parts.append(empty_batch(self.photos, which, size))
        return joined(parts), which


def held_out(file: Path) -> bool:
    """Whether a view belongs to a held-out head."""
    return file.stem.split("_")[0].endswith("9")


def train(net: Network, material: Material, kind: str, args: argparse.Namespace) -> Network:
    """Train a network for about `args.seconds`, with a one-cycle rate; returns the averaged weights."""
    device = material.scenes.rgba.device
    mean = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
    )
    # what has learned from photos already moves less
    learned = list(net.encoder.parameters()) if isinstance(net.encoder, Backbone) else []
    new = [p for p in net.parameters() if not any(p is q for q in learned)]
    groups: list[dict[str, Any]] = [{"params": new, "share": 1.0}, {"params": learned, "share": args.encoder_share}]
    best = torch.optim.AdamW([g for g in groups if g["params"]], lr=1e-3, weight_decay=0.02, betas=(0.9, 0.98))
    low, high, smallest = WIDTHS[kind]
    start, step = time.time(), 0
    parts: dict[str, Tensor] = {}
    while (share := (time.time() - start) / args.seconds) < 1:
        warm = min(1.0, step / 300)
        for group in best.param_groups:
            group["lr"] = group["share"] * args.rate * warm * max(0.5 * (1 + np.cos(np.pi * share)), 0.004)
        with torch.no_grad():
            b, empty = material.batch(args.batch, args.size, (low, high))
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            out = net(b.image.contiguous(memory_format=torch.channels_last))
        total, now = loss(out, b, smallest)
        best.zero_grad(set_to_none=True)
        total.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        best.step()
        if material.photos is not None and len(empty):
            heat = torch.sigmoid(out[-len(empty) :, CHANNELS["heat"]].detach().float()).amax((1, 2))
            material.photos.learn(empty, heat)
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


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenes", type=Path, required=True)
    parser.add_argument("--photos", type=Path, help="folder of real photos without panels")
    parser.add_argument("--more", type=Path, help="a folder of such photos of which none is kept out")
    parser.add_argument("--empty", type=float, default=EMPTY, help="share of pictures that are photos without panels")
    parser.add_argument("--drawn-backgrounds", action="store_true", help="no photos behind rendered views")
    parser.add_argument("--marked", type=Path, help="folder of real photos with labels.json, panels marked by eye")
    parser.add_argument("--marked-share", type=float, default=MARKED, help="share of pictures about marked panels")
    parser.add_argument("--encoder", type=Path, help="state of EfficientNet-Lite0 learned from photos")
    parser.add_argument("--encoder-share", type=float, default=0.4, help="its rate against that of what is new")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--coarse", action="store_true", help="the lighter network that says where to look")
    parser.add_argument("--seconds", type=float, default=600)
    parser.add_argument("--size", type=int, default=448)
    parser.add_argument("--batch", type=int, default=32)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--rate", type=float, default=2.2e-3, help="highest learning rate")
    parser.add_argument("--start", type=Path, default=None, help="a trained file to go on from, or an exported .onnx")
    parser.add_argument("--keep-start", type=Path, help="write the weights as they were before training")
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    return parser.parse_args()


def main() -> None:
    """Parse the command line, train, measure on the views held out, and write the weights."""
    args = _arguments()
    torch.backends.cudnn.benchmark = True
    torch.set_float32_matmul_precision("high")
    torch.manual_seed(args.seed)
    files = sorted(args.scenes.glob("*.npz"))
    start = time.time()
    material = Material(
        load([f for f in files if not held_out(f)], args.device),
        photographs(args.photos, args.device, args.seed, args.more) if args.photos else None,
        marked_photos(args.marked, args.device) if args.marked else [],
        np.random.default_rng(args.seed),
        args.empty,
        not args.drawn_backgrounds,
        args.marked_share,
    )
    views = len(material.scenes.names)
    print(f"{views} views loaded in {time.time() - start:.0f} s", flush=True)
    kind = "coarse" if args.coarse else "fine"
    net = Network(**(COARSE if args.coarse else FINE))
    if isinstance(net.encoder, Backbone) and args.encoder:
        net.encoder.start_from(args.encoder)
    exported = args.start is not None and args.start.suffix == ".onnx"
    if exported:
        start_from_export(net, args.start, (torch.zeros(1, 3, 64, 64),))
    elif args.start is not None:
        net.load_state_dict(torch.load(args.start, map_location="cpu", weights_only=True)["state"])
    net = net.to(args.device).to(memory_format=torch.channels_last)
    if exported:
        settle(net, [(material.batch(args.batch, args.size, WIDTHS[kind][:2])[0].image,) for _ in range(40)])
    if args.keep_start is not None:
        _write(net, kind, {}, args.keep_start)
    net = train(net, material, kind, args)
    _write(net, kind, {}, args.out)
    del material
    checked = load([f for f in files if held_out(f)], args.device)
    figures = evaluate(net, checked, CHECKED[kind], size=args.size, seed=args.seed)
    figures |= {"training_views": views, "held_out_views": len(checked.names)}
    print(json.dumps({k: v for k, v in figures.items() if k != "scores"}, indent=1), flush=True)
    _write(net, kind, figures, args.out)


def _write(net: Network, kind: str, figures: dict[str, Any], path: Path) -> None:
    torch.save({"settings": net.settings, "state": net.state_dict(), "kind": kind, "figures": figures}, path)


if __name__ == "__main__":
    main()
