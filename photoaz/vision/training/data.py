"""Scenes on the graphics card, and training pictures made from them: sky, clutter, lens, noise, tone, JPEG, crops."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional

from photoaz.vision.training.real import Photographs
from photoaz.vision.training.views import CLASSES

Array = NDArray[Any]

MAX_PANELS = 32
#: corners of the mirrored panel in the order of the original ones
MIRRORED = [1, 0, 3, 2, 5, 4, 7, 6]
#: share of pictures whose panels hang alone, and share of those before a real photo
ALONE, REAL = 0.12, 0.6


@dataclass(slots=True, kw_only=True)
class Scenes:
    """N views of one size: rgba (N, 4, H, W) half, shows (N, H, W) uint8; panels padded to MAX_PANELS."""

    rgba: Tensor
    sky: Tensor
    shows: Tensor
    corners: Tensor
    facing: Tensor
    yaw: Tensor
    visible: Tensor
    names: list[str]


def load(files: list[Path], device: str) -> Scenes:
    """Read views written by `scenes`."""

    def read(path: Path) -> dict[str, Array]:
        with np.load(path) as z:
            return {k: z[k] for k in z.files if k != "panel"}

    def padded(a: Array, fill: float) -> Array:
        out = np.full((MAX_PANELS, *a.shape[1:]), fill, np.float32)
        out[: min(len(a), MAX_PANELS)] = a[:MAX_PANELS]
        return out

    size = read(files[0])["shows"].shape[0] if files else 0
    n = len(files)
    small: dict[str, list[Array]] = {k: [] for k in ("sky", "corners", "facing", "yaw", "visible")}
    # filled in place: a stack of the parts would need twice the memory
    rgba = torch.empty(n, 4, size, size, dtype=torch.float16, device=device)
    shows = torch.empty(n, size, size, dtype=torch.uint8, device=device)
    with ThreadPoolExecutor(12) as pool:
        for k, z in enumerate(pool.map(read, files)):
            rgba[k] = torch.from_numpy(z["rgba"]).to(device).permute(2, 0, 1)
            shows[k] = torch.from_numpy(z["shows"]).to(device)
            small["sky"].append(z["sky"])
            small["corners"].append(padded(z["corners_px"], -1e4))
            small["facing"].append(padded(z["facing"], 0))
            small["yaw"].append(padded(z["yaw_rad"], 0))
            small["visible"].append(padded(z["visible"], 0))
    rest = {k: torch.from_numpy(np.stack(v)).to(device) for k, v in small.items()}
    return Scenes(names=[f.stem for f in files], rgba=rgba, shows=shows, **rest)


@dataclass(slots=True, kw_only=True)
class Batch:
    """Pictures (B, 3, S, S) BGR in [0, 1] and their truth in the picture's pixels; shows (B, S / 4, S / 4)."""

    image: Tensor
    corners: Tensor
    facing: Tensor
    yaw: Tensor
    visible: Tensor
    width: Tensor
    shows: Tensor
    #: (B,) whether inner edges, turn and what shows are known: of marked photos only the outline is
    whole: Tensor
    #: (B, S / 4, S / 4) where a panel would be neither right nor wrong
    spared: Tensor


def joined(batches: list[Batch]) -> Batch:
    """Several batches as one; panels padded to the same number."""
    return Batch(**{f.name: torch.cat([getattr(b, f.name) for b in batches]) for f in fields(Batch)})


def _uniform(low: float, high: float, *shape: int, device: torch.device) -> Tensor:
    return low + (high - low) * torch.rand(*shape, device=device)


def _noise(b: int, size: int, slope: float, device: torch.device, channels: int = 1) -> Tensor:
    """Cloudy noise (B, channels, size, size), zero mean, roughly unit spread."""
    out = torch.zeros(b, channels, size, size, device=device)
    n, weight = 3, 1.0
    while n < size:
        grid = torch.randn(b, channels, n, n, device=device)
        out = out + weight * functional.interpolate(grid, (size, size), mode="bicubic", align_corners=False)
        n, weight = n * 2, weight * slope
    return out / out.std(dim=(1, 2, 3), keepdim=True).clamp_min(1e-6)


def _background(sky: Tensor, size: int) -> Tensor:
    """Skies, clouds, and now and then woods, hills, houses below a horizon (B, 3, S, S), linear RGB."""
    b, device = len(sky), sky.device
    level = (sky.mean(1, keepdim=True) * torch.exp(_uniform(-0.6, 0.7, b, 1, device=device)))[..., None, None]
    grey = torch.tensor([0.97, 1.0, 1.04], device=device)
    blue = torch.stack(
        [
            _uniform(0.28, 0.8, b, device=device),
            _uniform(0.6, 0.95, b, device=device),
            _uniform(1.0, 1.6, b, device=device),
        ],
        1,
    )
    overcast = (torch.rand(b, 1, device=device) < 0.45).float()
    tint = overcast * grey * _uniform(0.93, 1.07, b, 3, device=device) + (1 - overcast) * blue
    y = torch.linspace(0, 1, size, device=device)[None, None, :, None]
    x = torch.linspace(0, 1, size, device=device)[None, None, None, :]
    slope = _uniform(-0.35, 0.6, b, 2, device=device)[..., None, None]
    shade = 1 + slope[:, :1] * (y - 0.5) + 0.6 * slope[:, 1:] * (x - 0.5)
    out = level * tint[..., None, None] * shade.clamp_min(0.2)
    cloud = torch.sigmoid((_noise(b, size, 0.55, device) - _uniform(-0.5, 2.0, b, 1, 1, 1, device=device)) * 3)
    share = _uniform(-0.4, 0.9, b, 1, 1, 1, device=device).clamp_min(0) * cloud
    white = level * grey[:, None, None] * _uniform(0.6, 1.9, b, 1, 1, 1, device=device)
    out = out * (1 - share) + white * share
    # land: anything between the frame's bottom and all of it
    horizon = torch.where(
        torch.rand(b, 1, 1, 1, device=device) < 0.3,
        _uniform(-0.3, 1.0, b, 1, 1, 1, device=device),
        torch.tensor(2.0, device=device),
    )
    ridge = horizon + 0.06 * _noise(b, size, 0.7, device)[:, :, :1, :]
    land = torch.sigmoid((y - ridge) * size / 2)
    colour = (
        torch.rand(b, 3, 1, 1, device=device) * torch.tensor([0.35, 0.4, 0.25], device=device)[:, None, None] + 0.03
    )
    texture = torch.exp(0.6 * _noise(b, size, 0.93, device) + 0.15 * _noise(b, size, 0.9, device, 3))
    ground = colour * texture * level.clamp_max(1.5)
    for _ in range(4):  # houses, or the shape of them
        c = _uniform(0, 1, b, 4, 1, 1, device=device)
        inside = ((x[:, 0] - c[:, 0]).abs() < 0.2 * c[:, 2]) & ((y[:, 0] - c[:, 1]).abs() < 0.25 * c[:, 3])
        paint = torch.rand(b, 3, 1, 1, device=device) * 0.7 * level.clamp_max(1.5)
        ground = torch.where(inside[:, None], paint * (1 + 0.1 * texture), ground)
    return out * (1 - land) + ground * land


def _blur(image: Tensor, sigma: Tensor) -> Tensor:
    """Gaussian blur, each picture by its own sigma (B,) px."""
    b, c, h, w = image.shape
    r = 5
    t = torch.arange(-r, r + 1, device=image.device, dtype=image.dtype)
    k = torch.exp(-0.5 * (t[None] / sigma[:, None].clamp_min(0.05)) ** 2)
    k = (k / k.sum(1, keepdim=True)).repeat_interleave(c, 0)
    x = image.reshape(1, b * c, h, w)
    x = functional.conv2d(functional.pad(x, (r, r, 0, 0), mode="replicate"), k[:, None, None, :], groups=b * c)
    x = functional.conv2d(functional.pad(x, (0, 0, r, r), mode="replicate"), k[:, None, :, None], groups=b * c)
    return x.reshape(b, c, h, w)


def _jpeg(image: Tensor, strength: Tensor) -> Tensor:
    """Loss of block DCT coefficients as JPEG has it; strength (B,) about 1 at quality 85."""
    b, _, h, w = image.shape
    n = torch.arange(8, device=image.device, dtype=image.dtype)
    dct = torch.cos((2 * n[None] + 1) * n[:, None] * np.pi / 16) * 0.5
    dct[0] = dct[0] / np.sqrt(2)
    to_ycc = torch.tensor([[0.299, 0.587, 0.114], [-0.169, -0.331, 0.5], [0.5, -0.419, -0.081]], device=image.device)
    ycc = torch.einsum("ij,bjhw->bihw", to_ycc, image)
    blocks = ycc.reshape(b, 3, h // 8, 8, w // 8, 8)
    f = torch.einsum("ui,bchiwj,vj->bchuwv", dct, blocks, dct)
    step = (4 + 3.0 * (n[:, None] + n[None])) / 255.0
    q = step[None, None, None, :, None, :] * strength[:, None, None, None, None, None]
    q = q * torch.tensor([1.0, 2.2, 2.2], device=image.device)[None, :, None, None, None, None]
    f = torch.round(f / q) * q
    ycc = torch.einsum("ui,bchuwv,vj->bchiwj", dct, f, dct).reshape(b, 3, h, w)
    return torch.einsum("ij,bjhw->bihw", torch.linalg.inv(to_ycc), ycc)


def typical_width(scenes: Scenes) -> Tensor:
    """Width in pixels (N,) that each view's panels have face-on: from their height, which no yaw shortens.

    Boxes are about a sixth as wide as tall.
    """
    tall = torch.linalg.norm(scenes.corners[:, :, 0] - scenes.corners[:, :, 3], dim=-1)
    seen = torch.where(scenes.visible > 0.3, tall / 5.6, torch.nan)
    return seen.nanmedian(1).values.nan_to_num(scenes.rgba.shape[-1] / 40)


def choose_views(scenes: Scenes, number: int, widths: tuple[float, float], size: int) -> tuple[Tensor, Tensor]:
    """Views (B,) at random and the scale (B,) for each at which its panels are of a width drawn from `widths` px.

    Drawn again where the view would be blown up by more than a half or its own border would show much.
    """
    device, h = scenes.rgba.device, scenes.rgba.shape[-1]
    typical = typical_width(scenes)
    n = 12 * number
    index = torch.randint(len(typical), (n,), device=device)
    low, high = float(np.log(widths[0])), float(np.log(widths[1]))
    share = torch.rand(n, device=device)
    usual = torch.rand(n, device=device) < 0.7  # mostly near the middle of the range, where the finder works
    share = torch.where(usual, 0.33 + 0.47 * share, share)
    width = torch.exp(low + (high - low) * share)
    scale = width / typical[index]
    good = (scale < 1.5) & (scale > size / h * torch.where(torch.rand(n, device=device) < 0.1, 0.6, 1.0))
    best = torch.argsort(good.float(), descending=True, stable=True)[:number]
    return index[best], scale[best].clamp(0.3, 1.5)


def _alone(rgba: Tensor, shows: Tensor) -> Tensor:
    """Some pictures (B, 4, S, S) with nothing but the panels' own pixels in them; shows (B, S, S)."""
    own = ((shows > 0) & (shows < CLASSES.index("structure"))).float()
    which = torch.rand(len(rgba), device=rgba.device) < ALONE
    mask = torch.where(which[:, None, None], own, torch.ones_like(own))
    return rgba * mask[:, None]


def make_batch(
    scenes: Scenes, number: int, size: int, widths: tuple[float, float], photos: Photographs | None = None
) -> Batch:
    """`number` pictures of `size` with the panels' middle width drawn from `widths` px (log-uniform).

    Before skies and land that are drawn; with photos, half of them before those.
    """
    index, scale = choose_views(scenes, number, widths, size)
    typical = typical_width(scenes)[index]
    device, b = scenes.rgba.device, number
    h = scenes.rgba.shape[-1]
    corners, visible = scenes.corners[index], scenes.visible[index]
    there = visible > 0.3
    face = torch.linalg.norm(corners[:, :, 0] - corners[:, :, 1], dim=-1)
    angle = _uniform(-1, 1, b, device=device) * np.radians(4)
    flip = torch.where(torch.rand(b, device=device) < 0.5, -1.0, 1.0)
    pick = torch.multinomial(there.float() + 1e-3, 1)[:, 0]
    at = corners[torch.arange(b, device=device), pick].mean(1)
    middle = torch.where(
        (torch.rand(b, 1, device=device) < 0.8) & there.any(1, keepdim=True), at, torch.full_like(at, h / 2)
    )
    middle = middle + (torch.rand(b, 2, device=device) - 0.5) * 0.7 * size / scale[:, None]
    room = (0.5 * size / scale)[:, None].clamp_max(h / 2)
    middle = torch.minimum(torch.maximum(middle, room), h - room)
    # picture pixel p (about its middle) -> view pixel: middle + R p / scale
    cos, sin = torch.cos(angle) / scale, torch.sin(angle) / scale
    back = torch.stack([torch.stack([cos * flip, -sin], -1), torch.stack([sin * flip, cos], -1)], -2)  # (B, 2, 2)
    t = torch.arange(size, device=device, dtype=torch.float32) - (size - 1) / 2
    p = torch.stack(torch.meshgrid(t, t, indexing="xy"), -1)
    rgba = torch.empty(b, 4, size, size, device=device)
    levels_of = torch.floor(torch.log2(1 / scale) + 0.4).clamp_min(0).long().tolist()
    for k in range(b):
        source = scenes.rgba[index[k]].float()[None]
        for _ in range(levels_of[k]):
            source = functional.avg_pool2d(source, 2, ceil_mode=False)
        spot = p @ back[k].T + middle[k]
        grid = (spot + 0.5) * 2 / h - 1
        rgba[k] = functional.grid_sample(
            source, grid[None], mode="bilinear", padding_mode="zeros", align_corners=False
        )[0]
    coarse = p.reshape(size // 4, 4, size // 4, 4, 2).mean((1, 3))
    spot = torch.einsum("hwj,bij->bhwi", coarse, back) + middle[:, None, None]
    ij = spot.round().long()
    ok = (ij >= 0).all(-1) & (ij < h).all(-1)
    ij = ij.clamp(0, h - 1)
    shows = torch.where(ok, scenes.shows[index[:, None, None], ij[..., 1], ij[..., 0]].long(), 0)
    forward = torch.linalg.inv(back)
    new = torch.einsum("bpci,bji->bpcj", corners - middle[:, None, None], forward) + (size - 1) / 2
    new = torch.where(flip[:, None, None, None] < 0, new[:, :, MIRRORED], new)
    yaw = scenes.yaw[index] * flip[:, None]
    facing = scenes.facing[index]
    # what the picture's border cuts off is hidden as well
    u = torch.linspace(0.1, 0.9, 5, device=device)
    inside = torch.zeros_like(visible)
    for a in u:
        for c in u:
            q = (
                new[:, :, 0] * (1 - a) * (1 - c)
                + new[:, :, 1] * a * (1 - c)
                + new[:, :, 2] * a * c
                + new[:, :, 3] * (1 - a) * c
            )
            inside = inside + ((q > 0).all(-1) & (q < size - 1).all(-1)).float() / 25
    visible = visible * inside
    if photos is not None:
        near = (p.reshape(-1, 2) @ back.transpose(1, 2) + middle[:, None]).round().long().clamp(0, h - 1)
        seen = scenes.shows[index[:, None], near[..., 1], near[..., 0]].reshape(b, size, size)
        rgba = _alone(rgba, seen)
    # the view's own border: what was cut off there was never seen, and `visible` counts it as hidden already
    return Batch(
        image=develop(rgba, scenes.sky[index], size, photos=photos),
        corners=new,
        facing=facing,
        yaw=yaw,
        visible=visible,
        width=torch.maximum(face, 0.4 * typical[:, None]) * scale[:, None],
        shows=shows,
        whole=torch.ones(b, dtype=torch.bool, device=device),
        spared=torch.zeros_like(shows, dtype=torch.bool),
    )


def _behind(sky: Tensor, size: int, photos: Photographs | None) -> Tensor:
    """What stands behind a view (B, 3, S, S), linear RGB: drawn, or a piece of a photo as bright as the view's sky."""
    drawn = _background(sky, size)
    if photos is None:
        return drawn
    b, device = len(sky), sky.device
    piece = photos.crops(torch.randint(len(photos.images), (b,), device=device), size)[:, [2, 1, 0]] ** 2.2
    bright = torch.quantile(piece.mean(1).flatten(1), 0.95, dim=1).clamp_min(0.02)
    level = sky.mean(1) * torch.exp(_uniform(-0.7, 0.5, b, device=device))
    piece = piece * (level / bright)[:, None, None, None]
    real = torch.rand(b, 1, 1, 1, device=device) < REAL
    return torch.where(real, piece, drawn)


def develop(
    rgba: Tensor, sky: Tensor, size: int, noise: Tensor | float = 1.0, photos: Photographs | None = None
) -> Tensor:
    """Pictures (B, 3, S, S) BGR in [0, 1] from radiance with coverage (B, 4, S, S) and its sky (B, 3).

    noise (B, 1, 1, 1): of the sensor and of its JPEG, against what the finder is trained with. photos: put behind some.
    """
    b, device = len(rgba), rgba.device
    alpha = rgba[:, 3:].clamp(0, 1)
    image = rgba[:, :3].clamp(0, 30) + (1 - alpha) * _behind(sky, size, photos)
    # wires across the frame
    t = torch.linspace(-0.5, 0.5, size, device=device)
    for _ in range(2):
        a, c = _uniform(-0.4, 0.4, b, 1, 1, device=device), _uniform(-0.5, 0.5, b, 1, 1, device=device)
        off = (t[None, :, None] - a * t[None, None, :] - c - 0.1 * a * t[None, None, :] ** 2).abs() * size
        half = _uniform(0.2, 1.6, b, 1, 1, device=device)
        dark = (half + 0.5 - off).clamp(0, 1) * (torch.rand(b, 1, 1, device=device) < 0.08)
        image = image * (1 - 0.9 * dark[:, None])
    image = image * torch.exp(0.07 * torch.randn(b, 3, 1, 1, device=device))
    mean = image.mean((1, 2, 3), keepdim=True).clamp_min(1e-4)
    image = image / mean * torch.exp(_uniform(-1.5, -0.1, b, 1, 1, 1, device=device))
    haze = _uniform(-0.15, 0.2, b, 1, 1, 1, device=device).clamp_min(0)
    image = image * (1 - haze) + haze * image.mean((2, 3), keepdim=True)
    image = _blur(image, torch.exp(_uniform(-1.2, 0.55, b, device=device)))
    rough = (
        torch.randn_like(image)
        * (0.0003 + 0.0025 * image).sqrt()
        * torch.exp(_uniform(-1.5, 0.6, b, 1, 1, 1, device=device))
    )
    image = (image + 0.6 * noise * _blur(rough, _uniform(0.1, 1.1, b, device=device))).clamp(0, 8)
    shoulder = 1 - torch.exp(-1.3 * image)
    image = torch.where(torch.rand(b, 1, 1, 1, device=device) < 0.6, shoulder, image.clamp(0, 1))
    image = image.clamp(1e-5, 1) ** (1 / _uniform(1.8, 2.5, b, 1, 1, 1, device=device))
    grey = image.mean(1, keepdim=True)
    image = grey + (image - grey) * _uniform(0.0, 1.4, b, 1, 1, 1, device=device)
    image = (
        (image - 0.5) * _uniform(0.75, 1.2, b, 1, 1, 1, device=device)
        + 0.5
        + _uniform(-0.08, 0.08, b, 1, 1, 1, device=device)
    )
    sharp = _uniform(-0.3, 1.0, b, 1, 1, 1, device=device).clamp_min(0)
    image = image + sharp * (image - _blur(image, torch.full((b,), 1.2, device=device)))
    image = image.clamp(0, 1)
    lossy = torch.rand(b, 1, 1, 1, device=device) < 0.6
    strength = torch.exp(_uniform(-1.2, 1.0, b, device=device)) * torch.as_tensor(noise, device=device).reshape(-1)
    image = torch.where(lossy, _jpeg(image, strength), image).clamp(0, 1)
    return (torch.round(image * 255) / 255)[:, [2, 1, 0]]
