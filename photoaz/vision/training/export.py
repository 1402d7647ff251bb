"""Export a trained network: `python -m photoaz.vision.training.export FILE.pt [--average OTHER.pt] [--out FOLDER]`.

Writes fine.onnx or coarse.onnx with its .json (calibration, figures) and checks that OpenCV gives what PyTorch gave.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import cv2
import numpy as np
import torch

from photoaz.vision.training.network import Network

OPSET = 17
REFERENCE_SEED = 20


def export(file: Path, folder: Path, average: Path | None = None) -> float:
    """Write the ONNX and JSON; returns the largest difference between the two programs' outputs.

    average: weights of the same network from before its last training; the mean of both is written (Wortsman et al.
    2022, Robust fine-tuning of zero-shot models, from memory). The figures stay those of `file`.
    """
    said = torch.load(file, map_location="cpu", weights_only=True)
    if average is not None:
        before = torch.load(average, map_location="cpu", weights_only=True)["state"]
        for name, value in said["state"].items():
            if value.is_floating_point():
                said["state"][name] = 0.5 * (value + before[name])
    net = Network(**said["settings"])
    net.load_state_dict(said["state"])
    net.eval()
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{said['kind']}.onnx"
    torch.onnx.export(
        net,
        (torch.zeros(1, 3, 256, 320),),
        str(path),
        input_names=["picture"],
        output_names=["cells"],
        opset_version=OPSET,
        dynamic_axes={"picture": {2: "h", 3: "w"}, "cells": {2: "h4", 3: "w4"}},
        dynamo=False,
    )
    figures = {k: v for k, v in said["figures"].items() if k != "scores"} | {"reference": reference(net)}
    (folder / f"{said['kind']}.json").write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")
    worst = 0.0
    seen = cv2.dnn.readNetFromONNX(str(path))
    for shape in ((256, 320), (480, 352)):
        x = np.random.default_rng(1).random((1, 3, *shape), dtype=np.float32)
        seen.setInput(x)
        with torch.no_grad():
            worst = max(worst, float(np.abs(seen.forward() - net(torch.from_numpy(x)).numpy()).max()))
    return worst


def reference(net: Network) -> dict[str, object]:
    """A few of the network's outputs as PyTorch gives them, on a picture that anybody can make again."""
    shape = (64, 96)
    x = np.random.default_rng(REFERENCE_SEED).random((1, 3, *shape), dtype=np.float32)
    with torch.no_grad():
        out = net(torch.from_numpy(x))[0].numpy()
    cells = [(c, j, i) for c in range(0, out.shape[0], 3) for j, i in ((2, 3), (8, 12), (13, 20))]
    return {
        "seed": REFERENCE_SEED,
        "shape": list(shape),
        "values": [[*cell, float(out[cell])] for cell in cells],
    }


def main() -> None:
    """Parse the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("file", type=Path)
    parser.add_argument("--out", type=Path, default=Path(__file__).resolve().parents[1] / "weights")
    parser.add_argument("--average", type=Path, help="weights from before the last training, to be averaged with")
    args = parser.parse_args()
    worst = export(args.file, args.out, args.average)
    print(f"largest difference between OpenCV and PyTorch: {worst:.2g}")


if __name__ == "__main__":
    main()
