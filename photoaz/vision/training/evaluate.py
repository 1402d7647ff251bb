"""How good a trained network is on heads that it has not seen, and what its scores mean as probabilities."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import torch
from scipy.optimize import minimize
from torch import nn

from photoaz.vision.panel_network import decode
from photoaz.vision.training.data import Scenes, make_batch
from photoaz.vision.training.loss import LOST, SEEN

#: classes of width that the figures are given for, px
CLASSES = ((0, 5), (5, 10), (10, 16), (16, 24), (24, 36), (36, 80))


def evaluate(
    net: nn.Module, scenes: Scenes, widths: tuple[float, float, float], *, size: int, seed: int, pictures: int = 600
) -> dict[str, Any]:
    """Figures on random pictures of held-out views.

    A panel counts as found where a box of the network shares half of the union with its outline. Recall and precision
    at probability one half, by width; corner error as a share of the width; front and rear told apart; calibration.
    """
    torch.manual_seed(seed + 1)
    low, high, smallest = widths
    scores: list[tuple[float, bool]] = []
    truths: list[tuple[float, float, float]] = []  # width, visible, best score
    errors: list[tuple[float, float]] = []
    turns: list[float] = []
    fronts: list[bool] = []
    seen = 0
    for _ in range(0, pictures, 16):
        seen += 16
        with torch.no_grad():
            batch = make_batch(scenes, 16, size, (low, high))
            outs = net(batch.image).float().cpu().numpy()
        for k, out in enumerate(outs):
            corners = batch.corners[k].cpu().numpy()
            visible, width = batch.visible[k].cpu().numpy(), batch.width[k].cpu().numpy()
            facing, yaw = batch.facing[k].cpu().numpy(), batch.yaw[k].cpu().numpy()
            hulls = [cv2.convexHull(c.astype(np.float32)) for c in corners]
            best = np.full(len(corners), -np.inf)
            taken = np.zeros(len(corners), bool)
            for panel in decode(out, threshold=-4.0):
                hull = cv2.convexHull(panel.corners_px.astype(np.float32))
                shares = np.array(
                    [_share(hull, h) if v > LOST * 0.5 else 0.0 for h, v in zip(hulls, visible, strict=True)]
                )
                shares[taken] = 0
                j = int(shares.argmax())
                if shares[j] < 0.5:
                    scores.append((panel.score, False))
                    continue
                taken[j] = True
                best[j] = panel.score
                if visible[j] < SEEN or width[j] < smallest:
                    continue
                scores.append((panel.score, True))
                if abs(facing[j]) > 0.12:
                    away = np.hypot(*(panel.corners_px - corners[j]).T)
                    if (panel.front > 0.5) == (facing[j] > 0):
                        errors.append((float(width[j]), float(np.median(away)) / float(width[j])))
                    turns.append(abs(float((panel.yaw_rad - yaw[j] + np.pi) % (2 * np.pi) - np.pi)))
                if abs(facing[j]) > 0.25:
                    fronts.append((panel.front > 0.5) == bool(facing[j] > 0))
            for j in range(len(corners)):
                if visible[j] >= SEEN and width[j] >= smallest:
                    truths.append((float(width[j]), float(visible[j]), float(best[j])))
    score = np.array(scores, float)
    slope, offset = calibrated(score[:, 0], score[:, 1] > 0)
    said = 1 / (1 + np.exp(-(slope * score[:, 0] + offset)))
    right = score[:, 1] > 0
    truth = np.array(truths)
    half = -offset / slope
    table = []
    for a, b in CLASSES:
        in_class = (truth[:, 0] >= a) & (truth[:, 0] < b)
        clear = in_class & (truth[:, 1] >= 0.7)
        e = [x for w, x in errors if a <= w < b]
        if in_class.sum():
            table.append(
                {
                    "width_px": [a, b],
                    "panels": int(in_class.sum()),
                    "recall": _mean(truth[in_class, 2] > half),
                    "recall_70_percent_visible": _mean(truth[clear, 2] > half),
                    "corner_error_median_of_width": float(np.median(e)) if e else None,
                }
            )
    bins = [
        {"said": [a / 10, (a + 2) / 10], "n": int(m.sum()), "mean_said": _mean(said[m]), "right": _mean(right[m])}
        for a in range(0, 10, 2)
        if (m := (said >= a / 10) & (said < (a + 2) / 10 + (a == 8))).any()
    ]
    return {
        "calibration": {"look": {"slope": float(slope), "offset": float(offset)}},
        "precision_at_half": _mean(right[said > 0.5]),
        "false_per_picture_at_half": float((~right[said > 0.5]).sum() / seen),
        "recall_at_half": _mean(truth[:, 2] > half),
        "front_or_rear_right": _mean(np.array(fronts)),
        "yaw_error_median_deg": float(np.degrees(np.median(turns))) if turns else None,
        "yaw_error_90_percent_deg": float(np.degrees(np.percentile(turns, 90))) if turns else None,
        "scores": score.round(3).tolist(),
        "by_width": table,
        "reliability": bins,
    }


def _mean(values: np.ndarray) -> float:
    return round(float(np.mean(values)), 4) if len(values) else float("nan")


def _share(a: np.ndarray, b: np.ndarray) -> float:
    area = cv2.intersectConvexConvex(a, b)[0]
    whole = cv2.contourArea(a) + cv2.contourArea(b) - area
    return float(area / whole) if whole > 0 else 0.0


def calibrated(score: np.ndarray, right: np.ndarray, weight: np.ndarray | float = 1.0) -> tuple[float, float]:
    """Slope and offset of a logistic regression of being right on the score (Platt's scaling)."""

    def cost(x: np.ndarray) -> float:
        z = x[0] * score + x[1]
        return float(np.mean(weight * (np.logaddexp(0, z) - right * z)))

    slope, offset = minimize(cost, np.array([1.0, 0.0]), method="BFGS").x
    return float(slope), float(offset)
