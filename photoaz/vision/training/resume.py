"""Training that goes on from exported weights: their convolutions carry the norms, and get norms of their own again."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import torch
from torch import Tensor, nn


def start_from_export(net: nn.Module, file: Path, example: tuple[Tensor, ...]) -> None:
    """Take the weights of an exported network of the same kind; every norm then adds an offset and does nothing else.

    example: what the network looks at, of any values.

    Raises
    ------
    ValueError : the file has other layers than the network.
    """
    import onnx
    from onnx import numpy_helper

    graph = onnx.load(str(file)).graph
    values = {i.name: torch.from_numpy(numpy_helper.to_array(i).copy()) for i in graph.initializer}
    exported = [[values[name] for name in n.input[1:]] for n in graph.node if n.op_type in ("Conv", "Gemm")]
    own = _in_order(net, example)
    if len(own) != len(exported):
        raise ValueError(f"{file}: {len(exported)} layers with weights; the network has {len(own)}")
    with torch.no_grad():
        for (layer, norm), (weight, bias) in zip(own, exported, strict=True):
            if layer.weight.shape != weight.shape:
                raise ValueError(f"{file}: weights {tuple(weight.shape)}; the network has {tuple(layer.weight.shape)}")
            layer.weight.copy_(weight)
            if norm is None:
                assert layer.bias is not None
                layer.bias.copy_(bias)
            else:
                norm.weight.fill_((1.0 + norm.eps) ** 0.5)
                norm.bias.copy_(bias)
                norm.running_mean.zero_()
                norm.running_var.fill_(1.0)


def settle(net: nn.Module, batches: Iterable[tuple[Tensor, ...]]) -> None:
    """Give every norm the mean and spread of what it sees, and undo them after it: the network says what it said.

    batches: pictures (B, 3, H, W) such as the network learns from, and what else it looks at. Without this the first
    step of training would level what the norms pass, and all that was learned with it.
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
        for batch in batches:
            net(*batch)
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


def _in_order(net: nn.Module, example: tuple[Tensor, ...]) -> list[tuple[nn.Conv2d | nn.Linear, Any]]:
    """The network's layers with weights in the order in which they run, each with the norm that follows it, if any."""
    ran: list[nn.Module] = []
    kinds = (nn.Conv2d, nn.Linear, nn.BatchNorm2d)
    hooks = [m.register_forward_hook(lambda m, *_: ran.append(m)) for m in net.modules() if isinstance(m, kinds)]
    net.eval()
    with torch.no_grad():
        net(*example)
    for hook in hooks:
        hook.remove()
    out: list[tuple[nn.Conv2d | nn.Linear, Any]] = []
    for module, after in zip(ran, [*ran[1:], None], strict=True):
        if isinstance(module, nn.Conv2d | nn.Linear):
            out.append((module, after if isinstance(after, nn.BatchNorm2d) else None))
    return out
