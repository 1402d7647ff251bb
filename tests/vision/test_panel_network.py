"""The finder's decoding on outputs made by hand, and the shipped networks as far as they can be held to anything."""

from __future__ import annotations

import json
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

import photoaz.vision.panel_network as network_module
from photoaz.angles import wrap_deg
from photoaz.memory import Shelf
from photoaz.vision.finder import hiding
from photoaz.vision.panel_network import (
    CAP,
    CHANNELS,
    CORNER_UNIT_PX,
    FRONT,
    N_CHANNELS,
    REAR,
    SIDE,
    STRIDE,
    STRUCTURE,
    decode,
    probability,
    run_network,
)

WEIGHTS = Path(network_module.__file__).parent / "weights"
NETWORKS = ("fine", "towers", "coarse")
LIMIT_BYTES = 10_000_000

ROWS, COLUMNS = 40, 50
#: a box 28 px wide and 120 tall whose rear lies 6 px to the right of and 4 px above its front
BOX = np.array([[86, 40], [114, 40], [114, 160], [86, 160], [92, 36], [120, 36], [120, 156], [92, 156]], float)


def from_left(corners_px: np.ndarray) -> np.ndarray:
    """As the network says a box's corners: its upright edges by where they stand, each top then bottom."""
    edges = [corners_px[list(e)] for e in ((0, 3), (1, 2), (5, 6), (4, 7))]
    return np.concatenate(sorted(edges, key=lambda e: e[:, 0].sum()))


def logit(p: float) -> float:
    return float(np.log(p / (1 - p)))


class Output:
    """An output of the network in which nothing is, until cells are told to say something."""

    def __init__(self) -> None:
        self.cells = np.zeros((N_CHANNELS, ROWS, COLUMNS), np.float32)
        self.cells[CHANNELS["heat"]] = -9.0

    def say(
        self,
        row: int,
        column: int,
        heat: float,
        corners_px: np.ndarray,
        *,
        front: float = 0.95,
        yaw_rad: float = 0.3,
        visible: float = 0.9,
    ) -> Output:
        """What one cell says; its middle in the picture is at STRIDE times its index and a half, less half a pixel."""
        middle = np.array([column * STRIDE + 1.5, row * STRIDE + 1.5])
        cell = self.cells[:, row, column]
        cell[CHANNELS["heat"]] = heat
        cell[CHANNELS["corners"]] = ((from_left(corners_px) - middle) / CORNER_UNIT_PX).ravel()
        cell[CHANNELS["front"]] = logit(front)
        cell[CHANNELS["visible"]] = logit(visible)
        cell[CHANNELS["yaw"]] = 0.8 * np.sin(yaw_rad), 0.8 * np.cos(yaw_rad)  # of any length
        return self


# ---- decoding -------------------------------------------------------------------------------------------------------


def test_one_peak_is_one_panel_with_what_it_says() -> None:
    (panel,) = decode(Output().say(24, 25, 1.5, BOX, front=0.8, yaw_rad=0.9, visible=0.7).cells)
    assert panel.corners_px == pytest.approx(BOX, abs=0.01)  # px: float32
    assert panel.score == pytest.approx(1.5)
    assert panel.front == pytest.approx(0.8, abs=0.001)
    assert panel.yaw_rad == pytest.approx(0.9, abs=0.001)
    assert panel.visible == pytest.approx(0.7, abs=0.001)


@pytest.mark.parametrize(("row", "column"), [(0, 0), (0, COLUMNS - 1), (ROWS - 1, 0), (ROWS - 1, COLUMNS - 1)])
def test_peaks_on_the_border_count_like_others(row: int, column: int) -> None:
    (panel,) = decode(Output().say(row, column, 0.0, BOX).cells)
    assert panel.corners_px == pytest.approx(BOX, abs=0.01)


def test_nothing_above_the_threshold_is_nothing() -> None:
    assert decode(Output().cells) == []
    one = Output().say(24, 25, -2.5, BOX).cells
    assert decode(one) == []
    assert len(decode(one, threshold=-3.0)) == 1


def test_what_the_neighbours_say_is_averaged_by_how_sure_they_are() -> None:
    """Weights by the odds of the heat: 1 for the peak, exp(-0.7) and exp(-1.2) for two neighbours."""
    out = Output().say(24, 25, 2.0, BOX, yaw_rad=0.2)
    out.say(24, 26, 1.3, BOX + np.array([3.0, 0.0]), yaw_rad=0.2).say(
        23, 25, 0.8, BOX + np.array([0.0, -2.0]), yaw_rad=0.2
    )
    (panel,) = decode(out.cells)
    weight = np.exp([0.0, -0.7, -1.2])
    moved = weight @ np.array([[0.0, 0.0], [3.0, 0.0], [0.0, -2.0]]) / weight.sum()
    assert panel.corners_px - BOX == pytest.approx(np.tile(moved, (8, 1)), abs=0.02)
    assert panel.score == pytest.approx(2.0)
    assert panel.yaw_rad == pytest.approx(0.2, abs=0.001)


def test_a_neighbour_that_speaks_of_another_panel_is_not_averaged_in() -> None:
    out = Output().say(24, 25, 2.0, BOX).say(24, 26, 1.9, BOX + np.array([60.0, 0.0]))
    assert decode(out.cells)[0].corners_px == pytest.approx(BOX, abs=0.01)


def rectangle(left: float, wide: float = 30.0, tall: float = 90.0) -> np.ndarray:
    """A box without depth as seen."""
    face = np.array([[left, 40], [left + wide, 40], [left + wide, 40 + tall], [left, 40 + tall]])
    return np.concatenate([face, face])


@pytest.mark.parametrize(("shift", "kept"), [(0.0, 1), (7.5, 1), (15.0, 2), (40.0, 2)])
def test_of_two_boxes_that_mostly_coincide_the_surer_is_kept(shift: float, kept: int) -> None:
    """Two rectangles of width w, one moved by s, share (w - s) / (w + s) of their union: 1, 0.6, 0.33, none."""
    out = Output().say(20, 20, 1.0, rectangle(60.0)).say(20, 24, 1.6, rectangle(60.0 + shift))
    found = decode(out.cells)
    assert len(found) == kept
    assert found[0].corners_px == pytest.approx(rectangle(60.0 + shift), abs=0.01)
    if kept == 2:
        assert found[1].corners_px == pytest.approx(rectangle(60.0), abs=0.01)
    # the share at which one goes is the caller's
    assert len(decode(out.cells, overlap=0.2)) == (1 if shift < 20.0 else 2)


def test_surest_first_and_no_more_than_asked_for() -> None:
    heats = [0.5, 2.5, -1.0, 1.5]
    out = Output()
    for k, heat in enumerate(heats):
        out.say(20, 5 + 10 * k, heat, rectangle(8.0 + 45.0 * k, wide=20.0))
    scores = [p.score for p in decode(out.cells)]
    assert scores == pytest.approx(sorted(heats, reverse=True))
    assert [p.score for p in decode(out.cells, most=2)] == pytest.approx([2.5, 1.5])


def eight(scene: Any) -> np.ndarray:
    """All corners of a scene's box as documented: the front's as seen in front, then those behind them."""
    w, h, d = np.array(scene.size_m) / 2
    face = [(-w, h), (w, h), (w, -h), (-w, -h)]
    return scene.pixels(np.array([[x, y, z] for z in (d, -d) for x, y in face]))


@pytest.mark.parametrize("said_off_deg", [-20.0, 0.0, 20.0])
@pytest.mark.parametrize("yaw_deg", [-150.0, -90.0, -30.0, 0.0, 40.0, 88.0, 95.0, 125.0, 180.0])
def test_the_fronts_corners_come_first_however_the_panel_is_turned(
    scene: Callable[..., Any], yaw_deg: float, said_off_deg: float
) -> None:
    """The network says the upright edges from left to right and roughly the turn. Projected by OpenCV."""
    s = scene(yaw_deg=yaw_deg, distance_m=45.0, centre_px=(2000.0, 1500.0), pitch_deg=20.0)
    corners = eight(s) - np.array(s.centre_px) + [100.0, 80.0]
    said = Output().say(
        20,
        25,
        1.0,
        corners,
        front=0.04 if abs(yaw_deg) > 90.0 else 0.96,
        yaw_rad=np.radians(yaw_deg + said_off_deg),
    )
    (panel,) = decode(said.cells)
    # with a turn in doubt two edges may change places, but only where one stands before the other
    changes = min(abs(abs(wrap_deg(yaw_deg)) - t) for t in (0.0, 66.0, 90.0, 114.0, 180.0)) <= abs(said_off_deg)
    wide = np.ptp(corners[:, 0])
    off = np.abs(panel.corners_px - corners).max(0)
    assert off[0] < (0.25 * wide if changes else 0.01)
    if not changes:
        assert off[1] < 0.01


# ---- what hides a panel ---------------------------------------------------------------------------------------------


def shows(share: float, inside: int, rest: int) -> np.ndarray:
    """An output whose lowest `share` of BOX's rows show one class, the rest another."""
    out = np.zeros((N_CHANNELS, ROWS, COLUMNS), np.float32)
    kinds = out[CHANNELS["shows"]]
    kinds[rest] = 5.0
    from_row = round((160 - share * 120) / STRIDE)
    kinds[rest, from_row:], kinds[inside, from_row:] = 0.0, 5.0
    return out


@pytest.mark.parametrize(
    ("share", "inside", "rest", "by"),
    [
        (0.5, STRUCTURE, FRONT, "structure"),
        (0.05, STRUCTURE, FRONT, "panel"),  # of a box that shows panel all over, the rest is behind a panel
        (0.5, SIDE, REAR, "panel"),
        (0.5, CAP, FRONT, "panel"),
        (0.5, 0, FRONT, None),
    ],
)
def test_what_hides_a_panel_is_what_its_box_shows(share: float, inside: int, rest: int, by: str | None) -> None:
    assert hiding(shows(share, inside, rest), BOX) == by


def test_a_box_outside_the_picture_is_hidden_by_its_frame() -> None:
    assert hiding(shows(0.0, 0, FRONT), BOX + np.array([1000.0, 0.0])) == "frame"


# ---- the networks ---------------------------------------------------------------------------------------------------


def picture(height: int, width: int) -> np.ndarray:
    return np.random.default_rng(1).integers(0, 256, (height, width, 3)).astype(np.uint8)


@pytest.mark.parametrize("name", NETWORKS)
@pytest.mark.parametrize(("height", "width"), [(96, 128), (97, 100), (8, 33)])
def test_pictures_are_padded_to_what_the_network_takes(name: str, height: int, width: int) -> None:
    """By the border's pixels; what comes out has a cell for every four pixels of the padded picture."""
    out = run_network(name, picture(height, width))
    tall, wide = -(-height // 32) * 32, -(-width // 32) * 32
    assert out.shape == (N_CHANNELS, tall // STRIDE, wide // STRIDE)
    assert np.isfinite(out).all()
    padded = np.pad(picture(height, width), ((0, tall - height), (0, wide - width), (0, 0)), mode="edge")
    assert np.array_equal(out, run_network(name, padded))


@pytest.mark.parametrize("name", NETWORKS)
def test_a_picture_gives_the_same_whatever_was_looked_at_before(name: str) -> None:
    first = run_network(name, picture(64, 96))
    run_network(name, 255 - picture(160, 128))
    assert np.array_equal(run_network(name, picture(64, 96)), first)


def test_networks_hold_no_more_than_they_may_and_say_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """Small pictures leave room for others, a larger one for itself alone, and the largest for none."""
    looks = {
        ("coarse", 96, 64): {"coarse"},
        ("fine", 64, 96): {"coarse", "fine"},
        ("towers", 160, 128): {"towers"},
        ("fine", 160, 128): set(),
        ("towers", 64, 96): {"towers"},
    }
    said = [run_network(name, picture(h, w)) for name, h, w in looks]
    most = 4_500_000
    shelf: Shelf[Any] = Shelf(most, lambda ready: ready.held_bytes)
    monkeypatch.setattr(network_module, "HELD_BYTES", most)
    monkeypatch.setattr(network_module, "_ready", shelf)
    for ((name, h, w), left), before in zip(looks.items(), said, strict=True):
        assert np.array_equal(run_network(name, picture(h, w)), before)
        ready = [r for n in NETWORKS if (r := shelf.find(n)) is not None]
        assert {r.name for r in ready} == left
        assert sum(r.held_bytes for r in ready) <= most


@pytest.mark.parametrize("name", NETWORKS)
def test_the_network_gives_what_it_gave_in_training(name: str) -> None:
    """`reference` in the weights' JSON: [channel, row, column, value] of PyTorch's output for a picture of noise in

    [0, 1) that its seed makes again. Both programs compute in 32 bits; values are of the order of ten.
    """
    reference = json.loads((WEIGHTS / f"{name}.json").read_text("utf-8"))["reference"]
    noise = np.random.default_rng(reference["seed"]).random((1, 3, *reference["shape"]), dtype=np.float32)
    net = cv2.dnn.readNetFromONNX(str(WEIGHTS / f"{name}.onnx"))
    net.setInput(noise)
    out = net.forward()[0]
    want = reference["values"]
    assert len(want) >= 20
    assert np.ptp([v for *_, v in want]) > 1.0
    assert [float(out[c, j, i]) for c, j, i, _ in want] == pytest.approx([v for *_, v in want], abs=1e-4)


@pytest.mark.parametrize("name", NETWORKS)
def test_the_network_is_given_blue_green_red_from_0_to_1(name: str) -> None:
    shown = picture(64, 96)
    net = cv2.dnn.readNetFromONNX(str(WEIGHTS / f"{name}.onnx"))
    net.setInput(np.ascontiguousarray(np.moveaxis(shown.astype(np.float32) / 255, -1, 0)[None]))
    assert np.abs(net.forward()[0] - run_network(name, shown)).max() < 1e-4


@pytest.mark.parametrize("name", NETWORKS)
def test_a_network_is_small(name: str) -> None:
    assert 0 < (WEIGHTS / f"{name}.onnx").stat().st_size <= LIMIT_BYTES


def test_all_networks_are_small_together() -> None:
    assert sum((WEIGHTS / f"{name}.onnx").stat().st_size for name in NETWORKS) <= 2.5 * LIMIT_BYTES


@pytest.mark.parametrize("name", NETWORKS)
def test_a_higher_score_is_a_higher_probability(name: str) -> None:
    told = [probability(s, name) for s in np.linspace(-8.0, 8.0, 81)]
    assert all(a < b for a, b in pairwise(told))
    assert 0.0 <= told[0] < 0.01
    assert 0.95 < told[-1] <= 1.0


@pytest.mark.parametrize("name", NETWORKS)
def test_probabilities_hold_on_heads_not_trained_on(name: str) -> None:
    """The weights' own figures, from held-out views: said and right agree where there are enough to tell.

    Four standard deviations of a share of n, and 0.02 for the bend of a two-parameter curve.
    """
    bins = json.loads((WEIGHTS / f"{name}.json").read_text("utf-8"))["reliability"]
    enough = [b for b in bins if b["n"] >= 50]
    assert len(enough) >= 2
    for b in enough:
        spread = np.sqrt(b["mean_said"] * (1 - b["mean_said"]) / b["n"])
        assert abs(b["right"] - b["mean_said"]) < 4 * spread + 0.02, b


def test_a_plain_picture_shows_no_panel() -> None:
    """Sky, whatever its light and colour: nothing that would count."""
    for colour in ((200, 190, 180), (235, 180, 120), (90, 90, 90)):
        sky = np.full((256, 320, 3), colour, np.uint8)
        sky = cv2.add(sky, np.random.default_rng(3).integers(0, 4, sky.shape).astype(np.uint8))
        assert all(probability(p.score) < 0.1 for p in decode(run_network("fine", sky), -6.0))
