"""The finder's network: a small residual encoder with a pyramid back up to a quarter of the picture's resolution."""

from __future__ import annotations

from typing import Any

from torch import Tensor, nn
from torch.nn import functional

from photoaz.vision.panel_network import CHANNELS, N_CHANNELS


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


class Network(nn.Module):
    """Input (B, 3, H, W) in [0, 1], BGR, H and W multiples of 32; output (B, N_CHANNELS, H / 4, W / 4)."""

    def __init__(self, widths: tuple[int, ...] = (24, 40, 80, 128, 160), neck: int = 64, depth: int = 2) -> None:
        super().__init__()
        c2, c4, c8, c16, c32 = widths
        self.settings = {"widths": widths, "neck": neck, "depth": depth}
        self.stem = nn.Sequential(_conv(3, c2, 3, 2), _conv(c2, c4, 3, 2))
        self.stage4 = nn.Sequential(*[_Block(c4) for _ in range(depth)])
        self.stage8 = nn.Sequential(_conv(c4, c8, 3, 2), *[_Block(c8) for _ in range(depth)])
        self.stage16 = nn.Sequential(_conv(c8, c16, 3, 2), *[_Block(c16) for _ in range(depth)])
        self.stage32 = nn.Sequential(_conv(c16, c32, 3, 2), *[_Block(c32) for _ in range(depth)])
        self.side = nn.ModuleList([_conv(c, neck, 1) for c in (c4, c8, c16, c32)])
        self.mix = nn.ModuleList([_conv(neck, neck) for _ in range(3)])
        self.head = nn.Sequential(_conv(neck, neck), _conv(neck, neck), nn.Conv2d(neck, N_CHANNELS, 1))
        last = self.head[-1]
        assert isinstance(last, nn.Conv2d)
        assert last.bias is not None
        nn.init.normal_(last.weight, 0.0, 0.01)
        nn.init.zeros_(last.bias)
        last.bias.data[CHANNELS["heat"]] = -4.0

    def forward(self, x: Tensor) -> Tensor:
        a = self.stage4(self.stem(x - 0.5))
        b = self.stage8(a)
        c = self.stage16(b)
        d = self.stage32(c)
        y = self.side[3](d)
        for k, level in ((2, c), (1, b), (0, a)):
            y = functional.interpolate(y, scale_factor=2.0, mode="nearest")
            y = self.mix[k](y + self.side[k](level))
        out: Tensor = self.head(y)
        return out


#: the finder, and the lighter one that only says where in the whole frame to look
FINE: dict[str, Any] = {"widths": (24, 40, 80, 120, 144), "neck": 64, "depth": 2}
COARSE: dict[str, Any] = {"widths": (16, 24, 48, 64, 80), "neck": 32, "depth": 1}
