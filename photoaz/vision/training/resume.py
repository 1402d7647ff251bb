"""Training that goes on from exported weights: their convolutions carry the norms, and get norms of their own again."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import torch
from torch import Tensor, nn

from photoaz.vision.training.network import Network


def start_from_export(net: Network, file: Path) -> None:
    """Take the weights of an exported network of the same kind; every norm then adds an offset and does nothing else.

    Raises
    ------
    ValueError : the file has other convolutions than the network.
    """
    import onnx
    from onnx import numpy_helper

    graph = onnx.load(str(file)).graph
    values = {i.name: torch.from_numpy(numpy_helper.to_array(i).copy()) for i in graph.initializer}
    exported = [[values[name] for name in n.input[1:]] for n in graph.node if n.op_type == "Conv"]
    own = _in_order(net)
    if len(own) != len(exported):
        raise ValueError(f"{file}: {len(exported)} convolutions; the network has {len(own)}")
    with torch.no_grad():
        for (conv, norm), (weight, bias) in zip(own, exported, strict=True):
            if conv.weight.shape != weight.shape:
                raise ValueError(f"{file}: weights {tuple(weight.shape)}; the network has {tuple(conv.weight.shape)}")
            conv.weight.copy_(weight)
            if norm is None:
                assert conv.bias is not None
                conv.bias.copy_(bias)
            else:
                norm.weight.fill_((1.0 + norm.eps) ** 0.5)
                norm.bias.copy_(bias)
                norm.running_mean.zero_()
                norm.running_var.fill_(1.0)


def settle(net: Network, batches: Iterable[Tensor]) -> None:
    """Give every norm the mean and spread of what it sees, and undo them after it: the network says what it said.

    batches: pictures (B, 3, H, W) such as the network learns from. Without this the first step of training would level
    what the norms pass, and all that was learned with it.
    """
    seen: dict[nn.Module, list[Tensor]] = {}

    def note(module: nn.Module, given: tuple[Any, ...]) -> None:
        x = given[0].detach().double()
        now = torch.stack([x.mean((0, 2, 3)), (x * x).mean((0, 2, 3))])
        seen.setdefault(module, []).append(now)

    norms = [m for m in net.modules() if isinstance(m, nn.BatchNorm2d)]
    hooks = [m.register_forward_pre_hook(note) for m in norms]
    net.eval()
    with torch.no_grad():
        for pictures in batches:
            net(pictures)
        for hook in hooks:
            hook.remove()
        for norm in norms:
            mean, square = torch.stack(seen[norm]).mean(0)
            scale = norm.weight / (norm.running_var + norm.eps).sqrt()
            spread = (square - mean**2).clamp_min(0.0) + norm.eps
            norm.bias.copy_(norm.bias + scale * (mean - norm.running_mean))
            norm.weight.copy_(scale * spread.sqrt())
            norm.running_mean.copy_(mean)
            norm.running_var.copy_(spread - norm.eps)
    net.train()


def _in_order(net: Network) -> list[tuple[nn.Conv2d, Any]]:
    """The network's convolutions in the order in which they run, each with the norm that follows it, if one does."""
    ran: list[nn.Module] = []
    kinds = (nn.Conv2d, nn.BatchNorm2d)
    hooks = [m.register_forward_hook(lambda m, *_: ran.append(m)) for m in net.modules() if isinstance(m, kinds)]
    net.eval()
    with torch.no_grad():
        net(torch.zeros(1, 3, 64, 64))
    for hook in hooks:
        hook.remove()
    out: list[tuple[nn.Conv2d, Any]] = []
    for module, after in zip(ran, [*ran[1:], None], strict=True):
        if isinstance(module, nn.Conv2d):
            out.append((module, after if isinstance(after, nn.BatchNorm2d) else None))
    return out
