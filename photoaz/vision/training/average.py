"""Mean of several trainings of one network: `python -m photoaz.vision.training.average A.pt B.pt --shares 2 1 ...`.

Weights are averaged (Wortsman et al. 2022, Robust fine-tuning of zero-shot models, from memory); what each norm sees
is measured anew on training pictures: the mean of two networks' statistics is not that of the mean network, whose
scores and corners were much worse with it.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import torch
from torch import nn

from photoaz.vision.training.data import load
from photoaz.vision.training.network import Network
from photoaz.vision.training.real import marked_photos, photographs
from photoaz.vision.training.train import WIDTHS, Material


def mean_state(states: list[dict[str, torch.Tensor]], shares: list[float]) -> dict[str, torch.Tensor]:
    """Mean of several states of one network, weighted; what is no floating point number is the first one's."""
    whole = sum(shares)
    return {
        name: sum((s / whole * state[name] for s, state in zip(shares, states, strict=True)), torch.zeros_like(value))
        if value.is_floating_point()
        else value
        for name, value in states[0].items()
    }


def main() -> None:
    """Parse the command line, average, measure the norms, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("files", type=Path, nargs="+")
    parser.add_argument("--shares", type=float, nargs="+", required=True)
    parser.add_argument("--scenes", type=Path, required=True)
    parser.add_argument("--photos", type=Path, required=True)
    parser.add_argument("--more", type=Path)
    parser.add_argument("--marked", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--batches", type=int, default=14)
    parser.add_argument("--size", type=int, default=320)
    parser.add_argument("--seed", type=int, default=5)
    args = parser.parse_args()
    said = [torch.load(f, map_location="cpu", weights_only=True) for f in args.files]
    net = Network(**said[0]["settings"])
    torch.manual_seed(args.seed)
    material = Material(
        load(sorted(args.scenes.glob("*.npz")), "cpu"),
        photographs(args.photos, "cpu", args.seed, args.more),
        marked_photos(args.marked, "cpu"),
        np.random.default_rng(args.seed),
        marked_share=0.2,
    )
    net.load_state_dict(mean_state([s["state"] for s in said], args.shares))
    for module in net.modules():
        if isinstance(module, nn.BatchNorm2d):
            module.reset_running_stats()
            module.momentum = None  # the plain mean of all batches
    net.train()
    with torch.no_grad():
        for _ in range(args.batches):
            net(material.batch(16, args.size, WIDTHS[said[0]["kind"]][:2])[0].image)
    torch.save({**said[0], "state": net.state_dict()}, args.out)


if __name__ == "__main__":
    main()
