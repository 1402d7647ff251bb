"""The way of boxes to where their steps vanish: damped far from there, by the mixture of the last places near it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from photoaz.photo.camera import Array

#: no step of an iteration is longer than this
LONGEST = np.array([0.15, 0.06, 0.06, 4, 4, 0.08, 0.08, 0.15, 0.04, 0.02])
#: steps shorter than this in units of their own uncertainty are near enough for mixtures of so many last places
_NEAR, _REMEMBERED = 0.3, 3
#: a mixture that goes farther than so many steps is not believed
_FARTHEST = 3.0
#: a step turned against the last one by more than this cosine is a reversal; one that goes on the same way within that
#: cosine is too short, and may grow to so many times its length
_REVERSED, _ONWARD, _LONGER = -0.2, 0.5, 2.0


@dataclass(frozen=True, slots=True)
class Road:
    """Where boxes were (K, B, P) in their last iterations, their steps (K, B, P) there, and relax (B,).

    Far from rest a box takes a part of its step, half as much after each reversal, and up to twice its step while it
    goes on the same way. Near it goes to where the steps vanish (Anderson 1965: the mixture of the last places whose
    mixed step is the shortest). What one box does hangs on no other.
    """

    theta: Array
    step: Array
    relax: Array

    @classmethod
    def of(cls, n_boxes: int) -> Road:
        """Boxes that have come no way yet."""
        nowhere = np.zeros((0, n_boxes, len(LONGEST)))
        return cls(nowhere, nowhere, np.ones(n_boxes))

    def pick(self, keep: Array) -> Road:
        """Some of the boxes."""
        return Road(self.theta[:, keep], self.step[:, keep], self.relax[keep])

    def onward(self, theta: Array, step: Array, metric: Array) -> tuple[Array, Road]:
        """Where to go next (B, P) from theta (B, P), where boxes are to take this step (B, P).

        metric (B, P, P): inverse covariance that steps are measured in.
        """
        if not len(self.theta):
            return theta + step, Road(theta[None], step[None], self.relax)
        length, before = length_of(step, metric), length_of(self.step[-1], metric)
        cosine = ((metric @ step[..., None])[..., 0] * self.step[-1]).sum(1) / np.maximum(length * before, 1e-12)
        most = np.where(cosine > _ONWARD, _LONGER, np.maximum(1.0, 0.7 * self.relax))
        relax = np.where(cosine < _REVERSED, 0.5 * self.relax, np.minimum(1.5 * self.relax, most))
        now = Road(
            np.concatenate([self.theta, theta[None]])[-_REMEMBERED:],
            np.concatenate([self.step, step[None]])[-_REMEMBERED:],
            relax,
        )
        moved, changed = (np.moveaxis(v[-1] - v[:-1], 0, 2) for v in (now.theta, now.step))  # (B, P, K)
        weighed = np.swapaxes(changed, 1, 2) @ metric
        gram = weighed @ changed
        gram += (1e-6 * np.trace(gram, axis1=1, axis2=2) + 1e-12)[:, None, None] * np.eye(changed.shape[2])
        mixed = step - ((moved + changed) @ np.linalg.solve(gram, weighed @ step[..., None]))[..., 0]
        sure = (length < _NEAR) & (length < before) & (length_of(mixed, metric) < _FARTHEST * length)
        onward = np.where(sure[:, None], mixed, relax[:, None] * step)
        return theta + np.clip(onward, -LONGEST, LONGEST), now


def length_of(step: Array, metric: Array) -> Array:
    """Lengths (B,) of steps (B, P) in units of their uncertainty; metric (B, P, P): their inverse covariance."""
    return np.asarray(np.sqrt(np.maximum(((step[:, None] @ metric)[:, 0] * step).sum(1), 0.0)))
