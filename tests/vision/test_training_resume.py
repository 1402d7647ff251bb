"""Training goes on from exported weights: the network says what OpenCV says of the exported file, before and after."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="training needs PyTorch")
pytest.importorskip("onnx", reason="reading exported weights needs onnx")

from photoaz.vision.training.network import COARSE, FINE, Network  # noqa: E402
from photoaz.vision.training.resume import settle, start_from_export  # noqa: E402
from photoaz.vision.training.turns import TurnNetwork  # noqa: E402
from photoaz.vision.turn import COLUMNS, N_FACTS, ROWS  # noqa: E402

WEIGHTS = Path(__file__).parents[2] / "photoaz/vision/weights"


def test_exported_weights_say_the_same_with_norms_of_their_own() -> None:
    rng = np.random.default_rng(4)
    picture = rng.random((1, 3, 96, 128), dtype=np.float32)
    exported = cv2.dnn.readNetFromONNX(str(WEIGHTS / "fine.onnx"))
    exported.setInput(picture)
    wanted = exported.forward()
    net = Network(**FINE)
    start_from_export(net, WEIGHTS / "fine.onnx", (torch.zeros(1, 3, 64, 64),))

    def said() -> np.ndarray:
        net.eval()
        with torch.no_grad():
            out: np.ndarray = net(torch.from_numpy(picture)).numpy()
        return out

    assert said() == pytest.approx(wanted, abs=1e-4)
    pieces = torch.from_numpy(rng.random((4, 8, 3, 96, 96), dtype=np.float32))
    settle(net, [(some,) for some in pieces])
    assert said() == pytest.approx(wanted, abs=1e-4)
    # each norm now passes what it sees at zero mean and unit spread, so that levelling a batch changes little
    first = net.encoder.stem[1]
    with torch.no_grad():
        seen = net.encoder.stem[0](pieces.flatten(0, 1) * (255.0 / 128.0) - 127.0 / 128.0)
    assert first.running_mean.numpy() == pytest.approx(seen.mean((0, 2, 3)).numpy(), abs=1e-4)
    spread = seen.var((0, 2, 3), unbiased=False).numpy()
    assert first.running_var.numpy() == pytest.approx(spread, rel=1e-3, abs=1e-6)


def test_weights_of_another_network_are_refused() -> None:
    with pytest.raises(ValueError, match="layers"):
        start_from_export(Network(**COARSE), WEIGHTS / "fine.onnx", (torch.zeros(1, 3, 64, 64),))


def test_network_of_turns_goes_on_from_what_is_shipped() -> None:
    rng = np.random.default_rng(2)
    picture = rng.normal(0, 1, (24, 3, ROWS, COLUMNS)).astype(np.float32)
    facts = rng.normal(0, 1, (24, N_FACTS)).astype(np.float32)
    exported = cv2.dnn.readNetFromONNX(str(WEIGHTS / "turn.onnx"), engine=cv2.dnn.ENGINE_NEW)
    exported.setInput(picture, "picture")
    exported.setInput(facts, "facts")
    wanted = exported.forward()
    net = TurnNetwork()
    start_from_export(net, WEIGHTS / "turn.onnx", (torch.zeros(1, 3, ROWS, COLUMNS), torch.zeros(1, N_FACTS)))
    given = torch.from_numpy(picture), torch.from_numpy(facts)
    for step in (lambda: None, lambda: settle(net, [given])):
        step()
        net.eval()
        with torch.no_grad():
            assert net(*given).numpy() == pytest.approx(wanted, abs=1e-4)
    # levelled by the batch itself, as training does it, the pictures' part says the same
    net.look.train()
    with torch.no_grad():
        assert net(*given).numpy() == pytest.approx(wanted, abs=1e-2)
