"""Readings of a site against its estimates: the angle that all differ by, and what is each antenna's own.

All readings off by one angle: a fault of reference (a declination left out, a disturbed compass). One off by itself:
a turned antenna, or a reading of another one. The estimates of a site hang together through their photos' headings, so
the difference common to all is found by generalised least squares with their full covariance.

Weighting, chi-square test of consistency and leaving out what contradicts the rest follow M. G. Cox, The evaluation of
key comparison data, Metrologia 39 (2002) 589, procedure A, and The evaluation of key comparison data: determining the
largest consistent subset, Metrologia 44 (2007) 187; correlation as JCGM 100:2008, 5.2; the test of one value among
correlated ones is W. Baarda's (A Testing Procedure for Use in Geodetic Networks, 1968).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from photoaz.angles import Array, difference_deg, format_difference_deg, wrap_deg
from photoaz.quantities import K95, MIN_TO_SEPARATE, P_CRITICAL, W_CRITICAL
from photoaz.result import AzimuthCovariance, CommonMode, Departure, SiteResult


@dataclass(frozen=True, slots=True)
class _Fit:
    """angle, its variance, chi-square of those included; per antenna departure, its variance and w."""

    angle: float
    variance: float
    chi2: float
    departure: Array
    departure_variance: Array
    w: Array


def fit_common(differences_deg: Array, covariance_deg2: Array, included: Array) -> _Fit:
    """Generalised least squares of one angle from correlated differences.

    Parameters
    ----------
    differences_deg : (n,), so wrapped that they may be averaged. covariance_deg2 : (n, n), positive definite.
    included : (n,) bool: those the angle is found from; the others are only held against it.

    Returns
    -------
    _Fit : w tests for each antenna a shift of its own against the others included (Baarda's data snooping with
    correlated observations): that shift, estimated along with the angle, over its standard uncertainty. NaN where no
    other is included.
    """
    d, v = differences_deg, covariance_deg2
    n = len(d)
    # V^-1 1 / (1^T V^-1 1), zero for those not included
    inner = np.linalg.solve(v[np.ix_(included, included)], np.ones(int(included.sum())))
    weights = np.zeros(n)
    weights[included] = inner / inner.sum()
    angle, variance = float(weights @ d), float(weights @ v @ weights)
    rest = d[included] - angle
    chi2 = float(rest @ np.linalg.solve(v[np.ix_(included, included)], rest))
    off = np.eye(n) - np.ones((n, 1)) * weights  # departure = off @ differences
    shift, shift_variance = own_shifts(d, v, included)
    return _Fit(angle, variance, chi2, d - angle, np.diag(off @ v @ off.T), shift / np.sqrt(shift_variance))


def own_shifts(differences_deg: Array, covariance_deg2: Array, included: Array) -> tuple[Array, Array]:
    """Each difference's shift of its own (n,) against the others included, and its variance (n,).

    The shift is (P e)_k / (P Q_e P)_kk with P = V^-1, its variance 1 / (P Q_e P)_kk.

    Unlike a departure from the common angle it does not shrink where a difference is known so much better than the
    others that the common angle is nearly its own. As `fit_common`'s w; NaN where no other is included.
    """
    n = len(differences_deg)
    shift, variance = np.full(n, np.nan), np.full(n, np.nan)
    for k in range(n):
        members = included.copy()
        members[k] = True
        if members.sum() > 1:
            d, own = differences_deg[members], int(members[:k].sum())
            right = np.column_stack([np.eye(len(d)), np.ones(len(d)), d])
            solved = np.linalg.solve(covariance_deg2[np.ix_(members, members)], right)
            p, p1, pd = solved[:, :-2], solved[:, -2], solved[:, -1]
            pull = pd[own] - p1[own] * float(p1 @ d) / p1.sum()
            controlled = max(float(p[own, own] - p1[own] ** 2 / p1.sum()), 1e-300)
            shift[k], variance[k] = pull / controlled, 1.0 / controlled
    return shift, variance


# longer than most: half of it says what goes in and comes out
def common_mode(
    antenna_ids: Sequence[str],
    readings_deg: Sequence[float],
    readings_u95_deg: Sequence[float],
    estimates_deg: Sequence[float],
    estimates_covariance_deg2: Array,
    readings_shared_u95_deg: Sequence[float] | None = None,
    estimates_shared_u95_deg: Sequence[float] | None = None,
) -> CommonMode:
    """The common angle of some antennas' readings minus estimates, and each antenna's own departure from it.

    Parameters
    ----------
    antenna_ids, readings_deg, readings_u95_deg, estimates_deg : n of each, azimuths from true north; at least one.
    estimates_covariance_deg2 : (n, n), joint covariance of the estimates. readings_shared_u95_deg : the part of each
        reading's U95 that is one error of all of them, such as the declination's; by default none is known and the
        readings are independent. estimates_shared_u95_deg : what the same error does to the estimates, by its sign; it
        is in their covariance, and what it does to both alike drops out of the differences.

    Returns
    -------
    CommonMode. From MIN_TO_SEPARATE antennas on, the one that stands apart most is left out while one does so by more
    than W_CRITICAL; where that would not leave a majority, all stay, and `consistent` says that they do not agree.

    Raises
    ------
    ValueError : no antennas; a shared part above the whole.
    """
    from scipy.special import chdtrc

    n = len(antenna_ids)
    if n == 0:
        raise ValueError("no antenna has both a reading and an estimate")
    none = np.zeros(n)
    v = _covariance_of_differences(
        np.asarray(estimates_covariance_deg2, float),
        np.asarray(readings_u95_deg, float) / K95,
        none if readings_shared_u95_deg is None else np.asarray(readings_shared_u95_deg, float) / K95,
        none if estimates_shared_u95_deg is None else np.asarray(estimates_shared_u95_deg, float) / K95,
    )
    d = about_one_angle(difference_deg(np.asarray(readings_deg, float), np.asarray(estimates_deg, float)), v)
    separable = n >= MIN_TO_SEPARATE
    fit, included = largest_consistent(d, v) if separable else (fit_common(d, v, np.ones(n, bool)), np.ones(n, bool))
    dof = int(included.sum()) - 1
    p = float(chdtrc(dof, fit.chi2)) if dof else None
    consistent = p is None or p >= P_CRITICAL
    sigma = math.sqrt(fit.variance) * (1.0 if consistent else math.sqrt(fit.chi2 / dof))
    departures = tuple(
        Departure(
            antenna_id=name,
            difference_deg=float(wrap_deg(d[k])),
            departure_deg=float(fit.departure[k]) if separable else None,
            u95_deg=K95 * math.sqrt(float(fit.departure_variance[k])) if separable else None,
            w=float(fit.w[k]) if separable else None,
            left_out=not included[k],
        )
        for k, name in enumerate(antenna_ids)
    )
    angle, u95 = float(wrap_deg(fit.angle)), K95 * sigma
    return CommonMode(
        angle_deg=angle,
        u95_deg=u95,
        n=int(included.sum()),
        chi2=fit.chi2,
        dof=dof,
        p=p,
        consistent=consistent,
        separable=separable,
        left_out=tuple(d.antenna_id for d in departures if d.left_out),
        departures=departures,
        sentence=_sentence(angle, u95, n, consistent, departures),
    )


def _covariance_of_differences(estimates: Array, u: Array, shared: Array, alike: Array) -> Array:
    """Of readings minus estimates (n, n): by the estimates' own, the readings' sigmas, and what one error does to both.

    JCGM 100:2008, 5.2. shared, alike : what that error's one sigma does to readings and to estimates.
    """
    if (shared > u * (1.0 + 1e-9)).any():
        raise ValueError("the shared part of a reading's uncertainty is no more than the whole")
    v = estimates + np.outer(shared, shared) + np.diag(u**2 - shared**2)
    v = v - np.outer(shared, alike) - np.outer(alike, shared)
    return np.asarray(v + np.eye(len(u)) * 1e-12 * np.trace(v))  # two exact readings of one heading are singular


def common_mode_of_site(site: SiteResult) -> CommonMode | None:
    """The common mode of a judged site; None where no antenna has both a reading and an estimate.

    Antennas that may be one of several ways round enter with their wide uncertainty.
    """
    joint = site.azimuth_covariance
    if joint is None:
        return None
    both = [
        (a, a.reading, a.azimuth_true_deg)
        for name in joint.antenna_ids
        if (a := site.antennas.get(name)) is not None and a.reading is not None and a.azimuth_true_deg is not None
    ]
    if not both:
        return None
    names = [a.antenna_id for a, _, _ in both]
    return common_mode(
        names,
        [reading.azimuth_true_deg for _, reading, _ in both],
        [reading.u95_deg for _, reading, _ in both],
        [estimate for *_, estimate in both],
        covariance_of(joint, names),
        [reading.declination_u95_deg for _, reading, _ in both],
        [K95 * a.declination_sigma_deg for a, _, _ in both],
    )


def covariance_of(joint: AzimuthCovariance, names: Sequence[str]) -> Array:
    """The named antennas' part (n, n) of a site's joint covariance [deg^2], in the order of the names."""
    rows = [joint.antenna_ids.index(name) for name in names]
    return np.asarray(joint.deg2, float)[np.ix_(rows, rows)]


def largest_consistent(d: Array, v: Array) -> tuple[_Fit, Array]:
    """The fit without those that stand apart, one after the other, and who is in it (n,).

    All are in it where leaving out fewer than half does not do: then nobody can tell who is right.
    """
    n = len(d)
    everybody = np.ones(n, bool)
    included = everybody.copy()
    while True:
        fit = fit_common(d, v, included)
        strength = np.where(included, np.abs(fit.w), 0.0)
        if strength.max() <= W_CRITICAL:
            return fit, included
        if 2 * (n - int(included.sum()) + 1) >= n:
            return fit_common(d, v, everybody), everybody
        included[int(strength.argmax())] = False


def about_one_angle(differences_deg: Array, covariance_deg2: Array) -> Array:
    """Differences wrapped about the one of them that most others lie near, so that 179 and -179 average to 180."""
    sigma = np.sqrt(np.diag(covariance_deg2))
    apart = np.abs(difference_deg(differences_deg[None, :], differences_deg[:, None])) / np.maximum(sigma, 1e-9)[None]
    middle = differences_deg[int(apart.sum(1).argmin())]
    return np.asarray(middle + difference_deg(differences_deg, float(middle)))


def _sentence(angle: float, u95: float, n: int, consistent: bool, departures: Sequence[Departure]) -> str:
    # everywhere photos minus reading; the records hold the reading minus the estimate
    figure = f"photos − reading {format_difference_deg(-angle, u95)}"
    if n == 1:
        return f"One reading, {figure}: a shared offset and its own cannot be told apart."
    said = f"All readings share an offset: {figure}" if abs(angle) > u95 else f"No shared offset ({figure})"
    for d in departures:
        if d.left_out and d.departure_deg is not None and d.u95_deg is not None:
            said += f"; {d.antenna_id} deviates by {format_difference_deg(-d.departure_deg, d.u95_deg)}"
    if not consistent:
        said += "; they scatter by more than their uncertainties allow, and it cannot be told which of them deviate"
    elif n == 2:
        said += "; with two readings, an offset of one antenna alone cannot be told"
    return said + "."
