"""How far a fitted outline can be believed: whether it is the antenna's own, and how well it then tells the azimuth.

An outline fits in one or several ways (modes). One of them is right, or none is: what was fitted lies on edges of other
things. Given what is seen of each mode, a conditional logit says how probable each is, and that none is. The azimuth of
a right one errs by its stated standard uncertainty times a factor; a wrong one's by a broad distribution about it. All
numbers were fitted to rendered heads whose truth is known (training/MODEL_CARD.md) and lie in outline_trust.json.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from photoaz.angles import wrap_rad
from photoaz.photo.camera import Array, directions_from_pixels
from photoaz.vision.appearance import Appearance
from photoaz.vision.box import Sighting, width_across
from photoaz.vision.boxes import Prior
from photoaz.vision.evidence import TILT_SIGMA_RAD, BoxMode, Spread, azimuths_of
from photoaz.vision.finder import PanelCandidate
from photoaz.vision.fit import Minimum
from photoaz.vision.starts import side_cost
from photoaz.vision.turn import TurnDensity

#: how panels come to be measured: the finder saw them, a person picked their fronts' corners, or marked a point on them
KINDS = ("found", "picked", "marked")
#: modes turned against each other by less than this are one; no outline has more than so many
SAME_TURN_RAD, MOST_MODES = float(np.radians(4.0)), 4
#: widening factors beyond these were not met in training
_WIDENED = (0.5, 8.0)
_MODEL = Path(__file__).resolve().parent / "outline_trust.json"
#: the signs that come from what the photo looks like
_APPEARANCE = (
    *("explained", "two_faces", "face", "side", "beyond_across", "beyond_along", "edge_least", "edge_most"),
    *("edge_top", "edge_bottom", "edge_inner", "unexplained", "unexplained_at", "inner_at", "outside"),
)
#: the signs that only what is found has
_FOUND = ("side_cost", "moved_x", "moved_y", "wider", "probability", "sure", "visible", "turn", "turn_most")
#: width [px] and standard uncertainty [rad] that logarithms are taken of
_WIDTH_PX, _SIGMA_RAD = 30.0, float(np.radians(2.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Signs:
    """What is seen of the modes of one antenna's outline in one photo, each (M,).

    cost: -2 ln likelihood of the pixels; quality: share of the outline that found its edge; width_px: as seen; blur_px;
    sigma_rad: stated standard uncertainty of the azimuth (`evidence.azimuths_of`); yaw_rad: front's normal off the
    sight in plan; elevation_rad: of the sight; front, rear, wall: whether these are seen. size_cost: -2 ln of the prior
    of the sizes; common_off: ln of how much larger the box is than expected; tilt_off, roll_off: off what was expected,
    in standard uncertainties. explained to outside: those of `appearance.Appearance`; of `beyond` the greater across
    and along the box, of its edges the weaker and the stronger upright one, the upper, the lower and the inner one.

    Of a found panel, else 0: side_cost: what the finder's word on its turn costs; moved_x, moved_y, wider: from the
    finder's box to the fitted one, in widths, and ln; probability, sure (of front or rear, 0 to 1), visible,
    by_structure, by_panel, by_frame (what hides it): the finder's word. turn, turn_most: ln density of such a turn, and
    of the likeliest one, against all turns alike (`turn`).
    """

    cost: Array
    quality: Array
    width_px: Array
    blur_px: Array
    sigma_rad: Array
    yaw_rad: Array
    elevation_rad: Array
    front: Array
    rear: Array
    wall: Array
    size_cost: Array
    common_off: Array
    tilt_off: Array
    roll_off: Array
    side_cost: Array
    moved_x: Array
    moved_y: Array
    wider: Array
    probability: Array
    sure: Array
    visible: Array
    by_structure: Array
    by_panel: Array
    by_frame: Array
    turn: Array
    turn_most: Array
    explained: Array
    two_faces: Array
    face: Array
    side: Array
    beyond_across: Array
    beyond_along: Array
    edge_least: Array
    edge_most: Array
    edge_top: Array
    edge_bottom: Array
    edge_inner: Array
    unexplained: Array
    unexplained_at: Array
    inner_at: Array
    outside: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlineTrust:
    """How far one mode of an outline is believed.

    score: ln of how much more probable it is that this mode is right than that none is. widened: factor of the stated
    standard uncertainty where it is right. wrong: where the azimuth is if it is wrong, as `wrong_of`.
    """

    score: float
    widened: float
    wrong: tuple[Spread, ...]


def signs_of(
    sighting: Sighting,
    modes: Sequence[BoxMode],
    minima: Sequence[Minimum],
    prior: Prior,
    candidate: PanelCandidate | None,
    binned: int = 1,
    turn: TurnDensity | None = None,
) -> Signs:
    """What is seen of an outline's modes and the minima that they come from; at least one.

    candidate: the finder's, None for a panel that a person named; turn: how it is turned. binned: all is in
    the pixels of a picture reduced by this factor.
    """
    theta = np.stack([m.theta for m in minima])
    _, sigma = azimuths_of(modes, sighting.camera, sighting.cam_from_level, TILT_SIGMA_RAD)
    sight = directions_from_pixels(sighting.camera, theta[:, 3:5]) @ sighting.cam_from_level
    off = theta - prior.mean
    known = prior.information
    size = off[:, 5:8]
    none = np.zeros(len(modes))
    word = dict.fromkeys(_FOUND, none)
    yaw = wrap_rad(theta[:, 0] - np.arctan2(-sight[:, 0], -sight[:, 1]))
    if candidate is not None:
        c = candidate
        wide = width_across(c.corners_px)
        moved = np.abs(np.stack([m.corners_px.mean(0) for m in modes]) - c.corners_px.mean(0)) / wide
        word = {
            "side_cost": np.array([side_cost(sighting, c, t, turn) for t in theta]),
            "moved_x": moved[:, 0],
            "moved_y": moved[:, 1],
            "wider": np.log([m.width_px / wide for m in modes]),
            "probability": none + c.probability,
            "sure": none + 2.0 * abs(c.front - 0.5),
            "visible": none + c.visible,
            "turn": none if turn is None else turn.at(yaw),
            "turn_most": none if turn is None else none + turn.ln.max(),
        }
    look = [_looks(m.appearance) for m in modes]
    cover = None if candidate is None else candidate.hidden_by
    return Signs(
        cost=np.array([m.cost for m in minima]),
        quality=np.array([m.quality for m in minima]),
        width_px=np.array([m.width_px * binned for m in modes]),
        blur_px=np.array([m.blur_px for m in minima]),
        sigma_rad=sigma,
        yaw_rad=yaw,
        elevation_rad=np.arcsin(np.clip(sight[:, 2], -1.0, 1.0)),
        front=np.array([float(m.front_visible) for m in modes]),
        rear=np.array([float(m.rear_visible) for m in modes]),
        wall=np.array([float(m.has_wall) for m in modes]),
        size_cost=((size @ known[5:8, 5:8]) * size).sum(1),
        common_off=np.median(size, 1),
        tilt_off=off[:, 1] * np.sqrt(known[1, 1]),
        roll_off=off[:, 2] * np.sqrt(known[2, 2]),
        by_structure=none + (cover == "structure"),
        by_panel=none + (cover == "panel"),
        by_frame=none + (cover == "frame"),
        **word,
        **{name: np.array([v[name] for v in look]) for name in look[0]},
    )


def _looks(appearance: Appearance | None) -> dict[str, float]:
    """What the photo looks like over the whole of a box; where nobody asked, nothing."""
    a = appearance
    if a is None:
        return dict.fromkeys(_APPEARANCE, 0.0)
    left, right, top, bottom, inner = a.edges
    values = (
        *(a.explained, a.two_faces, a.face, a.side, max(a.beyond[:2]), max(a.beyond[2:]), min(left, right)),
        *(max(left, right), top, bottom, inner, a.unexplained, a.unexplained_at, a.inner_at, a.outside),
    )
    return dict(zip(_APPEARANCE, values, strict=True))


def terms(signs: Signs, kind: str) -> tuple[dict[str, Array], dict[str, Array]]:
    """What the logit and the logarithm of the widening factor are linear in, by name, each (M,)."""
    s = signs
    lack = 1.0 - s.quality
    size = np.log(np.maximum(s.width_px, 3.0) / _WIDTH_PX)
    one = np.ones_like(s.cost)
    view = {
        "one": one,
        "lacking": lack,
        "lacking much": np.maximum(lack - 0.3, 0.0),
        "ln width, narrow": np.minimum(size, 0.0),
        "ln width, wide": np.maximum(size, 0.0),
        "in profile": np.sin(s.yaw_rad) ** 2,
        "towards": np.cos(s.yaw_rad),
        "wall": s.wall,
    }
    right = {
        **view,
        "cost": s.cost,
        "sizes": np.log1p(s.size_cost),
        "larger": s.common_off,
        "other size": np.abs(s.common_off),
        "tilt": np.abs(s.tilt_off),
        "roll": np.abs(s.roll_off),
    }
    looks = _look_terms(s, size)
    right |= looks
    wide = {k: v for k, v in view.items() if k != "lacking much"} | looks
    if kind == "marked":
        right |= {"rear": s.rear}
    if kind == "found":
        both = {
            "rear": s.rear,
            "visible": s.visible,
            "clearly visible": np.maximum(s.visible - 0.75, 0.0),
        }
        wide |= {**both, "blur": s.blur_px, "ln sigma": np.log(s.sigma_rad / _SIGMA_RAD)}
        wide |= {"turn": s.turn, "turn told": s.turn_most}
        right |= {
            **both,
            "side alone": (1.0 - s.front) * (1.0 - s.rear),
            "side cost": s.side_cost,
            "behind structure": s.by_structure,
            "behind a panel": s.by_panel,
            "beyond the frame": s.by_frame,
            "side sure": s.sure,
            "odds": np.log((s.probability + 1e-3) / (1.0 - s.probability + 1e-3)),
            "moved across": np.minimum(s.moved_x, 0.6),
            "moved along": np.minimum(s.moved_y, 1.5),
            "wider": s.wider,
            "other width": np.abs(s.wider),
            "blur": s.blur_px,
            "elevation": s.elevation_rad,
            "ln sigma": np.log(s.sigma_rad / _SIGMA_RAD),
            "turn": s.turn,
            "turn against it": np.minimum(s.turn, 0.0),
            "turn told": s.turn_most,
        }
    return right, wide


def _look_terms(s: Signs, size: Array) -> dict[str, Array]:
    """Terms of what the photo looks like over the whole of each box; size (M,): ln of its width."""
    return {
        "explained": s.explained,
        "explained, wide": s.explained * size,
        "two faces": s.two_faces,
        "face even": s.face,
        "side even": s.side,
        "face goes on across": s.beyond_across,
        "face goes on along": s.beyond_along,
        "weaker edge": s.edge_least,
        "stronger edge": s.edge_most,
        "upper edge": s.edge_top,
        "lower edge": s.edge_bottom,
        "inner edge": s.edge_inner,
        "one face": 1.0 * (s.inner_at == 0.0),
        "unexplained": s.unexplained,
        "unexplained, midway": s.unexplained * np.minimum(s.unexplained_at, 1.0 - s.unexplained_at),
        "outside": s.outside,
    }


@cache
def model() -> Mapping[str, Any]:
    """Numbers by kind: coefficients of `right` and `widened` by term, `slip`, `wrong`, and what is `usual`."""
    out: Mapping[str, Any] = json.loads(_MODEL.read_text(encoding="utf-8"))
    return out


def trust_of(signs: Signs, kind: str, turn: TurnDensity | None = None) -> list[OutlineTrust]:
    """How far each mode of an outline is believed, in the order of the signs; turn: how the panel is turned."""
    m = model()[kind]
    right, wide = terms(signs, kind)
    score = np.asarray(sum(m["right"][k] * v for k, v in right.items()))
    widened = np.exp(np.clip(sum(m["widened"][k] * v for k, v in wide.items()), *np.log(_WIDENED)))
    return [
        OutlineTrust(score=float(v), widened=float(k), wrong=wrong_of(m["wrong"], float(s), turn_spreads(turn, yaw)))
        for v, k, s, yaw in zip(score, widened, signs.sigma_rad, signs.yaw_rad, strict=True)
    ]


def believed(modes: Sequence[BoxMode], trust: Sequence[OutlineTrust], slip: float) -> tuple[BoxMode, ...]:
    """Modes of an outline as far as they are believed, the most probable first; of those turned alike one is kept.

    slip: share of outlines that are wrong although nothing speaks against them.
    """
    out: list[BoxMode] = []
    for m, t in sorted(zip(modes, trust, strict=True), key=lambda pair: -pair[1].score):
        alike = any(np.trace(m.rotation @ o.rotation.T) > 1.0 + 2.0 * np.cos(SAME_TURN_RAD) for o in out)
        if not alike and len(out) < MOST_MODES:
            k = t.widened
            out.append(replace(m, cost=-2.0 * t.score, root=m.root / k, offset=m.offset / k, wrong=t.wrong))
    p_right = (1.0 - slip) * float(shares_right(-0.5 * np.array([m.cost for m in out])).sum()) if out else 0.0
    return tuple(replace(m, p_right=p_right) for m in out)


def shares_right(score: Array) -> Array:
    """Probabilities (..., M) that each mode is right from their scores (..., M); what is left is that none is."""
    top = np.maximum(score.max(-1, keepdims=True), 0.0)
    share = np.exp(score - top)
    return np.asarray(share / (share.sum(-1, keepdims=True) + np.exp(-top)))


def wrong_of(coefficients: Mapping[str, float], sigma_rad: float, told: Sequence[Spread] = ()) -> tuple[Spread, ...]:
    """Where the azimuth is if an outline is wrong, by its stated standard uncertainty.

    told: how the panel was seen turned, off the outline's azimuth (`turn_spreads`); nothing where nobody looked.
    """
    c = coefficients
    near = c["near sigma"] * (sigma_rad / _SIGMA_RAD) ** c["near power"]
    rest = 1.0 if told else 1.0 / (1.0 - c["turn"])
    seen = [Spread(c["turn"] * t.share, float(np.hypot(t.sigma_rad, c["turn sigma"])), t.off_rad) for t in told]
    return Spread(rest * c["near"], near), Spread(rest * c["far"], c["far sigma"]), *seen


def turn_spreads(turn: TurnDensity | None, yaw_rad: float) -> list[Spread]:
    """How a panel was seen turned, off the azimuth of an outline whose front stands `yaw_rad` off the sight."""
    parts = () if turn is None else turn.parts
    return [Spread(share, sigma, float(wrap_rad(middle - yaw_rad))) for share, middle, sigma in parts]


def slip_of(kind: str) -> float:
    """Share of outlines that are wrong although nothing speaks against them."""
    return float(model()[kind]["slip"]["share"])


def usual_p_right() -> float:
    """Of found panels' outlines so many are right, most of each seen from in front, as `plan` has them seen."""
    return float(model()["found"]["usual"]["p_right"])


def foreseen_widened(mode: BoxMode, sighting: Sighting, azimuth_rad: float, visible: float) -> float:
    """By how much the outline of a found panel will be worse than it states, if right; so much of it will be seen.

    What nobody can foresee, such as the blur, is as usual where as many faces are seen; what is hidden shows no
    edge.
    """
    sight = sighting.cam_from_level.T @ directions_from_pixels(sighting.camera, mode.centre_px)
    _, sigma = azimuths_of([mode], sighting.camera, sighting.cam_from_level, TILT_SIGMA_RAD)
    usual = model()["found"]["usual"]["two faces" if mode.has_wall else "one face"]
    seen = {
        "width_px": mode.width_px,
        "sigma_rad": sigma[0],
        "yaw_rad": azimuth_rad - np.arctan2(-sight[0], -sight[1]),
        "elevation_rad": np.arcsin(np.clip(sight[2], -1.0, 1.0)),
        "front": mode.front_visible,
        "rear": mode.rear_visible,
        "wall": mode.has_wall,
        "visible": visible,
        "quality": usual["quality"] * min(1.0, visible / usual["visible"]),
    }
    signs = Signs(**{k: np.array([float(v)]) for k, v in (usual | seen).items()})
    return trust_of(signs, "found")[0].widened
