"""Training pictures made of real photos: pieces that hold no panel, and pieces about panels marked by eye."""

from __future__ import annotations

import cv2
import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from photoaz.vision.training.data import MAX_PANELS, Array, Batch, develop
from photoaz.vision.training.real import MarkedPhoto, Photographs, width_px

#: share of the pieces about marked panels from which these are cut and set before a photo without panels
CUT_OUT = 0.3
#: how much of its surroundings comes with a panel that is cut out, in widths, and how soft the cut is, px
_BRIM, _SOFT_PX = (0.02, 0.35), 1.2


def _as_radiance(pieces: Tensor) -> Tensor:
    """Pictures (B, 3, S, S) BGR in [0, 1] as `develop` takes them: linear RGB, all of it covered."""
    return torch.cat([pieces[:, [2, 1, 0]] ** 2.2, torch.ones_like(pieces[:, :1])], 1)


def empty_batch(photos: Photographs, index: Tensor, size: int) -> Batch:
    """Pieces of photos (B,) that hold no panel."""
    b, device = len(index), index.device
    pieces = photos.crops(index, size)
    return Batch(
        image=develop(_as_radiance(pieces), torch.ones(b, 3, device=device), size, 0.5),
        corners=torch.full((b, MAX_PANELS, 8, 2), -1e4, device=device),
        facing=torch.zeros(b, MAX_PANELS, device=device),
        yaw=torch.zeros(b, MAX_PANELS, device=device),
        visible=torch.zeros(b, MAX_PANELS, device=device),
        width=torch.ones(b, MAX_PANELS, device=device),
        shows=torch.zeros(b, size // 4, size // 4, dtype=torch.long, device=device),
        whole=torch.zeros(b, dtype=torch.bool, device=device),
        spared=torch.zeros(b, size // 4, size // 4, dtype=torch.bool, device=device),
    )


def marked_batch(
    photos: list[MarkedPhoto],
    number: int,
    size: int,
    widths: tuple[float, float],
    rng: np.random.Generator,
    empty: Photographs | None = None,
) -> Batch:
    """Pieces of photos about a panel that was marked by eye, its width drawn from `widths` px (log-uniform).

    empty: photos without panels; before pieces of these stand a share of the panels, cut out.
    """
    made = [_marked(photos[int(rng.integers(len(photos)))], size, widths, rng) for _ in range(number)]
    pieces = torch.cat([piece for piece, _ in made])
    small = {k: torch.cat([m[k] for _, m in made]) for k in made[0][1]}
    device = pieces.device
    cut: Array = np.flatnonzero(rng.random(number) < (CUT_OUT if empty is not None else 0.0))
    if empty is not None and len(cut):
        behind = empty.crops(empty.draw(len(cut)), size)
        for k, back in zip(cut, behind, strict=True):
            share = _cut_out(small["corners"][k], small["width"][k], size, rng)
            pieces[k] = share * pieces[k] + (1 - share) * back
            small["spared"][k] = False
    return Batch(
        image=develop(_as_radiance(pieces), torch.ones(number, 3, device=device), size, 0.5),
        yaw=torch.zeros(number, MAX_PANELS, device=device),
        shows=torch.zeros(number, size // 4, size // 4, dtype=torch.long, device=device),
        whole=torch.zeros(number, dtype=torch.bool, device=device),
        **small,
    )


def _cut_out(corners: Tensor, width: Tensor, size: int, rng: np.random.Generator) -> Tensor:
    """Share (1, S, S) of panels (P, 8, 2), with a brim of what is round them, in a picture."""
    mask = np.zeros((size, size), np.uint8)
    brim = float(rng.uniform(*_BRIM))
    for outline, wide in zip(corners[:, :4].cpu().numpy(), width.tolist(), strict=True):
        if outline.max() > -1e3:
            hull = cv2.convexHull(outline.astype(np.float32)).round().astype(np.int32)
            cv2.fillPoly(mask, [hull], 255)
            cv2.polylines(mask, [hull], True, 255, 1 + 2 * round(brim * wide))
    soft = cv2.GaussianBlur(mask, (0, 0), _SOFT_PX).astype(np.float32) / 255
    return torch.from_numpy(soft).to(corners.device)[None]


def _marked(
    photo: MarkedPhoto, size: int, widths: tuple[float, float], rng: np.random.Generator
) -> tuple[Tensor, dict[str, Tensor]]:
    """A piece (1, 3, S, S) of a marked photo, and what is known of it."""
    device, n = photo.image.device, min(len(photo.outlines), MAX_PANELS)
    long = torch.linalg.norm(photo.outlines[:, 0] - photo.outlines[:, 3], dim=-1)
    wide = torch.maximum(width_px(photo.outlines), 0.14 * long)
    which = int(rng.integers(n))
    scale = float(np.exp(rng.uniform(*np.log(widths))) / wide[which])
    scale = min(scale, 2.0)
    source = photo.image[None].float() / 255
    for _ in range(max(int(np.floor(np.log2(1 / scale) + 0.4)), 0)):
        source = functional.avg_pool2d(source, 2, ceil_mode=False)
    shift = torch.tensor(rng.uniform(-0.35, 0.35, 2) * size / scale, dtype=torch.float32, device=device)
    middle = photo.outlines[which].mean(0) + shift
    turn, flip = np.radians(rng.uniform(-6, 6)), 1.0 if rng.random() < 0.5 else -1.0
    back = (
        torch.tensor(
            [[np.cos(turn) * flip, -np.sin(turn)], [np.sin(turn) * flip, np.cos(turn)]],
            dtype=torch.float32,
            device=device,
        )
        / scale
    )
    t = torch.arange(size, device=device, dtype=torch.float32) - (size - 1) / 2
    spot = torch.stack(torch.meshgrid(t, t, indexing="xy"), -1) @ back.T + middle
    h, w = photo.image.shape[1:]
    grid = (spot + 0.5) * 2 / torch.tensor([w, h], device=device) - 1
    piece = functional.grid_sample(source, grid[None], mode="bilinear", padding_mode="border", align_corners=False)
    outline = (photo.outlines[:n] - middle) @ torch.linalg.inv(back).T + (size - 1) / 2
    if flip < 0:
        outline = outline[:, [1, 0, 3, 2]]
    corners = torch.full((1, MAX_PANELS, 8, 2), -1e4, device=device)
    corners[0, :n] = torch.cat([outline, outline], 1)
    cells = spot.reshape(size // 4, 4, size // 4, 4, 2).mean((1, 3))
    spared = torch.zeros(size // 4, size // 4, dtype=torch.bool, device=device)
    for x0, y0, x1, y1 in photo.ignored.tolist():
        x, y = cells[..., 0], cells[..., 1]
        spared |= (x >= x0) & (x <= x1) & (y >= y0) & (y <= y1)
    facing, visible = torch.zeros(1, MAX_PANELS, device=device), torch.zeros(1, MAX_PANELS, device=device)
    width = torch.ones(1, MAX_PANELS, device=device)
    inside = ((outline > 0) & (outline < size - 1)).all(-1).float().mean(1)
    facing[0, :n] = 0.5 * photo.front[:n]
    visible[0, :n] = torch.where(photo.hidden[:n], 0.6, 1.0) * inside
    width[0, :n] = wide[:n] * scale
    return piece, {"corners": corners, "facing": facing, "visible": visible, "width": width, "spared": spared[None]}
