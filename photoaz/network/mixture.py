"""The distribution of one angle that evidence leaves: a mixture of normal ones, wrapped round the circle."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import wrap_rad

Array = NDArray[Any]

#: decimals to which two are compared: which of equal ones is ahead hangs on the order of sums alone
_ALIKE = 9
#: a part so wide is flat over the circle; one so wide has no peak of its own [rad]
FLAT_RAD, BROAD_RAD = 1.2, 0.6
#: two parts are one peak where their values differ by less than this, or by less than so many of their sigmas; a part
#: so many times wider than a peak that it lies on is none, but what is left if the peak is wrong
SAME_PEAK_RAD, SAME_PEAK_SIGMAS, WIDER = float(np.radians(1.0)), 1.5, 3.0
#: what is counted of a normal distribution wrapped round the circle
_TURNS = 2.0 * np.pi * np.array([-1.0, 0.0, 1.0])[:, None]


def heaviest_first(ln_weight: Array) -> Array:
    """Order (n,) by the logarithms of weights (n,); those alike as they stand."""
    return np.argsort(-np.round(ln_weight, _ALIKE), kind="stable")


@dataclass(frozen=True, slots=True)
class Peak:
    """One azimuth [rad] that the evidence allows, its standard uncertainty [rad] if it is the true one; its share."""

    azimuth_rad: float
    sigma_rad: float
    probability: float


@dataclass(frozen=True, slots=True)
class Mixture:
    """weight (n,), of sum 1; value (n,), sigma (n,) [rad]."""

    weight: Array
    value: Array
    sigma: Array

    def moved(self, by_rad: float) -> Mixture:
        """Turned by an angle."""
        return replace(self, value=self.value + by_rad)

    def widened(self, sigma_rad: float) -> Mixture:
        """With an independent error more that is common to all parts."""
        return replace(self, sigma=np.hypot(self.sigma, sigma_rad))

    def between(self, low_rad: Array | float, high_rad: Array | float) -> Array:
        """Probability (...) of the arc from low up to high (...), which is at most a turn."""
        from scipy.special import ndtr

        low, high = np.asarray(low_rad, float)[..., None], np.asarray(high_rad, float)[..., None]
        middle = 0.5 * (low + high)
        off = wrap_rad(self.value - middle)
        half = 0.5 * (high - low)
        parts = ndtr((half[..., None] - off[..., None, :] - _TURNS) / self.sigma) - ndtr(
            (-half[..., None] - off[..., None, :] - _TURNS) / self.sigma
        )
        inside = np.where(self.sigma >= FLAT_RAD, half / np.pi, parts.sum(-2))
        return np.asarray((inside * self.weight).sum(-1))

    def u95_about(self, value_rad: float) -> float:
        """Half-width [rad] of the interval about a value that holds 95 %."""
        from scipy.optimize import brentq
        from scipy.special import ndtr

        flat = self.sigma >= FLAT_RAD
        sigma, weight = np.tile(self.sigma[~flat], 3), np.tile(self.weight[~flat], 3)
        off = ((wrap_rad(self.value[~flat] - value_rad) + _TURNS).ravel()) / sigma
        everywhere = float(self.weight[flat].sum()) / np.pi

        def lacking(half: float) -> float:
            reach = half / sigma
            return float(weight @ (ndtr(reach - off) - ndtr(-reach - off))) + everywhere * half - 0.95

        return float(brentq(lacking, 0.0, np.pi, xtol=1e-12)) if lacking(np.pi) > 0.0 else float(np.pi)

    def rms_about(self, value_rad: float) -> float:
        """Root mean square [rad] of the distance from a value."""
        sigma = np.where(self.sigma >= FLAT_RAD, np.pi / np.sqrt(3.0), self.sigma)
        off = np.where(self.sigma >= FLAT_RAD, 0.0, wrap_rad(self.value - value_rad))
        return float(np.sqrt((self.weight * (sigma**2 + off**2)).sum()))

    def peaks(self) -> tuple[Peak, ...]:
        """The distinct azimuths, the most probable first; at least one. Broad parts are left out."""
        order = heaviest_first(np.log(np.maximum(self.weight / self.sigma, 1e-300)))
        of_peak: list[list[int]] = []
        for k in order.tolist():
            if self.sigma[k] > BROAD_RAD and of_peak:
                continue
            for members in of_peak:
                apart = abs(float(wrap_rad(self.value[k] - self.value[members[0]])))
                near = SAME_PEAK_SIGMAS * float(self.sigma[k] + self.sigma[members[0]])
                if apart < max(SAME_PEAK_RAD, near):
                    if self.sigma[k] < WIDER * max(float(self.sigma[members[0]]), SAME_PEAK_RAD):
                        members.append(k)
                    break
            else:
                of_peak.append([k])
        peaks = []
        for members in of_peak:
            w = self.weight[members]
            off = wrap_rad(self.value[members] - self.value[members[0]])
            mean = float(w @ off / w.sum())
            sigma = float(np.sqrt(w @ (self.sigma[members] ** 2 + (off - mean) ** 2) / w.sum()))
            peaks.append(Peak(float(self.value[members[0]]) + mean, sigma, float(w.sum())))
        return tuple(sorted(peaks, key=lambda p: -p.probability))

    def reweighted(self, factor: Array) -> Mixture:
        """With each part's weight times a factor (n,), of sum 1 again."""
        weight = self.weight * factor
        return replace(self, weight=weight / weight.sum())

    def with_fewer(self, most: int) -> Mixture:
        """At most so many parts: again and again the two melted, moments matched, that are least missed.

        By the bound of the Kullback-Leibler discrimination (A. R. Runnalls, IEEE Trans. Aerospace and Electronic
        Systems 43 (2007) 989, eq. 16): a light part that is broad is not melted into a narrow one.
        """
        if len(self.weight) <= most:
            return self
        few = self._nearest_melted(3 * most)
        n = len(few.weight)
        weight, value, square = few.weight.copy(), few.value.copy(), few.sigma**2
        there = np.ones(n, bool)
        own = weight * np.log(square)

        def cost_of(i: Array | int) -> Array:
            """What each costs, melted with each of i; to as many decimals as do not hang on the order of sums."""
            both = np.maximum(weight + weight[i], 1e-300)
            share = weight[i] / both
            rest = 1.0 - share
            off = wrap_rad(value[i] - value)
            as_one = rest * square + share * square[i] + share * rest * off**2
            return np.asarray((both * np.log(as_one) - (own + own[i])).round(12))

        cost = cost_of(np.arange(n)[:, None])
        cost[range(n), range(n)] = np.inf
        for _ in range(n - most):
            i, j = divmod(int(cost.argmin()), n)
            share = weight[i] / np.maximum(weight[j] + weight[i], 1e-300)
            off = wrap_rad(value[i] - value[j])
            square[j] = (1.0 - share) * square[j] + share * square[i] + share * (1.0 - share) * off**2
            value[j] += share * off
            weight[j], there[i] = weight[j] + weight[i], False
            own[j] = weight[j] * np.log(square[j])
            cost[i], cost[:, i] = np.inf, np.inf
            now = np.where(there, cost_of(j), np.inf)
            now[j] = np.inf
            cost[j], cost[:, j] = now, now
        return Mixture(weight[there], value[there], np.sqrt(square[there]))

    def _nearest_melted(self, most: int) -> Mixture:
        """At most so many parts, in one go: the lightest melted into those kept that are nearest, moments matched."""
        if len(self.weight) <= most:
            return self
        order = heaviest_first(np.log(np.maximum(self.weight, 1e-300)))
        kept, rest = order[:most], order[most:]
        off = wrap_rad(self.value[rest][:, None] - self.value[kept])
        apart = (off / np.hypot(self.sigma[rest][:, None], self.sigma[kept])) ** 2
        to = (apart + np.log(self.sigma[rest][:, None] / self.sigma[kept]) ** 2).round(_ALIKE).argmin(1)
        weight, moved = self.weight[kept].copy(), np.zeros(most)
        square = weight * self.sigma[kept] ** 2
        off = off[np.arange(len(rest)), to]
        np.add.at(weight, to, self.weight[rest])
        np.add.at(moved, to, self.weight[rest] * off)
        np.add.at(square, to, self.weight[rest] * (self.sigma[rest] ** 2 + off**2))
        moved = moved / weight
        return Mixture(weight, self.value[kept] + moved, np.sqrt(np.maximum(square / weight - moved**2, 1e-12)))
