"""Real photos on the graphics card: backgrounds of rendered heads, photos without panels, panels marked by eye."""

from __future__ import annotations

import json
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

#: share of a photo's chance to be drawn again that does not depend on what the network still takes for a panel in it
_EVEN = 0.15
#: words in a mark's note that say that part of the panel cannot be seen
HIDDEN = ("hidden", "behind", "cut by", "mixed", "across", "in front", "twigs")


@dataclass(slots=True)
class Photographs:
    """Photos without panels, each (3, H, W) uint8 BGR; doubt (N,): how sure the network was of a panel in each."""

    images: list[Tensor]
    doubt: Tensor
    rng: np.random.Generator

    def draw(self, number: int) -> Tensor:
        """Indices (number,) of photos, those oftener in which the network still sees panels."""
        return torch.multinomial(self.doubt + _EVEN, number, replacement=True)

    def crops(self, index: Tensor, size: int) -> Tensor:
        """Pieces (B, 3, size, size) of photos in [0, 1], BGR, each at a place and scale of its own, half mirrored."""
        out = []
        for i in index.tolist():
            image = self.images[i]
            h, w = image.shape[1:]
            side = min(int(size * np.exp(self.rng.uniform(np.log(0.7), np.log(3.0)))), h, w)
            y, x = self.rng.integers(h - side + 1), self.rng.integers(w - side + 1)
            piece = image[None, :, y : y + side, x : x + side].float() / 255
            piece = functional.interpolate(piece, (size, size), mode="bilinear", antialias=side > size)
            out.append(piece.flip(3) if self.rng.random() < 0.5 else piece)
        return torch.cat(out)

    def learn(self, index: Tensor, sure: Tensor) -> None:
        """Note how sure the network was of a panel in photos (B,), which hold none."""
        self.doubt[index] = 0.6 * self.doubt[index] + 0.4 * sure


def kept_out(name: str) -> bool:
    """Whether a real photo is kept out of training: one in three, by its name; they say what scores are worth.

    Names are SOURCE_SITE.jpg: photos whose sites begin alike, as those of one site do, are kept together.
    """
    return zlib.crc32(Path(name).stem.split("_", 1)[-1][:6].encode()) % 3 == 0


def photographs(folder: Path, device: str, seed: int, more: Path | None = None) -> Photographs:
    """The photos of a folder that are not kept out of training, and all of another one."""
    files = [f for f in sorted(folder.glob("*.jpg")) if not kept_out(f.name)]
    files += sorted(more.glob("*.jpg")) if more is not None else []
    images = [torch.from_numpy(cv2.imread(str(f))).permute(2, 0, 1).to(device) for f in files]
    return Photographs(images, torch.full((len(images),), 0.5, device=device), np.random.default_rng(seed))


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkedPhoto:
    """A photo in which every panel was marked by eye.

    image (3, H, W) uint8 BGR; smaller: the same, halved again and again. outlines (P, 4, 2): clockwise from the upper
    left, pixels. front (P,): 1 for the front, -1 for the rear, 0 where neither is seen. hidden (P,): whether part of it
    cannot be seen. ignored (K, 4): x0, y0, x1, y1 of parts in which nothing counts.
    """

    name: str
    image: Tensor
    smaller: tuple[Tensor, ...]
    outlines: Tensor
    front: Tensor
    hidden: Tensor
    ignored: Tensor


def marked_photos(folder: Path, device: str) -> list[MarkedPhoto]:
    """The photos of folder/photos whose panels folder/labels.json marks, without those kept out of training."""
    side = {"front": 1.0, "oblique": 1.0, "rear": -1.0}
    out = []
    for entry in json.loads((folder / "labels.json").read_text(encoding="utf-8")):
        image = cv2.imread(str(folder / "photos" / entry["photo"]))
        if image is None or not entry["panels"] or kept_out(entry["photo"]):
            continue
        panels: list[dict[str, Any]] = entry["panels"]
        whole = torch.from_numpy(image).permute(2, 0, 1).to(device)
        out.append(
            MarkedPhoto(
                name=entry["photo"],
                image=whole,
                smaller=_halved(whole),
                outlines=torch.tensor([p["corners"] for p in panels], dtype=torch.float32, device=device),
                front=torch.tensor([side.get(p["view"], 0.0) for p in panels], device=device),
                hidden=torch.tensor([any(s in p["note"] for s in HIDDEN) for p in panels], device=device),
                ignored=torch.tensor(entry["ignore"], dtype=torch.float32, device=device).reshape(-1, 4),
            )
        )
    return out


def _halved(image: Tensor) -> tuple[Tensor, ...]:
    """A picture (3, H, W) uint8 at a half, a quarter and so on of its size, as long as 16 px are left."""
    out = []
    now = image[None].float()
    while min(now.shape[2:]) >= 32:
        now = functional.avg_pool2d(now, 2, ceil_mode=False)
        out.append(now[0].round().to(torch.uint8))
    return tuple(out)


def width_px(outline: Tensor) -> Tensor:
    """Mean length of the upper and the lower edge of outlines (..., 4, 2)."""
    upper = torch.linalg.norm(outline[..., 1, :] - outline[..., 0, :], dim=-1)
    lower = torch.linalg.norm(outline[..., 2, :] - outline[..., 3, :], dim=-1)
    return 0.5 * (upper + lower)
