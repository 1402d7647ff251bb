"""What the network controls and what it does not: errors that no test would notice, and how far they turn azimuths.

Internal and external reliability: Baarda, Statistical Concepts in Geodesy (1967) and A Testing Procedure for Use in
Geodetic Networks (1968); several rows at once: Foerstner and Wrobel, Photogrammetric Computer Vision (2016), 4.6;
what cannot be told apart: Foerstner, Reliability and discernability of extended Gauss-Markov models (1983).

Rows are whitened, so their cofactor is the identity, that of their residuals is the redundancy matrix Q = I - J C J^T,
and a bias b of some rows shows in a test with the noncentrality b^T Q b.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import format_angle_deg
from photoaz.network.adjust import Adjusted
from photoaz.network.heading_aids import AidObservation
from photoaz.network.observations import Observation
from photoaz.network.parameters import ANTENNA, LANDMARK, PHOTO, SITE, STAND, Layout
from photoaz.quantities import K95

Array = NDArray[Any]

#: Baarda's noncentrality for a test at 0.1 % that finds 80 % of such errors, for one row and, by his B-method, for many
LAMBDA0 = 17.07
DELTA0 = 4.13
#: an observation whose rows are controlled less than this on average, by the rest, is as good as not controlled
LEAST_REDUNDANCY = 0.1
#: tests correlated more than this cannot tell which of two observations is wrong
INSEPARABLE = 0.98


@dataclass(frozen=True, slots=True)
class ObservationControl:
    """How well the rest of the network controls some rows.

    rows (m,): their places. redundancy: mean of their redundancy numbers, [0, 1]. For each of the K unknowns asked for,
    bias (K, m): the error of the rows, in their own standard uncertainties, that turns that unknown most and is found
    with 80 % probability only; effect (K,): by how much, in the unknown's unit. Directions controlled less than
    LEAST_REDUNDANCY count as controlled that much, so that all stays finite: yet larger errors would pass as well.
    """

    rows: Array
    redundancy: float
    bias: Array
    effect: Array


def controls(adjusted: Adjusted, groups: Sequence[Sequence[int]], unknowns: Array) -> tuple[ObservationControl, ...]:
    """Reliability of groups of observations, each taken to be wrong as a whole or not at all.

    Parameters
    ----------
    groups : per group the places of its observations in the adjustment. unknowns (K,) : whose shifts are asked for.

    Returns
    -------
    ObservationControl per group. The worst bias of a group for unknown k, with g = J C e_k of its rows, is
    sqrt(LAMBDA0 / g^T Q^-1 g) Q^-1 g, and turns k by sqrt(LAMBDA0 g^T Q^-1 g). For one row this is Baarda's.
    """
    gain = adjusted.jacobian @ adjusted.covariance  # the one large product
    out = []
    for group in groups:
        rows = np.concatenate([np.arange(adjusted.rows[k].start, adjusted.rows[k].stop) for k in group])
        j = adjusted.jacobian[rows]
        used = np.flatnonzero((j != 0).any(0))
        q = np.eye(len(rows)) - gain[np.ix_(rows, used)] @ j[:, used].T
        values, vectors = np.linalg.eigh(0.5 * (q + q.T))
        along = vectors.T @ gain[np.ix_(rows, unknowns)]  # (m, K)
        controlled = np.maximum(values, LEAST_REDUNDANCY)[:, None]
        size = np.sqrt((along**2 / controlled).sum(0))  # (K,)
        direction = np.divide(
            vectors @ (along / controlled), size, out=np.zeros((len(rows), len(unknowns))), where=size > 0
        )
        out.append(ObservationControl(rows, float(np.trace(q)) / len(rows), DELTA0 * direction.T, DELTA0 * size))
    return tuple(out)


def correlations(adjusted: Adjusted, parts: Sequence[ObservationControl]) -> Array:
    """How much alike the tests of groups are (n, n): the largest canonical correlation of their residuals, [0, 1].

    For two single rows it is |Q_ij| / sqrt(Q_ii Q_jj), the correlation of their w. 1: what an error of one explains, an
    error of the other explains as well. 0 where a group has no redundancy at all: nothing is seen of it.
    """
    n = len(parts)
    if n == 0:
        return np.zeros((0, 0))
    rows = np.concatenate([p.rows for p in parts])
    j = adjusted.jacobian[rows]
    q = np.eye(len(rows)) - j @ adjusted.covariance @ j.T
    ends = np.cumsum([len(p.rows) for p in parts])
    places = [slice(e - len(p.rows), e) for e, p in zip(ends, parts, strict=True)]
    white = np.zeros_like(q)
    for s in places:
        values, vectors = np.linalg.eigh(q[s, s])
        seen = values > 1e-4  # as in the w-tests
        white[s, s] = (vectors[:, seen] / np.sqrt(values[seen])) @ vectors[:, seen].T
    m = white @ q @ white
    starts = [s.start for s in places]
    # of a block with one row or column the Frobenius norm is the singular value; of larger ones it is a bound
    out = np.sqrt(np.add.reduceat(np.add.reduceat(m**2, starts, 0), starts, 1))
    large = np.array([len(p.rows) > 1 for p in parts])
    for a, b in np.argwhere(np.triu(large[:, None] & large[None, :] & (out > INSEPARABLE), 1)):
        out[a, b] = out[b, a] = np.linalg.svd(m[places[a], places[b]], compute_uv=False)[0]
    np.fill_diagonal(out, 1.0)
    return np.minimum(out, 1.0)


# ---------------------------------------------------------------------------------------------------------------------
# In words


@dataclass(frozen=True, slots=True)
class _Statement:
    """One thing that somebody said of the site: the observations that stem from it, and how to call it."""

    name: str
    members: tuple[int, ...]


def weak_points(
    observations: Sequence[Observation],
    adjusted: Adjusted,
    layout: Layout,
    u95_rad: Mapping[str, float] | None = None,
    *,
    most: int = 3,
) -> tuple[str, ...]:
    """The worst that could be wrong without anybody noticing, in plain sentences; the worst first, at most `most`.

    Told is what could turn an antenna by more than its U95 says (u95_rad, per antenna; else from the adjustment): what
    nothing controls, and what cannot be told from another such thing where the two contradict each other.
    """
    antennas = [a for a in layout.antennas if u95_rad is None or a in u95_rad]
    if not antennas:
        return ()
    azimuths = np.array([layout.antenna(a)[0] for a in antennas])
    sigma = np.sqrt(adjusted.covariance[azimuths, azimuths])
    u95 = K95 * sigma if u95_rad is None else np.array([u95_rad[a] for a in antennas])
    said = _statements(observations, layout)
    parts = controls(adjusted, [s.members for s in said], azimuths)
    harm = np.array([(p.effect / u95).max() for p in parts])
    order = [int(k) for k in np.argsort(-harm, kind="stable") if harm[k] > 1.0][:40]
    alike = correlations(adjusted, [parts[k] for k in order])
    out: list[str] = []
    told: set[int] = set()
    for i, k in enumerate(order):
        if len(out) == most:
            break
        if k in told:
            continue
        told.add(k)
        part = parts[k]
        worst = int((part.effect / u95).argmax())
        turn = f"turn {antennas[worst]} by {_degrees(float(part.effect[worst]))}"
        error = _error(said[k], observations, adjusted, layout, part.bias[worst])
        if part.redundancy < LEAST_REDUNDANCY:
            out.append(f"nothing controls {said[k].name}: an error{error} would go unnoticed and {turn}")
            continue
        twins = [order[n] for n in np.flatnonzero(alike[i] > INSEPARABLE) if order[n] != k]
        twins = [t for t in twins if parts[t].redundancy >= LEAST_REDUNDANCY and t not in told]
        if twins:
            told.update(twins)
            names = [said[t].name for t in (k, *twins)]
            listed = (
                f"{', '.join(names[:-1])} and {names[-1]}" if len(names) < 5 else f"{', '.join(names[:3])} and others"
            )
            out.append(f"errors in {listed} cannot be told apart: one{error} in the first could {turn}")
        else:
            out.append(f"an error{error} in {said[k].name} could go unnoticed and {turn}")
    return tuple(out)


def _statements(observations: Sequence[Observation], layout: Layout) -> list[_Statement]:
    """Observations put together that stem from one source, as the coordinates of a landmark; idle ones left out."""
    found: dict[tuple[str, str, str], list[int]] = {}
    for k, o in enumerate(observations):
        if o.label:  # without one it only keeps the equations regular
            found.setdefault((o.source, o.label, _owner(layout, int(o.index[0]))[0]), []).append(k)
    out = []
    for (source, label, owner), members in found.items():
        name = label
        if owner and owner not in label:
            whose = {_owner(layout, int(n))[0] for k in members for n in observations[k].index}
            # not of one antenna where it is about several, as where all of them stand is
            name = f"{label} of {owner}" if len(whose) == 1 else label
        name = name.replace(owner, Path(owner).name) if owner else name
        name = name if name.startswith(("the ", "where ")) else f"the {name}"
        if source == "camera position":
            name = name.replace("standpoint", "GNSS position")
        out.append(_Statement(name, tuple(members)))
    return out


def _owner(layout: Layout, index: int) -> tuple[str, str]:
    """Whose unknown it is (a photo, an antenna or a landmark; nobody's where it is the site's) and its field."""
    for names, fields in (
        (layout.photos, PHOTO),
        (layout.antennas, ANTENNA),
        (("",), SITE),
        (layout.landmarks, LANDMARK),
        (tuple("" for _ in layout.stands), STAND),
    ):
        whole = len(names) * len(fields)
        if index < whole:
            return names[index // len(fields)], fields[index % len(fields)]
        index -= whole
    raise IndexError("no unknown of this layout")


def _error(
    statement: _Statement, observations: Sequence[Observation], adjusted: Adjusted, layout: Layout, bias: Array
) -> str:
    """' of 21 deg': a bias (m,) in the observations' own unit where they have one, else nothing."""
    members = [observations[k] for k in statement.members]
    aid = members[0].aid if isinstance(members[0], AidObservation) else None
    sigma_deg, sigma_px = getattr(aid, "sigma_rad", None), getattr(aid, "sigma_px", None)
    if len(members) == 1 and isinstance(sigma_deg, float) and len(bias) == 1:
        return f" of {_degrees(float(abs(bias[0])) * sigma_deg)}"
    if len(members) == 1 and isinstance(sigma_px, float):
        return f" of {float(np.hypot(*bias)) * sigma_px:.0f} px"
    sizes: list[float] = []
    fields: set[str] = set()
    at = 0
    for k, o in zip(statement.members, members, strict=True):
        j = adjusted.jacobian[adjusted.rows[k]][:, o.index]
        diagonal = np.diag(j)
        if j.shape[0] != j.shape[1] or (np.abs(j - np.diag(diagonal)) > 1e-9 * np.abs(diagonal).max()).any():
            return ""
        sizes += [float(b / d) for b, d in zip(bias[at : at + len(diagonal)], diagonal, strict=True)]
        fields |= {_owner(layout, int(n))[1] for n in o.index}
        at += len(diagonal)
    size = float(np.sqrt(np.square(sizes).sum()))
    if fields <= {"east", "north", "up"}:
        return f" of {size:.2g} m" if size < 10.0 else f" of {size:.0f} m"
    if fields <= {"heading", "pitch", "roll", "azimuth", "downtilt"}:
        return f" of {_degrees(size)}"
    if all(f.startswith("ln_") for f in fields):
        return f" of {100.0 * size:.0f} %"
    return f" of {size:.0f} px" if all(f.startswith("principal") for f in fields) else ""


def _degrees(angle_rad: float) -> str:
    deg = float(np.degrees(angle_rad))
    if deg >= 180.0:
        return "any size"
    return format_angle_deg(deg) if deg < 9.95 else f"{deg:.0f}°"
