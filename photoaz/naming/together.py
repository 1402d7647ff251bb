"""All photos of a site at once: which candidate is which antenna.

Each photo is read on its own first. Then the photos tell each other, through what they share: the antennas' azimuths,
and the mount's stand-off and spacing; and each is read again. The design azimuth says where on the tower a sector
hangs, and only weakly which way an antenna faces.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.errors import Fault, InputError
from photoaz.naming.answer import antenna_answer, photo_answer
from photoaz.naming.facing import BINS, GRID, prior_beliefs
from photoaz.naming.model import Assignment, KnownAntenna, PhotoView
from photoaz.naming.mount import SPACING_M, STAND_OFF_M, Mount, mount_of
from photoaz.naming.observed import Observed, observe
from photoaz.naming.search import Reading, Scene, layout, read, scene_of, weights

Array = NDArray[Any]

#: how often the photos tell each other
PASSES = 2
#: a photo's word on an antenna is never taken as surer than this
DOUBT = 0.03
#: a residual of a place this many sigmas off weighs half
HALF_WEIGHT = 2.0


def assign(photos: Sequence[PhotoView], antennas: Sequence[KnownAntenna], site_sigma_m: float) -> Assignment:
    """Name the panels found in all photos of a site.

    Parameters
    ----------
    photos : the site's photos with their candidates; standpoints in the frame of the tower's base.
    antennas : the register's, all of the site: those not seen matter as well.
    site_sigma_m : one standard uncertainty, per axis, of the tower's place in the register [m].

    Returns
    -------
    Assignment. It does not depend on the order of photos and candidates.

    Raises
    ------
    InputError : a person's names that are not in the register, or the same name twice in a photo; equal names of
    antennas, or none at all.
    """
    index = {a.name: k for k, a in enumerate(antennas)}
    _check(photos, antennas, index)
    mount = mount_of(antennas)
    prior = prior_beliefs(mount.design_rad)
    named = [{i: index[name] for i, name in p.named.items()} for p in photos]
    observed = [observe(p, mount, site_sigma_m) for p in photos]

    def scenes(beliefs: Sequence[Array]) -> list[Scene]:
        return [
            scene_of(p, o, mount, b, site_sigma_m, n)
            for p, o, b, n in zip(photos, observed, beliefs, named, strict=True)
        ]

    current = scenes([prior] * len(photos))
    readings = [read(s) for s in current]
    messages = [_message(o, r, len(antennas)) for o, r in zip(observed, readings, strict=True)]
    for _ in range(PASSES):
        mount = _refined(mount, observed, readings)
        current = scenes([_belief(prior, messages, but=k) for k in range(len(photos))])
        readings = [read(s) for s in current]
        messages = [_message(o, r, len(antennas)) for o, r in zip(observed, readings, strict=True)]
    belief = _belief(prior, messages, but=None)
    answers = tuple(photo_answer(p, s, r, belief) for p, s, r in zip(photos, current, readings, strict=True))
    return Assignment(
        photos=answers,
        antennas=tuple(antenna_answer(k, mount, answers, belief[k]) for k in range(len(antennas))),
        stand_off_m=mount.stand_off_m[0],
        spacing_m=mount.spacing_m[0],
    )


def _check(photos: Sequence[PhotoView], antennas: Sequence[KnownAntenna], index: dict[str, int]) -> None:
    faults: list[Fault] = []
    if not antennas:
        faults.append(Fault(file="register", found="no antennas", wanted="at least one"))
    if len(index) != len(antennas):
        twice = sorted({a.name for a in antennas if sum(b.name == a.name for b in antennas) > 1})
        faults.append(Fault(file="register", column="antenna_id", found=", ".join(twice), wanted="each name once"))
    for p in photos:
        for i, name in p.named.items():
            if name not in index:
                faults.append(Fault(file=p.name, found=f"a pick of '{name}'", wanted="an antenna of this site"))
            if not 0 <= i < len(p.candidates):
                faults.append(Fault(file=p.name, found=f"candidate {i} named", wanted="one of the candidates"))
        if len(set(p.named.values())) < len(p.named):
            faults.append(Fault(file=p.name, found="one name for two candidates", wanted="each name once in a photo"))
    if faults:
        raise InputError(faults)


def _message(observed: Observed, readings: Sequence[Reading], m: int) -> Array:
    """What a photo says of the antennas' azimuths: likelihoods (m, BINS), 1 where it says nothing."""
    out = np.ones((m, BINS))
    if not readings:
        return out
    w = weights(readings)
    out[:] = 0.0
    left = np.ones(m)
    for r, share in zip(readings, w, strict=True):
        for i, j in enumerate(r.names):
            if j >= 0:
                out[j] += share * observed.likelihood[i, r.toward]
                left[j] -= share
    return DOUBT + (1.0 - DOUBT) * (out + np.maximum(left, 0.0)[:, None])


def _belief(prior: Array, messages: Sequence[Array], *, but: int | None) -> Array:
    """Beliefs (m, BINS) about azimuths from the design and from all photos but one."""
    ln = np.log(prior)
    for k, message in enumerate(messages):
        if k != but:
            ln = ln + np.log(message)
    b = np.exp(ln - ln.max(-1, keepdims=True))
    out: Array = b / b.sum(-1, keepdims=True)
    return out


def _refined(mount: Mount, observed: Sequence[Observed], readings: Sequence[Sequence[Reading]]) -> Mount:
    """Stand-off and spacing from the likeliest readings, each photo with shifts of its own."""
    rows: list[Array] = []
    values: list[float] = []
    sigmas: list[float] = []
    photos = [k for k, r in enumerate(readings) if r]
    width = 2 + 2 * len(photos)
    for column, k in enumerate(photos):
        o, r = observed[k], readings[k][0]
        sure = sum(float(w) for w, q in zip(weights(readings[k]), readings[k], strict=True) if q.names == r.names)
        lay = layout(o, mount, np.array([r.toward]), np.array([r.ln_scale]))
        beta = GRID[r.toward]
        side = np.array([np.cos(beta), -np.sin(beta)])
        ahead = np.array([np.sin(beta), np.cos(beta)])
        steep = abs(o.rise_m) / o.distance_m
        for i, j in enumerate(r.names):
            if j < 0:
                continue
            flat = float(lay.distance_m[0, j])
            loose = float(np.abs(side @ mount.loose[j]))
            row = np.zeros(width)
            row[0], row[1] = side @ mount.outward[j], side @ mount.sideways[j]
            row[2 + 2 * column] = 1.0
            rows.append(row)
            values.append(float(o.across[i] - r.shift) * flat - float(side @ mount.base[j]))
            sigmas.append(float(np.hypot(mount.own_sigma_m[j] + 0.05, loose)) / max(sure, 0.1))
            # nearer antennas stand higher in the frame: over = rise / (distance + ahead)
            row = np.zeros(width)
            row[0], row[1] = -steep * (ahead @ mount.outward[j]), -steep * (ahead @ mount.sideways[j])
            row[3 + 2 * column] = 1.0
            rows.append(row)
            mean_over = o.rise_m / o.distance_m
            expected = (mount.up_m[j] - mount.up_m.mean()) - steep * float(ahead @ mount.base[j])
            values.append(float(o.over[i] - r.over - mean_over) * o.distance_m * float(np.exp(r.ln_scale)) - expected)
            loose = float(np.abs(ahead @ mount.loose[j])) * steep
            sigmas.append(float(np.hypot(np.hypot(mount.up_sigma_m[j], 0.25 * (1.0 + steep)), loose)) / max(sure, 0.1))
    for k, prior in enumerate((STAND_OFF_M, SPACING_M)):
        row = np.zeros(width)
        row[k] = 1.0
        rows.append(row)
        values.append(prior[0])
        sigmas.append(prior[1])
    for k in range(2, width):
        row = np.zeros(width)
        row[k] = 1.0
        rows.append(row)
        values.append(0.0)
        sigmas.append(1.0)
    A, b, s = np.array(rows), np.array(values), np.array(sigmas)
    x = np.zeros(width)
    x[:2] = mount.stand_off_m[0], mount.spacing_m[0]
    normal = np.eye(width)
    for _ in range(3):
        w = 1.0 / s**2 / (1.0 + ((b - A @ x) / s / HALF_WEIGHT) ** 2)
        normal = A.T @ (w[:, None] * A)
        x = np.linalg.solve(normal, A.T @ (w * b))
    sigma = np.sqrt(np.diag(np.linalg.inv(normal)))
    return mount.refined(
        (float(np.clip(x[0], 0.2, 4.0)), float(np.hypot(sigma[0], 0.08))),
        (float(np.clip(x[1], 0.3, 2.5)), float(np.hypot(sigma[1], 0.04))),
    )
