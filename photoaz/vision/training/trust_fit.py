"""Fit how far outlines are believed: `python -m photoaz.vision.training.trust_fit TABLE ...`.

Maximum likelihood on the signed errors of azimuths in tables of `outlines`: of every outline's modes one is right and
errs normally, or none is and the best one errs broadly. Cross-validated by head. Writes outline_trust.json and prints
the figures of MODEL_CARD.md.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, minimize

from photoaz.angles import wrap_rad
from photoaz.quantities import SHAPE_SIGMA_RAD
from photoaz.vision import trust
from photoaz.vision.measure import LEAST_EDGE
from photoaz.vision.trust import KINDS, MOST_MODES, SAME_TURN_RAD, Signs, shares_right, terms
from photoaz.vision.turn import MOST_PARTS, TurnDensity

Array = NDArray[Any]

#: folds of the cross-validation; weight of the coefficients' squares (of standardised terms), per outline
FOLDS, RIDGE = 6, 1e-3
#: the modes are put into the order of their probabilities, and fitted, so many times again
ORDERED_AGAIN = 3
_WRONG = ("near", "far", "turn", "near sigma", "far sigma", "turn sigma", "near power")
_WRONG_START = (
    *(1.0, 1.0, 1.0, float(np.log(np.radians(9.0)))),
    *(float(np.log(np.radians(28.0))), float(np.log(np.radians(4.0))), 0.5),
)
_N_WRONG = len(_WRONG)
#: how many of the last parameters are not coefficients of terms
_OTHERS = _N_WRONG + 1
#: what their logarithms may become: of near, far and turn over the rest, of their sigmas; the power; of `slip`
_LOW = (-6.0, -6.0, -6.0, np.log(0.01), np.log(0.05), np.log(0.005), 0.0, np.log(1e-4))
_HIGH = (6.0, 6.0, 6.0, 0.5, 0.7, 0.0, 1.5, np.log(0.1))
_SLIP_START = float(np.log(0.01))
#: an outline counts as right where its error is below so many of its widened standard uncertainties
_RIGHT_SIGMAS = 3.0


@dataclass(frozen=True, slots=True)
class Outlines:
    """Outlines of one kind, their modes padded to (N, M): errors, stated sigmas [rad], signs, which are there.

    turn (N, MOST_PARTS, 3): how the panel was seen turned: shares, middles off the first mode, sigmas [rad]; shares
    of 0 where nobody looked.
    """

    rows: list[dict[str, Any]]
    error: Array
    sigma: Array
    there: Array
    signs: Signs
    turn: Array

    @classmethod
    def of(cls, rows: Iterable[dict[str, Any]], kind: str, right: Mapping[str, float] | None = None) -> Outlines:
        """From rows of the tables; the modes that would be kept, the most probable first.

        right: coefficients that say how probable they are; without them the pixels and the finder do.
        """
        kept = [r for r in rows if r["kind"] == kind and r["modes"]]
        modes = [_apart(r["modes"], kind, right) for r in kept]
        shape = len(kept), MOST_MODES
        there = np.zeros(shape, bool)
        names = [f.name for f in fields(Signs)]
        values = {name: np.zeros(shape) for name in (*names, "error_rad")}
        for i, some in enumerate(modes):
            there[i, : len(some)] = True
            for name, v in values.items():
                v[i] = some[0][name]
                v[i, : len(some)] = [m[name] for m in some]
        return cls(
            kept,
            values["error_rad"],
            values["sigma_rad"],
            there,
            Signs(**{name: values[name] for name in names}),
            np.stack([_turn_of(r, some[0]) for r, some in zip(kept, modes, strict=True)]),
        )

    @property
    def heads(self) -> Array:
        return np.array([r["head"] for r in self.rows])


def _turn_of(row: dict[str, Any], first: dict[str, float]) -> Array:
    out = np.tile([0.0, 0.0, 1.0], (MOST_PARTS, 1))
    if row.get("turn_ln"):
        for k, (share, middle, sigma) in enumerate(TurnDensity(np.array(row["turn_ln"])).parts):
            out[k] = share, wrap_rad(middle - first["yaw_rad"]), sigma
    return out


def _apart(modes: list[dict[str, Any]], kind: str, right: Mapping[str, float] | None) -> list[dict[str, Any]]:
    if right is None:
        score = [-0.25 * m["cost"] - 0.5 * m["side_cost"] for m in modes]
    else:
        signs = Signs(**{f.name: np.array([m[f.name] for m in modes]) for f in fields(Signs)})
        score = np.asarray(sum(right[k] * v for k, v in terms(signs, kind)[0].items())).tolist()
    out: list[dict[str, Any]] = []
    for k in np.argsort([-s for s in score], kind="stable"):
        off = [abs(wrap_rad(modes[k]["error_rad"] - o["error_rad"])) for o in out]
        if all(v > SAME_TURN_RAD for v in off):
            out.append(modes[k])
    return out[:MOST_MODES]


def _normal(e: Array, sigma: Array | float) -> Array:
    turns = [np.exp(-0.5 * ((e + t) / sigma) ** 2) for t in (-2 * np.pi, 0.0, 2 * np.pi)]
    return np.asarray(sum(turns) / (sigma * np.sqrt(2 * np.pi)))


class Likelihood:
    """Of the errors of outlines; parameters: right's, widened's (of standardised terms), wrong's, and slip's."""

    def __init__(self, o: Outlines, kind: str) -> None:
        self.o = o
        right, wide = terms(o.signs, kind)
        self.right_names, self.wide_names = list(right), list(wide)
        self.right, self._right_scale = _standardised(right, o.there)
        self.wide, self._wide_scale = _standardised(wide, o.there)

    def start(self) -> Array:
        """Parameters to begin with."""
        first = np.zeros(len(self.right_names) + len(self.wide_names))
        first[0], first[len(self.right_names)] = 1.0, 0.2
        return np.concatenate([first, _WRONG_START, [_SLIP_START]])

    def parts(self, p: Array, some: Array) -> tuple[Array, Array, Array, Array, Array]:
        """Probabilities of modes (N, M) and their densities, best mode (N,), widened sigma (N, M), wrong's density."""
        n = len(self.right_names)
        there, e, sigma = self.o.there[some], self.o.error[some], self.o.sigma[some]
        score = np.where(there, self.right[some] @ p[:n], -1e9)
        widened = np.exp(np.clip(self.wide[some] @ p[n:-_OTHERS], np.log(0.5), np.log(8.0)))
        own = widened * sigma
        density = np.where(there, _normal(e, np.hypot(own, SHAPE_SIGMA_RAD)), 0.0)
        best = np.zeros(len(e), int)  # modes stand in the order of their probabilities, nearly
        r = np.arange(len(e))
        share = (1.0 - np.exp(p[-1])) * shares_right(score)
        return share, density, best, own, _wrong(p[-_OTHERS:-1], e[r, best], sigma[r, best], self.o.turn[some])

    def cost(self, p: Array, some: Array) -> tuple[float, Array, Array]:
        """-ln likelihood with the coefficients' squares, its gradient, and ln likelihood (N,)."""
        share, density, best, own, wrong = self.parts(p, some)
        e, sigma = self.o.error[some], self.o.sigma[some]
        none = 1.0 - share.sum(1)
        total = (share * density).sum(1) + none * wrong + 1e-300
        mine = share * density / total[:, None]
        variance = own**2 + SHAPE_SIGMA_RAD**2
        slip = np.exp(p[-1])
        of_logit = share / (1.0 - slip)
        # the logit's own share of none, and what slips beside it
        rest = mine.sum(1) + (none - slip) * wrong / total
        gradient = [
            np.einsum("nm,nmf->f", mine - of_logit * rest[:, None], self.right[some]),
            np.einsum("nm,nmf->f", mine * own**2 / variance * (e**2 / variance - 1.0), self.wide[some]),
        ]
        r, weight = np.arange(len(e)), none / total
        by_wrong = np.zeros(_N_WRONG)
        for k in range(_N_WRONG):
            step = np.eye(_N_WRONG)[k] * 1e-4
            at = e[r, best], sigma[r, best], self.o.turn[some]
            more, less = (_wrong(p[-_OTHERS:-1] + s, *at) for s in (step, -step))
            by_wrong[k] = (weight * (more - less)).sum() / 2e-4
        by_slip = -slip * ((of_logit * (density - wrong[:, None])).sum(1) / total).sum()
        ridge = RIDGE * len(e) * np.where(self._free(), 0.0, p)
        value = -float(np.log(total).sum()) + 0.5 * float(ridge @ p)
        return value, ridge - np.concatenate([*gradient, by_wrong, [by_slip]]), np.log(total)

    def _free(self) -> Array:
        free = np.zeros(len(self.right_names) + len(self.wide_names) + _OTHERS, bool)
        free[[0, len(self.right_names)]], free[-_OTHERS:] = True, True
        return free

    def fit(self, some: Array, start: Array) -> Array:
        """Parameters of the greatest likelihood."""

        def value_and_gradient(p: Array) -> tuple[float, Array]:
            value, gradient, _ = self.cost(p, some)
            return value, gradient

        found = minimize(
            value_and_gradient, start, jac=True, method="L-BFGS-B", bounds=self._bounds(), options={"maxiter": 500}
        )
        return np.asarray(found.x)

    def _bounds(self) -> Bounds:
        free = np.full(len(self.right_names) + len(self.wide_names), np.inf)
        return Bounds(np.append(-free, _LOW), np.append(free, _HIGH))

    def coefficients(self, p: Array) -> dict[str, dict[str, float]]:
        """Of the terms as they are, by name."""
        n = len(self.right_names)
        of = dict(zip(_WRONG, p[-_OTHERS:-1], strict=True))
        told = bool((self.o.turn[:, :, 0] > 0).any())
        a, b, c = np.exp(of["near"]), np.exp(of["far"]), np.exp(of["turn"]) * told
        whole = 1 + a + b + c
        sigmas = [np.exp(of[k]) for k in _WRONG if k.endswith("sigma")]
        values = a / whole, b / whole, c / whole, *sigmas, of["near power"]
        return {
            "right": _as_they_are(self.right_names, p[:n], self._right_scale),
            "widened": _as_they_are(self.wide_names, p[n:-_OTHERS], self._wide_scale),
            "slip": {"share": round(float(np.exp(p[-1])), 4)},
            "wrong": {k: float(f"{v:.4g}") for k, v in zip(_WRONG, values, strict=True)},
        }


def _standardised(by_name: dict[str, Array], there: Array) -> tuple[Array, tuple[Array, Array]]:
    x = np.stack(list(by_name.values()), -1)
    mean, spread = x[there].mean(0), x[there].std(0) + 1e-9
    mean[0], spread[0] = 0.0, 1.0
    return (x - mean) / spread * there[..., None], (mean, spread)


def _as_they_are(names: list[str], p: Array, scale: tuple[Array, Array]) -> dict[str, float]:
    mean, spread = scale
    out = p / spread
    out[0] -= float((out * mean).sum())
    return {k: float(f"{v:.5g}") for k, v in zip(names, out, strict=True)}


def _wrong(w: Array, e: Array, sigma: Array, turn: Array) -> Array:
    of = dict(zip(_WRONG, w, strict=True))
    a, b = np.exp(of["near"]), np.exp(of["far"])
    c = np.exp(of["turn"]) * (turn[:, :, 0].sum(1) > 0)
    near = np.exp(of["near sigma"]) * (sigma / np.radians(2.0)) ** of["near power"]
    flat = 1.0 / (2 * np.pi)
    # the truth lies -e off the mode
    wide = np.hypot(turn[:, :, 2], np.exp(of["turn sigma"]))
    told = (turn[:, :, 0] * _normal(-e[:, None] - turn[:, :, 1], wide)).sum(1)
    far = _normal(e, float(np.exp(of["far sigma"])))
    return np.asarray((a * _normal(e, near) + b * far + c * told + flat) / (1 + a + b + c))


@dataclass(frozen=True, slots=True)
class Validated:
    """Held-out, each (N,): ln likelihood, p_right, how responsible right modes are for what came, the error and the
    widened sigma [rad] of the mode that is nearest to right in these.
    """

    ln: Array
    p_right: Array
    responsible: Array
    error: Array
    sigma: Array


def validate(fit: Likelihood, heads: Array, first: Array) -> Validated:
    """Each head's outlines as the others predict them.

    heads (N,): whose outline each is. first: coefficients (P,) to begin each fit with.
    """
    names = np.unique(heads)
    fold_of = dict(zip(names, np.random.default_rng(0).permutation(len(names)) % FOLDS, strict=True))
    fold = np.array([fold_of[h] for h in heads])
    n = len(heads)
    out = Validated(*(np.zeros(n) for _ in range(5)))
    for k in range(FOLDS):
        mine = np.flatnonzero(fold == k)
        p = fit.fit(np.flatnonzero(fold != k), first)
        out.ln[mine] = fit.cost(p, mine)[2]
        share, density, _, own, wrong = fit.parts(p, mine)
        total = (share * density).sum(1) + (1 - share.sum(1)) * wrong
        out.p_right[mine] = share.sum(1)
        out.responsible[mine] = (share * density).sum(1) / total
        r = np.arange(len(mine))
        nearest = np.where(fit.o.there[mine], np.abs(fit.o.error[mine]) / own, np.inf).argmin(1)
        out.error[mine], out.sigma[mine] = fit.o.error[mine][r, nearest], own[r, nearest]
    return out


def report(o: Outlines, v: Validated, kind: str) -> None:
    """Reliability of p_right, and coverage of the right ones' 95 % intervals, by class."""
    print(f"{kind}: {len(o.rows)} outlines, ln likelihood {v.ln.mean():.4f} each (held out)")
    print(f"  p_right mean {v.p_right.mean():.3f}, responsible {v.responsible.mean():.3f}")
    classes: dict[str, Array] = {"all": np.ones(len(o.rows), bool)}
    width, yaw = o.signs.width_px[:, 0], np.degrees(np.abs(o.signs.yaw_rad[:, 0]))
    visible = np.array([r["true_visible"] for r in o.rows])
    for name, value, limits in (
        ("width", width, (0.0, 16.0, 24.0, 40.0, 80.0, 999.0)),
        ("yaw", yaw, (0.0, 25.0, 50.0, 75.0, 105.0, 181.0)),
        ("truly visible", visible, (0.0, 0.5, 0.8, 1.1)),
    ):
        for low, high in pairwise(limits):
            classes[f"{name} {low:g}-{high:g}"] = (value >= low) & (value < high)
    classes["once more"] = np.array([r["again"] == 1 for r in o.rows])
    for name, m in classes.items():
        if m.sum() < 20:
            continue
        z = np.abs(v.error[m]) / np.hypot(v.sigma[m], SHAPE_SIGMA_RAD)
        inside = float((v.responsible[m] * (z < 1.96)).sum() / v.responsible[m].sum())
        print(
            f"  {name:24s} n {m.sum():5d} said {v.p_right[m].mean():.3f} responsible {v.responsible[m].mean():.3f}"
            f" within {_RIGHT_SIGMAS:.0f} sigma {np.mean(z < _RIGHT_SIGMAS):.3f} right ones' 95 %: {inside:.3f}"
        )
    for low, high in pairwise((0.0, 0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 1.01)):
        m = (v.p_right >= low) & (v.p_right < high)
        if m.sum() > 10:
            said, was = v.p_right[m].mean(), v.responsible[m].mean()
            print(f"  said {low:.2f}-{high:.2f}: n {m.sum():5d} {said:.3f} -> {was:.3f}")


def agreement(o: Outlines, v: Validated) -> None:
    """How often two wrong outlines of one antenna, from neighbouring standpoints or not, agree within 5 degrees."""
    best = o.error[:, 0]
    by_panel: dict[tuple[str, int], list[int]] = {}
    for k, r in enumerate(o.rows):
        if r["again"] == 0 and v.responsible[k] < 0.2:
            by_panel.setdefault((r["head"], r["panel"]), []).append(k)
    wrong = np.array([k for some in by_panel.values() for k in some])
    if not len(wrong):
        return
    off = np.abs(np.angle(np.exp(1j * (best[wrong][:, None] - best[wrong]))))
    chance = float((off < np.radians(5)).sum() - len(wrong)) / max(len(wrong) * (len(wrong) - 1), 1)
    for name, same in (("one group", True), ("other groups", False)):
        agree = [
            abs(np.angle(np.exp(1j * (best[i] - best[j])))) < np.radians(5)
            for some in by_panel.values()
            for n, i in enumerate(some)
            for j in some[n + 1 :]
            if (o.rows[i]["group"] == o.rows[j]["group"]) == same
        ]
        if agree:
            print(
                f"  wrong pairs of {name}: {len(agree)}, agree within 5 deg: {np.mean(agree):.2f} (chance {chance:.2f})"
            )


def attractors(o: Outlines, v: Validated) -> None:
    """Share of wrong outlines by fitted yaw, and which way their yaw errs: towards face-on (-) or away from it (+)."""
    yaw = np.degrees(o.signs.yaw_rad[:, 0])
    away = np.degrees(o.error[:, 0]) * np.sign(yaw)
    wrong = v.responsible < 0.5
    for low in range(0, 180, 15):
        m = (np.abs(yaw) >= low) & (np.abs(yaw) < low + 15)
        if m.sum() > 20:
            bad = m & wrong
            print(
                f"  fitted yaw {low:3d}-{low + 15:3d}: n {m.sum():4d} wrong {wrong[m].mean():.3f}"
                f" of these too far from face-on {np.mean(away[bad] > 0) if bad.any() else np.nan:.2f}"
            )


#: classes whose spread drawn sites take: of width [px], of the true yaw off the sight [deg], and of p_right
_WIDTHS, _VIEWS = (0.0, 16.0, 24.0, 40.0, 80.0, np.inf), (0.0, 50.0, 75.0, 105.0)
_BELIEVED = (0.0, 0.05, 0.2, 0.5, 0.8, 0.95, 1.0)
_SHOWN, _ONE_PEAK = 0.7, 0.95
_LEVELS = (0.01, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99)


def spread(o: Outlines, p_right: Array, responsible: Array) -> None:
    """Quantiles for `photoaz.accuracy.outlines`, of panels that show for the most part and are not given up.

    Of p_right by view and width. Of turns that were seen with one peak, as nearly all are: by view how sharply [deg],
    and how far off for wrong outlines, in such sigmas; by p_right how far off the outline, likewise. A wrong one counts
    by how probable it is that it is wrong.
    """
    yaw = np.degrees(np.abs(wrap_rad(np.radians([r["true_yaw_deg"] for r in o.rows]))))
    shown = np.array([r["true_visible"] >= _SHOWN for r in o.rows]) & (yaw < _VIEWS[-1])
    shown &= o.signs.quality.max(1) >= LEAST_EDGE
    told = o.turn[:, 0]
    one = shown & (told[:, 0] > _ONE_PEAK)
    apart = np.abs(wrap_rad(told[:, 1])) / told[:, 2]
    off = np.abs(wrap_rad(o.error[:, 0] + told[:, 1])) / told[:, 2]
    for low, high in pairwise(_VIEWS):
        view = shown & (yaw >= low) & (yaw < high)
        print(f"true yaw {low:g}-{high:g}:")
        for least, most in pairwise(_WIDTHS):
            m = view & (o.signs.width_px[:, 0] >= least) & (o.signs.width_px[:, 0] < most)
            print(f"  {least:g}-{most:g} px, n {m.sum()}: {np.round(np.quantile(p_right[m], _LEVELS), 3).tolist()}")
        view &= one
        sharp = np.degrees(np.quantile(told[view, 2], _LEVELS))
        print(f"  turn seen with sigma: {np.round(sharp, 1).tolist()}")
        wrong = (1.0 - responsible)[view]
        print(f"  off by so many, wrong, n {wrong.sum():.0f}: {np.round(_quantiles(off[view], wrong), 2).tolist()}")
    for low, high in pairwise(_BELIEVED):
        m = one & (p_right >= low) & (p_right < high)
        print(f"p_right {low:g}-{high:g}, n {m.sum()}: {np.round(np.quantile(apart[m], _LEVELS), 2).tolist()}")


def _quantiles(values: Array, weight: Array) -> Array:
    """Quantiles at _LEVELS of values (N,) that count by their weights (N,)."""
    order = np.argsort(values)
    share = (np.cumsum(weight[order]) - 0.5 * weight[order]) / weight.sum()
    return np.asarray(np.interp(_LEVELS, share, values[order]))


def _from_in_front(o: Outlines) -> Array:
    """Which outlines (N,) are of panels seen as `plan` has them seen: from in front, and most of each."""
    yaw = np.abs(wrap_rad(np.radians([r["true_yaw_deg"] for r in o.rows])))
    return np.array([r["true_visible"] >= _SHOWN for r in o.rows]) & (yaw < np.radians(_VIEWS[2]))


def _usual(o: Outlines, best: Array, wall: float) -> dict[str, float]:
    """Median signs of the most probable modes that show a side wall, or none."""
    at = np.arange(len(best)), best
    some = o.signs.wall[at] == wall
    return {f.name: float(f"{np.median(getattr(o.signs, f.name)[at][some]):.4g}") for f in fields(Signs)}


def main() -> None:
    """Parse the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("tables", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, default=Path(trust.__file__).with_name("outline_trust.json"))
    args = parser.parse_args()
    rows = [json.loads(line) for t in args.tables for line in t.read_text(encoding="utf-8").splitlines()]
    out: dict[str, Any] = {}
    for kind in KINDS:
        o = Outlines.of(rows, kind)
        everything = np.arange(len(o.rows))
        fit = Likelihood(o, kind)
        p = fit.fit(everything, fit.start())
        for _ in range(ORDERED_AGAIN):
            o = Outlines.of(rows, kind, fit.coefficients(p)["right"])
            fit = Likelihood(o, kind)
            p = fit.fit(everything, fit.start())
            print(kind, -fit.cost(p, everything)[0] / len(everything), flush=True)
        v = validate(fit, o.heads, p)
        share, _, best, own, _ = fit.parts(p, everything)
        at = everything, best
        out[kind] = fit.coefficients(p) | {
            "usual": {
                "p_right": round(float(share.sum(1)[_from_in_front(o)].mean()), 3),
                "widened": round(float(np.exp(np.log(own[at] / o.sigma[at]).mean())), 3),
                **{name: _usual(o, best, wall) for name, wall in (("one face", 0.0), ("two faces", 1.0))},
            }
        }
        report(o, v, kind)
        agreement(o, v)
        attractors(o, v)
        if kind == "found":
            spread(o, v.p_right, v.responsible)
        print(json.dumps(out[kind], indent=1))
    args.out.write_text(json.dumps(out, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
