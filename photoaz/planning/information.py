"""What photos to come would leave open: the network's covariance without data, and what each photo takes off it.

The state is what a site's photos have in common: 9 unknowns of each antenna, 2 of the site, 3 of each landmark. A photo
brings whitened rows in these, its own unknowns eliminated (network.forecast); the covariance follows by the matrix
inversion lemma. Final figures come from the network itself, adjusted and stated as after real photos.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from photoaz.angles import Array
from photoaz.naming.expected import with_disturbance
from photoaz.network.adjust import inverse
from photoaz.network.equations import Equations
from photoaz.network.observations import Directs, Known, Observation
from photoaz.network.parameters import ANTENNA, LANDMARK, PHOTO, SITE
from photoaz.network.site import PhotoObservations, build
from photoaz.network.solution import solve_network
from photoaz.planning.earlier import EarlierAzimuths
from photoaz.planning.foreseen import PlanningScene
from photoaz.quantities import K95, LANDMARK_GIVEN_UP_SIGMA_M, LANDMARK_UP_SIGMA_M, RADIUS_95, SHAPE_SIGMA_RAD

Criterion = Literal["D", "A"]

#: an azimuth of which no photo tells: as wide as a turn, so that it can be any
ANYWHERE_RAD = float(np.pi / np.sqrt(3.0))
_ASIDE_RAD = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class KnowledgeSoFar:
    """What is known so far of what the photos of a site have in common; covariance (P, P)."""

    scene: PlanningScene
    x: Array
    covariance: Array

    @property
    def wanted(self) -> Array:
        """Indices (A,) of the azimuths asked for."""
        names = [a.name for a in self.scene.antennas]
        return np.array([len(ANTENNA) * names.index(n) for n in self.scene.wanted])


def state_of(scene: PlanningScene, earlier: EarlierAzimuths | None = None) -> KnowledgeSoFar:
    """Before any photo to come."""
    net = build([], scene.antennas, scene.site_sigma_m, scene.head)
    n = net.layout.size
    size = n + len(LANDMARK) * len(scene.landmarks)
    x = np.concatenate([net.start, *(m.enu_m for m in scene.landmarks)])
    rows: list[Observation] = list(net.fixed)
    for k, m in enumerate(scene.landmarks):
        up = LANDMARK_UP_SIGMA_M if m.height_m is None else LANDMARK_GIVEN_UP_SIGMA_M
        sigma = np.array([m.u95_m / RADIUS_95, m.u95_m / RADIUS_95, up])
        rows.append(Directs("landmark", "", np.arange(n + 3 * k, n + 3 * k + 3), m.enu_m, sigma))
    azimuths = np.array([net.layout.antenna(a.name, "azimuth")[0] for a in scene.antennas])
    x[azimuths] = [scene.azimuth_rad[a.name] for a in scene.antennas]
    rows.append(Directs("", "", azimuths, x[azimuths], ANYWHERE_RAD))
    if earlier is not None:
        index = np.array([net.layout.antenna(name, "azimuth")[0] for name in earlier.names])
        rows.append(_known(index, earlier))
        x[index] = earlier.azimuth_rad
    _, jacobian = Equations(rows, size).jacobian(x)
    return KnowledgeSoFar(scene=scene, x=x, covariance=inverse(jacobian.T @ jacobian))


def _known(index: Array, earlier: EarlierAzimuths) -> Known:
    root = np.linalg.inv(np.linalg.cholesky(earlier.covariance_rad2))
    none = np.zeros(len(root))
    return Known("earlier photos", "earlier photos", index, earlier.azimuth_rad, root, none, angles=True)


@dataclass(frozen=True, slots=True)
class PlannedRows:
    """What one photo says of the state: which unknowns (K,), whitened rows (R, K); sees: antennas, by their views."""

    index: Array
    rows: Array
    sees: tuple[str, ...]


def rows_of(state: KnowledgeSoFar, photo: PhotoObservations) -> PlannedRows | None:
    """A photo's rows, its own unknowns eliminated; None where it shows no antenna.

    A compass that may be disturbed counts here as one normal distribution of the mixture's variance.
    """
    if not photo.boxes:
        return None
    scene = state.scene
    photo = replace(photo, headings=tuple(with_disturbance(h) for h in photo.headings))
    names = [a.name for a in scene.antennas]
    seen = [a for a in scene.antennas if a.name in photo.boxes]
    net = build([photo], seen, scene.site_sigma_m)
    n, own = len(ANTENNA), len(PHOTO)
    place = np.concatenate(
        [np.arange(own) - own]
        + [n * names.index(a.name) + np.arange(n) for a in seen]
        + [n * len(names) + np.arange(len(SITE))]
        + [
            n * len(names) + len(SITE) + 3 * [m.name for m in scene.landmarks].index(name) + np.arange(3)
            for name in net.layout.landmarks
        ]
    )
    x = net.start.copy()
    x[own:] = state.x[place[own:]]
    some = [o for o in net.observations({(photo.name, a): 0 for a in photo.boxes}) if int(o.index.min()) < own]
    _, jacobian = Equations(some, len(x)).jacobian(x)
    extra, rows = jacobian[:, :own], jacobian[:, own:]
    basis, _ = np.linalg.qr(extra / np.linalg.norm(extra, axis=0))
    rows = rows - basis @ (basis.T @ rows)
    used = np.flatnonzero(np.abs(rows).max(0) > 0.0)
    # as many rows as there are unknowns say all of it
    _, rows = np.linalg.qr(rows[:, used])
    return PlannedRows(place[own:][used], rows, tuple(photo.boxes))


def with_rows(covariance: Array, told: PlannedRows) -> Array:
    """The whole covariance (P, P) once a photo is there."""
    cross = covariance[:, told.index] @ told.rows.T
    inner = np.eye(len(told.rows)) + told.rows @ covariance[np.ix_(told.index, told.index)] @ told.rows.T
    return np.asarray(covariance - cross @ np.linalg.solve(inner, cross.T))


def score(covariance: Array, wanted: Array, told: PlannedRows, criterion: Criterion) -> float:
    """What a further photo would make of the criterion on the azimuths wanted (A,), the less the better.

    'A': mean variance; 'D': mean ln of the generalised variance's A-th root (Pukelsheim, Optimal Design of Experiments,
    1993, ch. 6). The shape of bodies, which no photo takes off, is in both.
    """
    cross = covariance[np.ix_(wanted, told.index)] @ told.rows.T
    inner = np.eye(len(told.rows)) + told.rows @ covariance[np.ix_(told.index, told.index)] @ told.rows.T
    left = covariance[np.ix_(wanted, wanted)] - cross @ np.linalg.solve(inner, cross.T)
    return criterion_of(left, criterion)


def criterion_of(azimuths: Array, criterion: Criterion) -> float:
    """Of a joint covariance (A, A) [rad^2] of azimuths."""
    whole = azimuths + SHAPE_SIGMA_RAD**2 * np.eye(len(azimuths))
    if criterion == "A":
        return float(np.trace(whole)) / len(whole)
    return float(np.linalg.slogdet(whole)[1]) / len(whole)


def u95_linear_rad(covariance: Array, indices: Array) -> Array:
    """U95 (n,) [rad] of azimuths from a state's covariance, without what other ways to fit would add."""
    return np.asarray(K95 * np.sqrt(covariance[indices, indices] + SHAPE_SIGMA_RAD**2))


def expected_u95_rad(
    scene: PlanningScene, photos: Sequence[PhotoObservations], earlier: EarlierAzimuths | None = None
) -> Mapping[str, float]:
    """U95 [rad] that will be stated of each antenna once photos are there: by the network itself.

    Of antennas that none of the photos shows, what earlier photos told, if any did.
    """
    told = {n: u for n in (earlier.names if earlier else ()) if (u := earlier.u95_rad(n) if earlier else None)}
    # started a hair beside where it ends: at it, no step could lower what is nothing already
    aside = np.zeros(6)
    aside[0] = _ASIDE_RAD
    some = [replace(p, start=p.start + aside) for p in photos if p.boxes]
    seen = [a for a in scene.antennas if any(a.name in p.boxes for p in some)]
    if not some:
        return told
    net = build(some, seen, scene.site_sigma_m, scene.head)
    known = earlier.only([a.name for a in seen]) if earlier is not None else None
    if known is not None:
        index = np.array([net.layout.antenna(n, "azimuth")[0] for n in known.names])
        net = replace(net, fixed=(*net.fixed, _known(index, known)))
    chosen = solve_network(net)
    return told | {a.name: chosen.posterior.antennas[a.name].u95_rad for a in seen}
