"""The finder's networks: an encoder with a pyramid back up to a quarter of the picture's resolution."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from torch import Tensor, nn
from torch.nn import functional

from photoaz.vision.panel_network import CHANNELS, N_CHANNELS
from photoaz.vision.training.backbone import Backbone


def _conv(cin: int, cout: int, kernel: int = 3, stride: int = 1, act: bool = True) -> nn.Sequential:
    layers: list[nn.Module] = [
        nn.Conv2d(cin, cout, kernel, stride, kernel // 2, bias=False),
        nn.BatchNorm2d(cout),
    ]
    if act:
        layers.append(nn.ReLU(inplace=True))
    return nn.Sequential(*layers)


class _Block(nn.Module):
    def __init__(self, c: int) -> None:
        super().__init__()
        self.body = nn.Sequential(_conv(c, c), _conv(c, c, act=False))

    def forward(self, x: Tensor) -> Tensor:
        return functional.relu(x + self.body(x))


class _Light(nn.Module):
    """A small residual encoder, learned from nothing: input as the network's, output at 1/4, 1/8, 1/16, 1/32."""

    def __init__(self, widths: tuple[int, ...]) -> None:
        super().__init__()
        c2, *rest = widths
        self.channels = tuple(rest)
        stages = [nn.Sequential(_conv(3, c2, 3, 2), _conv(c2, rest[0], 3, 2), _Block(rest[0]))]
        stages += [nn.Sequential(_conv(a, b, 3, 2), _Block(b)) for a, b in pairwise(rest)]
        self.stages = nn.ModuleList(stages)

    def forward(self, x: Tensor) -> list[Tensor]:
        levels = [x - 0.5]
        for stage in self.stages:
            levels.append(stage(levels[-1]))
        return levels[1:]


class Network(nn.Module):
    """Input (B, 3, H, W) in [0, 1], BGR, H and W multiples of 32; output (B, N_CHANNELS, H / 4, W / 4).

    widths: of the light encoder's levels; without them the encoder is the one that has learned from photos.
    """

    def __init__(self, neck: int = 48, widths: tuple[int, ...] | None = None) -> None:
        super().__init__()
        self.settings = {"neck": neck, "widths": widths}
        self.encoder = Backbone() if widths is None else _Light(widths)
        self.side = nn.ModuleList([_conv(c, neck, 1) for c in self.encoder.channels])
        self.mix = nn.ModuleList([_conv(neck, neck) for _ in range(3)])
        self.head = nn.Sequential(_conv(neck, neck), _conv(neck, neck), nn.Conv2d(neck, N_CHANNELS, 1))
        last = self.head[-1]
        assert isinstance(last, nn.Conv2d)
        assert last.bias is not None
        nn.init.normal_(last.weight, 0.0, 0.01)
        nn.init.zeros_(last.bias)
        last.bias.data[CHANNELS["heat"]] = -4.0

    def forward(self, x: Tensor) -> Tensor:
        levels = self.encoder(x)
        y = self.side[3](levels[3])
        for k in (2, 1, 0):
            y = functional.interpolate(y, scale_factor=2.0, mode="nearest")
            y = self.mix[k](y + self.side[k](levels[k]))
        out: Tensor = self.head(y)
        return out


#: the finder, and the lighter one that only says where in the whole frame to look
FINE: dict[str, Any] = {"neck": 48}
COARSE: dict[str, Any] = {"neck": 32, "widths": (16, 24, 48, 64, 80)}
