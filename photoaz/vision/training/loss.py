"""What the network is to say of a batch, and how far it is from it."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from photoaz.vision.panel_network import CHANNELS, CORNER_UNIT_PX, STRIDE, UPRIGHTS
from photoaz.vision.training.data import Batch

#: a panel of which less than `LOST` is seen is nothing; between that and `SEEN` it is neither wanted nor wrong
LOST, SEEN = 0.1, 0.3


def from_left(corners: Tensor) -> Tensor:
    """Corners (..., 8, 2) as the network has them: the four upright edges from left to right, each top then bottom.

    An order by what is seen, without a jump at any turn of the panel; which edge is whose follows from the turn.
    """
    edges = corners[..., torch.tensor(UPRIGHTS, device=corners.device), :]  # (..., 4, 2, 2)
    axis = (edges[..., 0, :] - edges[..., 1, :]).mean(-2)  # bottom to top: away from the axis an upright leans
    across = torch.stack([-axis[..., 1], axis[..., 0]], -1)
    order = (edges.mean(-2) * across[..., None, :]).sum(-1).argsort(-1)
    sorted_edges = torch.take_along_dim(edges, order[..., None, None], -3)
    return sorted_edges.flatten(-3, -2)


def loss(out: Tensor, batch: Batch, smallest_px: float) -> tuple[Tensor, dict[str, Tensor]]:
    """Total loss, and its parts."""
    w = out.shape[-1]
    device = out.device
    out = out.float()
    t = (torch.arange(w, device=device) + 0.5) * STRIDE - 0.5
    middle = batch.corners.mean(2)
    spread = batch.corners.amax(2) - batch.corners.amin(2)
    sx, sy = 0.11 * spread[..., 0] + 0.55 * STRIDE, 0.05 * spread[..., 1] + 0.6 * STRIDE
    dx = (t[None, None] - middle[..., :1]) / sx[..., None]
    dy = (t[None, None] - middle[..., 1:]) / sy[..., None]
    bump = torch.exp(-0.5 * (dx[:, :, None, :] ** 2 + dy[:, :, :, None] ** 2))  # (B, P, H, W)
    wanted = (batch.visible >= SEEN) & (batch.width >= smallest_px)
    spared = (batch.visible >= LOST) & ~wanted
    mine = bump * wanted[..., None, None]
    heat, owner = mine.max(1)
    # every cell near a panel's middle is right; those farther out, and panels mostly hidden, neither right nor wrong
    right = heat > 0.6
    quiet = (heat > 0.2) | ((bump * spared[..., None, None]).amax(1) > 0.2) | batch.spared
    logit = out[:, CHANNELS["heat"]]
    p = torch.sigmoid(logit).clamp(1e-5, 1 - 1e-5)
    positive = -((1 - p) ** 2) * torch.log(p) * right
    negative = -(p**2) * torch.log(1 - p) * ~(right | quiet)
    count = right.sum().clamp_min(1.0)
    parts = {"heat": 4.0 * (positive.sum() + negative.sum()) / count}
    near = heat > 0.5
    k, j, i = torch.nonzero(near, as_tuple=True)
    who = owner[k, j, i]
    weight = heat[k, j, i]
    weight = weight / weight.sum().clamp_min(1.0)
    pick = out[k, :, j, i]
    facing = batch.facing[k, who]
    corners = batch.corners[k, who]
    here = torch.stack([t[i], t[j]], -1)[:, None]
    said = pick[:, CHANNELS["corners"]].reshape(-1, 8, 2) * CORNER_UNIT_PX + here
    size = batch.width[k, who].clamp_min(6.0)

    whole = batch.whole[k]
    # of what was marked by eye the outer edges alone are known
    known = whole[:, None] | torch.tensor([True, True, False, False, False, False, True, True], device=device)
    away = functional.smooth_l1_loss(said, from_left(corners), reduction="none", beta=0.3).mean(2)
    away = (away * known).sum(1) / known.sum(1) / size
    front = facing > 0
    parts["corners"] = 8.0 * (away * weight).sum()
    sure = weight * (facing.abs() / 0.3).clamp(0.1, 1) * (whole | (facing != 0))
    boxed = weight * whole
    parts["front"] = (
        0.4
        * (
            functional.binary_cross_entropy_with_logits(
                pick[:, CHANNELS["front"]][:, 0], front.float(), reduction="none"
            )
            * sure
        ).sum()
    )
    parts["visible"] = (
        0.4
        * (
            functional.binary_cross_entropy_with_logits(
                pick[:, CHANNELS["visible"]][:, 0], batch.visible[k, who].clamp(0, 1), reduction="none"
            )
            * boxed
        ).sum()
    )
    yaw = batch.yaw[k, who]
    turn = torch.stack([torch.sin(yaw), torch.cos(yaw)], -1)
    parts["yaw"] = 1.0 * (((pick[:, CHANNELS["yaw"]] - turn) ** 2).sum(1) * boxed).sum()
    balance = torch.tensor([0.5, 1.0, 1.0, 1.0, 1.5, 0.8], device=device)
    whole_only = torch.where(batch.whole[:, None, None], batch.shows, -100)
    parts["shows"] = 0.6 * functional.cross_entropy(out[:, CHANNELS["shows"]], whole_only, balance)
    total = torch.stack(list(parts.values())).sum()
    return total, {name: v.detach() for name, v in parts.items()}
