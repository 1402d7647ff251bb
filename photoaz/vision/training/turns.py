"""The network that says how a found panel is turned: `python -m photoaz.vision.training.turns crops|train ...`.

`crops` looks at the pictures of `outline_pictures` with the finder and keeps each panel that it finds, upright and of
one size, with what would be known of it; `train` learns from such files and writes turn.onnx with turn.json. Heads
whose number ends in 9 are held out: they calibrate the density and give the figures of the model card.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn import functional

from photoaz.angles import wrap_rad
from photoaz.vision.measure import reach_px, turn_facts
from photoaz.vision.training.outlines import Scene, expectations_of, found_in, matched
from photoaz.vision.training.resume import settle, start_from_export
from photoaz.vision.turn import BINS, COLUMNS, N_FACTS, ROWS, SINE_OF_YAW, TurnDensity, picture_of

Array = NDArray[np.float64]

#: pictures are kept this much larger, so that they can be moved about in training
MARGIN = 1.2
#: the truth is told smeared by this much
SMEAR_RAD = float(np.radians(3.0))
OPSET = 17


def crops_of(scene: Scene, seed: int) -> dict[str, list[Any]]:
    """All panels that the finder sees in a picture: what the network is shown, told, and should say."""
    number = [int(v) for v in scene.truth["name"].split("_")]
    rng, head_rng = np.random.default_rng([seed, *number]), np.random.default_rng([seed, *number[:2]])
    found = found_in(scene, rng)
    match = matched(scene, found)
    _, expected = expectations_of(scene, {k: found[c].corners_px for k, c in match.items()}, head_rng, rng)
    out: dict[str, list[Any]] = {k: [] for k in ("picture", "facts", "yaw", "visible", "head", "finder", "wide")}
    for k, c in sorted(match.items()):
        e, panel = expected[k], scene.truth["panels"][k]
        facts = turn_facts(found[c], e)
        out["picture"].append(picture_of(scene.image, found[c].corners_px, reach_px(found[c]), MARGIN))
        out["facts"].append(facts)
        out["yaw"].append(np.radians(panel["yaw_deg"]))
        out["visible"].append(panel["visible"])
        out["head"].append(scene.truth["head"])
        out["finder"].append(found[c].yaw_rad)
        out["wide"].append(30.0 * np.exp(facts[0]))
    return out


@dataclass(slots=True)
class Crops:
    """N panels: pictures (N, 3, H, W) uint8, facts (N, N_FACTS), true yaws, the finder's [rad], visible, wide (N,)."""

    picture: Tensor
    facts: Tensor
    yaw: Tensor
    finder: Array
    visible: Array
    wide: Array

    @classmethod
    def read(cls, files: list[Path], device: str, *, held_out: bool) -> Crops:
        """Those of the heads that are held out, or all others."""
        parts = []
        for file in files:
            with np.load(file) as z:
                mine = np.array([str(h).endswith("9") == held_out for h in z["head"]], bool)
                parts.append({k: z[k][mine] for k in z.files if k != "head" and len(mine)})
        parts = [p for p in parts if p and len(p["yaw"])]
        all_of = {k: np.concatenate([p[k] for p in parts]) for k in parts[0]}
        return cls(
            torch.from_numpy(all_of["picture"]).permute(0, 3, 1, 2).contiguous().to(device),
            torch.from_numpy(all_of["facts"].astype(np.float32)).to(device),
            torch.from_numpy(all_of["yaw"].astype(np.float32)).to(device),
            all_of["finder"],
            all_of["visible"],
            all_of["wide"],
        )


def _conv(cin: int, cout: int, kernel: int, stride: int | tuple[int, int], act: bool = True) -> nn.Sequential:
    layers: list[nn.Module] = [nn.Conv2d(cin, cout, kernel, stride, kernel // 2, bias=False), nn.BatchNorm2d(cout)]
    return nn.Sequential(*layers, *([nn.ReLU(inplace=True)] if act else []))


class _Block(nn.Module):
    def __init__(self, c: int) -> None:
        super().__init__()
        self.body = nn.Sequential(_conv(c, c, 3, 1), _conv(c, c, 3, 1, act=False))

    def forward(self, x: Tensor) -> Tensor:
        return functional.relu(x + self.body(x))


class TurnNetwork(nn.Module):
    """Pictures (N, 3, ROWS, COLUMNS) of zero mean and unit spread, facts (N, N_FACTS) -> scores (N, BINS)."""

    def __init__(self, drop: float = 0.3) -> None:
        super().__init__()
        self.look = nn.Sequential(
            _conv(3, 20, 5, (2, 1)),
            _conv(20, 32, 3, 2),
            _Block(32),
            _conv(32, 64, 3, 2),
            _Block(64),
            _conv(64, 96, 3, 2),
            _Block(96),
            _conv(96, 24, 1, 1),
        )
        self.told = nn.Sequential(
            nn.Linear(N_FACTS, 48), nn.ReLU(inplace=True), nn.Linear(48, 48), nn.ReLU(inplace=True)
        )
        self.say = nn.Sequential(
            nn.Dropout(drop),
            nn.Linear(24 * (ROWS // 16) * (COLUMNS // 8) + 48, 160),
            nn.ReLU(inplace=True),
            nn.Dropout(drop),
            nn.Linear(160, BINS),
        )

    def forward(self, picture: Tensor, facts: Tensor) -> Tensor:
        seen = self.look(picture).flatten(1)
        out: Tensor = self.say(torch.cat([seen, self.told(facts)], 1))
        return out


def evened(picture: Tensor) -> Tensor:
    """Pictures (N, 3, H, W) with zero mean and unit spread each."""
    mean = picture.mean((1, 2, 3), keepdim=True)
    out: Tensor = (picture - mean) / (picture.std((1, 2, 3), keepdim=True, unbiased=False) + 1e-3)
    return out


def as_seen(crops: Crops, which: Tensor) -> tuple[Tensor, Tensor]:
    """The pictures and facts of some panels (N,) as they are."""
    h, w = crops.picture.shape[2:]
    top, left = (h - ROWS) // 2, (w - COLUMNS) // 2
    picture = crops.picture[which, :, top : top + ROWS, left : left + COLUMNS].float() / 255.0
    return evened(picture), crops.facts[which]


def varied(crops: Crops, which: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Pictures, facts and yaws of some panels (N,): moved, mirrored, in other light, partly covered."""
    device, n = crops.picture.device, len(which)
    picture = crops.picture[which].float() / 255.0
    yaw, facts = crops.yaw[which].clone(), crops.facts[which].clone()
    flip = torch.where(torch.rand(n, device=device) < 0.5, -1.0, 1.0)
    turn = 0.025 * torch.randn(n, device=device)
    grow = torch.exp(0.05 * torch.randn(n, 2, device=device)) / MARGIN
    # columns are fewer than rows: a turn in pixels is none in the grid's units
    ratio = ROWS / COLUMNS
    grid = torch.zeros(n, 2, 3, device=device)
    grid[:, 0, 0], grid[:, 0, 1] = flip * grow[:, 0], turn * ratio * grow[:, 0]
    grid[:, 1, 0], grid[:, 1, 1] = -turn / ratio * grow[:, 1] * flip, grow[:, 1]
    grid[:, :, 2] = 0.05 * torch.randn(n, 2, device=device)
    where = functional.affine_grid(grid, [n, 3, ROWS, COLUMNS], align_corners=False)
    picture = functional.grid_sample(picture, where, padding_mode="border", align_corners=False)
    yaw, facts[:, SINE_OF_YAW] = yaw * flip, facts[:, SINE_OF_YAW] * flip
    # light, colour, noise, blur
    picture = picture.clamp_min(1e-4) ** torch.exp(0.25 * torch.randn(n, 1, 1, 1, device=device))
    picture = picture * torch.exp(0.08 * torch.randn(n, 3, 1, 1, device=device))
    soft = functional.avg_pool2d(functional.pad(picture, (1, 1, 1, 1), mode="replicate"), 3, 1)
    share = torch.rand(n, 1, 1, 1, device=device) * (torch.rand(n, 1, 1, 1, device=device) < 0.4)
    picture = picture + share * (soft - picture)
    level = torch.exp(-3.5 + 0.9 * torch.randn(n, 1, 1, 1, device=device)).clamp_max(0.12)
    picture = picture + level * torch.randn_like(picture)
    grey = (torch.rand(n, 1, 1, 1, device=device) < 0.2).float()
    picture = picture + grey * (picture.mean(1, keepdim=True) - picture)
    # something stands before it
    y = torch.linspace(0, 1, ROWS, device=device)[None, None, :, None]
    x = torch.linspace(0, 1, COLUMNS, device=device)[None, None, None, :]
    for _ in range(2):
        at = torch.rand(n, 4, 1, 1, 1, device=device)
        over = ((x - at[:, 0]).abs() < 0.2 * at[:, 2]) & ((y - at[:, 1]).abs() < 0.2 * at[:, 3])
        over = over & (torch.rand(n, 1, 1, 1, device=device) < 0.15)
        picture = torch.where(over, torch.rand(n, 3, 1, 1, device=device), picture)
    # what is told: sizes and the finder's word are sometimes farther off than here
    facts[:, 4:10] += 0.03 * torch.randn(n, 6, device=device)
    silent = torch.rand(n, 1, device=device) < 0.15
    facts[:, 11:14] = torch.where(silent, torch.zeros_like(facts[:, 11:14]), facts[:, 11:14])
    return evened(picture), facts, yaw


def wanted(yaw: Tensor) -> Tensor:
    """The truth (N,) as shares of the bins (N, BINS)."""
    middles = torch.arange(BINS, device=yaw.device) * (2 * np.pi / BINS) - np.pi
    off = torch.remainder(yaw[:, None] - middles + np.pi, 2 * np.pi) - np.pi
    smear = float(np.hypot(SMEAR_RAD, 2 * np.pi / BINS / np.sqrt(12.0)))
    return torch.softmax(-0.5 * (off / smear) ** 2, 1)


def resumed(file: Path, crops: Crops, batch: int) -> TurnNetwork:
    """A network that says what an exported one says, its norms at what they see of such panels."""
    net = TurnNetwork()
    start_from_export(net, file, (torch.zeros(1, 3, ROWS, COLUMNS), torch.zeros(1, N_FACTS)))
    net = net.to(crops.picture.device)
    settle(net, [varied(crops, some_of(crops, batch))[:2] for _ in range(40)])
    return net


def some_of(crops: Crops, batch: int) -> Tensor:
    """Numbers of so many panels, at random."""
    return torch.randint(len(crops.yaw), (batch,), device=crops.yaw.device)


def train(net: TurnNetwork, crops: Crops, seconds: float, rate: float, batch: int) -> TurnNetwork:
    """Train for about so many seconds, with a one-cycle rate; returns the averaged weights."""
    device = crops.picture.device
    net = net.to(device).train()
    mean = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
    )
    best = torch.optim.AdamW(net.parameters(), lr=rate, weight_decay=0.05)
    start, step, shown = time.time(), 0, 0.0
    while (share := (time.time() - start) / seconds) < 1:
        for group in best.param_groups:
            group["lr"] = rate * min(1.0, step / 200) * max(0.5 * (1 + np.cos(np.pi * share)), 0.003)
        picture, facts, yaw = varied(crops, some_of(crops, batch))
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            out = net(picture, facts)
        value = -(wanted(yaw) * functional.log_softmax(out.float(), 1)).sum(1).mean()
        best.zero_grad(set_to_none=True)
        value.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        best.step()
        mean.update_parameters(net)
        step += 1
        if step % 200 == 0:
            shown = float(value)
            print(f"{time.time() - start:.0f} s step {step} {shown:.3f}", flush=True)
    out_net = mean.module
    assert isinstance(out_net, TurnNetwork)
    return out_net.eval().float()


def scores(net: TurnNetwork, crops: Crops) -> Tensor:
    """Scores (N, BINS) of all panels as they are, with their mirror images as `turn.scores_of` has them."""
    out = []
    with torch.no_grad():
        for k in range(0, len(crops.yaw), 512):
            picture, facts = as_seen(crops, torch.arange(k, min(k + 512, len(crops.yaw)), device=crops.yaw.device))
            turned = facts.clone()
            turned[:, SINE_OF_YAW] *= -1.0
            mirrored = net(picture.flip(3), turned)[:, -torch.arange(BINS, device=facts.device)]
            out.append(0.5 * (net(picture, facts) + mirrored))
    return torch.cat(out)


def softened(said: Tensor, yaw: Tensor) -> tuple[float, float]:
    """The factor of the scores (N, BINS) and the share of all turns alike under which the truth is likeliest."""
    at = torch.remainder(torch.round((yaw / (2 * np.pi) + 0.5) * BINS).long(), BINS)[:, None]
    best = (-np.inf, 1.0, 0.01)
    for factor in np.arange(0.4, 1.5, 0.02):
        p = torch.softmax(factor * said, 1).gather(1, at)[:, 0]
        for even in (0.003, 0.01, 0.02, 0.03, 0.05, 0.08, 0.12):
            value = float(torch.log((1 - even) * p + even / BINS).mean())
            best = max(best, (value, float(factor), even))
    return best[1], best[2]


def figures(said: Tensor, crops: Crops, factor: float, even: float) -> dict[str, Any]:
    """How far the likeliest turn is off, the network's and the finder's; whether its probabilities are true."""
    p = (1 - even) * torch.softmax(factor * said, 1) + even / BINS
    p_np, yaw = p.cpu().numpy(), crops.yaw.cpu().numpy()
    middles = np.arange(BINS) * (2 * np.pi / BINS) - np.pi
    likeliest = np.array([TurnDensity(np.log(p * BINS)).best_rad for p in p_np])
    error = np.degrees(np.abs(wrap_rad(likeliest - yaw)))
    finder = np.degrees(np.abs(wrap_rad(crops.finder - yaw)))
    own = np.argmin(np.abs(wrap_rad(middles[None] - yaw[:, None])), 1)
    ln = np.log(p_np[np.arange(len(yaw)), own] * BINS)
    out: dict[str, Any] = {"factor": factor, "even": even, "n": len(yaw), "ln_against_even": float(ln.mean())}
    for name, low, high in (
        ("all", 0, 999),
        ("below 16 px", 0, 16),
        ("to 24", 16, 24),
        ("to 40", 24, 40),
        ("above", 40, 999),
    ):
        m = (crops.wide >= low) & (crops.wide < high)
        if m.any():
            out[name] = [
                int(m.sum()),
                *(round(float(v), 2) for v in np.percentile(error[m], (50, 80, 90))),
                *(round(float(v), 2) for v in np.percentile(finder[m], (50, 80, 90))),
                round(float(ln[m].mean()), 3),
            ]
    # share of the density that is at least as high as at the truth: evenly distributed where it is true
    order = -np.sort(-p_np, 1)
    within = np.cumsum(order, 1)
    rank = (p_np > p_np[np.arange(len(yaw)), own][:, None]).sum(1)
    level = within[np.arange(len(yaw)), rank]
    out["within"] = {str(q): round(float((level <= q + 1e-9).mean()), 3) for q in (0.5, 0.8, 0.9, 0.95)}
    return out


def export(net: TurnNetwork, said: dict[str, Any], folder: Path) -> float:
    """Write turn.onnx and turn.json; returns the largest difference between OpenCV's and PyTorch's scores."""
    net = net.cpu().eval()
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(1)
    x = rng.normal(0, 1, (2, 3, ROWS, COLUMNS)).astype(np.float32)
    f = rng.normal(0, 1, (2, N_FACTS)).astype(np.float32)
    torch.onnx.export(
        net,
        (torch.from_numpy(x), torch.from_numpy(f)),
        str(folder / "turn.onnx"),
        input_names=["picture", "facts"],
        output_names=["scores"],
        opset_version=OPSET,
        dynamic_axes={"picture": {0: "n"}, "facts": {0: "n"}, "scores": {0: "n"}},
        dynamo=False,
    )
    with torch.no_grad():
        true = net(torch.from_numpy(x), torch.from_numpy(f)).numpy()
    said = said | {"reference": {"seed": 1, "scores": [round(float(v), 4) for v in true[0, ::12]]}}
    (folder / "turn.json").write_text(json.dumps(said, indent=1) + "\n", encoding="utf-8")
    seen = cv2.dnn.readNetFromONNX(str(folder / "turn.onnx"))
    seen.setInput(x, "picture")
    seen.setInput(f, "facts")
    return float(np.abs(seen.forward() - true).max())


def main() -> None:
    """Parse the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    sub = parser.add_subparsers(dest="what", required=True)
    one = sub.add_parser("crops")
    one.add_argument("--pictures", type=Path, required=True)
    one.add_argument("--out", type=Path, required=True)
    one.add_argument("--seed", type=int, default=1)
    one.add_argument("--part", type=int, nargs=2, default=(0, 1), help="of so many parts, this one first")
    two = sub.add_parser("train")
    two.add_argument("files", type=Path, nargs="+")
    two.add_argument("--out", type=Path, default=Path(__file__).resolve().parents[1] / "weights")
    two.add_argument("--seconds", type=float, default=90)
    two.add_argument("--resume", type=Path, help="exported weights to go on from, with a lower rate")
    two.add_argument("--rate", type=float, default=2e-3)
    two.add_argument("--batch", type=int, default=512)
    two.add_argument("--seed", type=int, default=1)
    two.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    args = parser.parse_args()
    if args.what == "crops":
        truths = json.loads((args.pictures / "truth.json").read_text(encoding="utf-8"))
        every: dict[str, list[Any]] = {}
        for truth in truths[args.part[0] :: args.part[1]]:
            for name, values in crops_of(Scene.read(args.pictures, truth), args.seed).items():
                every.setdefault(name, []).extend(values)
        arrays: dict[str, Any] = {k: np.array(v) for k, v in every.items()}
        np.savez(args.out, **arrays)
        return
    torch.manual_seed(args.seed)
    learned = Crops.read(args.files, args.device, held_out=False)
    print(f"{len(learned.yaw)} panels", flush=True)
    net = resumed(args.resume, learned, args.batch) if args.resume else TurnNetwork()
    net = train(net, learned, args.seconds, args.rate, args.batch)
    kept = Crops.read(args.files, args.device, held_out=True)
    said = scores(net, kept)
    calibrated = figures(said, kept, *softened(said, kept.yaw))
    print(json.dumps(calibrated, indent=1), flush=True)
    print(
        json.dumps(figures(scores(net, learned), learned, float(calibrated["factor"]), float(calibrated["even"]))),
        flush=True,
    )
    print(f"largest difference between OpenCV and PyTorch: {export(net, calibrated, args.out):.2g}")


if __name__ == "__main__":
    main()
