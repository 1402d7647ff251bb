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
CUT_OUT = 0.45
#: share of those behind which a pole is drawn, and how wide it is, panel widths
_POLE, _POLE_WIDE = 0.4, (0.12, 0.5)
#: how much taller against its width a panel is made, at least and at most, and the proportions that this may lead to
_STRETCH, _TALLEST, _FLATTEST = (0.8, 2.2), 8.0, 1.2
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
            before = _with_pole(back, small["corners"][k], small["width"][k], rng)
            pieces[k] = share * (pieces[k] * _as_lit(pieces[k], share, back, rng)).clamp(0, 1) + (1 - share) * before
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


def _as_lit(piece: Tensor, share: Tensor, back: Tensor, rng: np.random.Generator) -> Tensor:
    """Factors (3, 1, 1) that bring what is cut out, share (1, S, S), towards the light of what stands behind it."""
    own = (piece * share).sum((1, 2)) / share.sum().clamp_min(1.0)
    bright = torch.quantile(back.flatten(1), 0.9, dim=1)
    drawn = torch.tensor(rng.normal(0.0, [0.03, 0.03, 0.03]) + rng.normal(0.0, 0.18), dtype=piece.dtype)
    factor = (bright.clamp_min(0.05) / own.clamp_min(0.05)) ** float(rng.uniform(0.0, 0.7))
    return (factor * torch.exp(drawn.to(piece.device))).clamp(0.35, 2.5)[:, None, None]


def _with_pole(back: Tensor, corners: Tensor, width: Tensor, rng: np.random.Generator) -> Tensor:
    """What stands behind a panel that is cut out, now and then with a pole (3, S, S) that the panel hangs on."""
    there = torch.nonzero(corners[:, 0, 0] > -1e3)[:, 0].tolist()
    if not there or rng.random() > _POLE:
        return back
    k = there[int(rng.integers(len(there)))]
    size = back.shape[-1]
    wide = float(width[k]) * rng.uniform(*_POLE_WIDE)
    x = float(corners[k, :, 0].mean()) + float(width[k]) * rng.normal(0.0, 0.35)
    low, high = float(corners[k, :, 1].min()), float(corners[k, :, 1].max())
    top = low + rng.uniform(-0.3, 0.5) * (high - low)
    t = torch.arange(size, device=back.device, dtype=back.dtype)
    lean = rng.normal(0.0, 0.02)
    off = (t[None] - x - lean * (t[:, None] - top)) / max(0.5 * wide, 0.5)
    edge = ((1 - off.abs()) * 0.5 * wide + 0.5).clamp(0, 1) * (t[:, None] > top)
    light = rng.uniform(-0.7, 0.7)
    shade = (1 - 0.6 * (off - light) ** 2).clamp(0.25, 1.0) * rng.uniform(0.15, 1.0)
    tint = torch.tensor(1 + rng.normal(0, 0.05, 3), device=back.device, dtype=back.dtype)[:, None, None]
    return edge * (shade * tint).clamp(0, 1) + (1 - edge) * back


def _stretch(outline: Tensor, rng: np.random.Generator) -> float:
    """How much taller a panel (4, 2) is made against its width: people's panels are squat, operators' are slender."""
    wide = float(width_px(outline))
    tall = float(torch.linalg.norm(outline[0] - outline[3]))
    now = tall / max(wide, 1e-3)
    low, high = max(_STRETCH[0], _FLATTEST / now), min(_STRETCH[1], _TALLEST / now)
    if low >= high:
        return float(rng.uniform(0.85, 1.15))
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _marked(
    photo: MarkedPhoto, size: int, widths: tuple[float, float], rng: np.random.Generator
) -> tuple[Tensor, dict[str, Tensor]]:
    """A piece (1, 3, S, S) of a marked photo, and what is known of it."""
    device, n = photo.image.device, min(len(photo.outlines), MAX_PANELS)
    long = torch.linalg.norm(photo.outlines[:, 0] - photo.outlines[:, 3], dim=-1)
    which = int(rng.integers(n))
    stretch = _stretch(photo.outlines[which], rng) if rng.random() < 0.7 else 1.0
    wide = torch.maximum(width_px(photo.outlines), 0.14 * stretch * long)
    scale = float(np.exp(rng.uniform(*np.log(widths))) / wide[which])
    scale = min(scale, 2.0)
    halvings = int(np.floor(np.log2(1 / (scale * max(stretch, 1.0))) + 0.4))
    level = photo.image if halvings <= 0 else photo.smaller[min(halvings, len(photo.smaller)) - 1]
    source = level[None].float() / 255
    room = 0.35 * size / scale / np.array([1.0, stretch])
    shift = torch.tensor(rng.uniform(-room, room), dtype=torch.float32, device=device)
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
    back[:, 1] /= stretch
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
