"""All photos of a site at once: which candidate is which antenna.

Each photo is read on its own first. Then the photos tell each other, through what they share: the antennas' azimuths,
and the mount's stand-off and spacing; and each is read again. The design azimuth says where on the tower a sector
hangs, and only weakly which way an antenna faces.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit, logsumexp

from photoaz.angles import Array
from photoaz.errors import Fault, InputError
from photoaz.naming.answer import photo_naming
from photoaz.naming.costs import (
    TRUSTED,
    Hypothesis,
    NamingProblem,
    expected_places,
    naming_problem,
)
from photoaz.naming.facing import BINS, GRID, prior_beliefs
from photoaz.naming.model import AntennaPriors, KnownPhoto, PhotoNaming
from photoaz.naming.mount import Mount, mount_of
from photoaz.naming.observed import ObservedPanels, observe
from photoaz.naming.search import likely_hypotheses, weights
from photoaz.priors import Priors
from photoaz.quantities import (
    MOUNT_SPACING_M,
    MOUNT_STAND_OFF_M,
    UNLISTED_MORE,
    UNLISTED_SHARE_ONE_EACH,
    UNLISTED_SHARE_ONE_SECTOR,
)
from photoaz.register.model import Pick
from photoaz.vision.finder import FoundPanels, PanelCandidate

#: how often the photos tell each other
PASSES = 2
#: what is less probable than this beside all else is left out
NO_SHARE = 1e-6
#: a photo's word on an antenna is never taken as surer than this
DOUBT = 0.03
#: a residual of a place this many sigmas off weighs half
HALF_WEIGHT = 2.0
#: stand-off and spacing are looked for within these [m], and never known better than so
STAND_OFF_WITHIN_M, STAND_OFF_LEAST_SIGMA_M = (0.2, 4.0), 0.08
SPACING_WITHIN_M, SPACING_LEAST_SIGMA_M = (0.3, 2.5), 0.04


def name_candidates(
    photos: Sequence[KnownPhoto],
    candidates: Sequence[Sequence[PanelCandidate]],
    antennas: Sequence[AntennaPriors],
    site_sigma_m: float,
    known: Priors | None = None,
) -> tuple[PhotoNaming, ...]:
    """Name the panels found in all photos of a site.

    Parameters
    ----------
    photos : the site's, each with a person's picks, whose word is final. candidates : what was found in each.
    antennas : the register's, all of the site: those not seen matter as well.
    site_sigma_m : one standard uncertainty, per axis, of the tower's place in the register [m]. known : how
        antennas hang in general.

    Returns
    -------
    One PhotoNaming a photo. It does not depend on the order of photos, candidates and antennas.

    Raises
    ------
    InputError : no antennas, or two of one name.
    """
    names = [a.name for a in antennas]
    if not names:
        raise InputError(Fault(file="register", found="no antennas", wanted="at least one"))
    if twice := sorted({name for name in names if names.count(name) > 1}):
        raise InputError(Fault(file="register", column="antenna_id", found=", ".join(twice), wanted="each name once"))
    if not photos:
        return ()
    known = known or Priors()
    listed, more = (_named(photos, candidates, antennas, site_sigma_m, known, unlisted=u) for u in (False, True))
    share = known.sites.unlisted_share
    rows_of_sectors = np.bincount(listed.mount.group)
    if len(rows_of_sectors) == 1:
        share = max(share, UNLISTED_SHARE_ONE_SECTOR)
    elif rows_of_sectors.max() == 1:
        share = max(share, UNLISTED_SHARE_ONE_EACH)
    odds = more.ln_evidence - listed.ln_evidence + np.log(share / (1.0 - share))
    best = more if odds > 0.0 else listed
    p_more = float(expit(odds))
    together = [
        (*_weighed(a, 1.0 - p_more), *_weighed(b, p_more))
        for a, b in zip(listed.hypotheses, more.hypotheses, strict=True)
    ]
    return tuple(photo_naming(p, h, best.beliefs, site_sigma_m) for p, h in zip(best.problems, together, strict=True))


def _weighed(hypotheses: Sequence[Hypothesis], share: float) -> list[Hypothesis]:
    """A photo's hypotheses with costs by which they are as probable as this together."""
    if not hypotheses or share < NO_SHARE:
        return []
    cost = -np.log(share * weights(hypotheses))
    return [replace(h, cost=float(c)) for h, c in zip(hypotheses, cost, strict=True)]


@dataclass(frozen=True, slots=True)
class _Named:
    """The photos read together: of each the problem and its likely hypotheses; beliefs about the azimuths."""

    mount: Mount
    problems: Sequence[NamingProblem]
    hypotheses: Sequence[Sequence[Hypothesis]]
    beliefs: Array
    ln_evidence: float


def _named(
    photos: Sequence[KnownPhoto],
    candidates: Sequence[Sequence[PanelCandidate]],
    antennas: Sequence[AntennaPriors],
    site_sigma_m: float,
    known: Priors,
    *,
    unlisted: bool,
) -> _Named:
    """All photos read. unlisted: the tower holds panels that the register lacks."""
    index = {a.name: k for k, a in enumerate(antennas)}
    mount = mount_of(antennas, unlisted=unlisted)
    prior = prior_beliefs(mount.design_rad, known)
    observed = [observe(p, c, mount, site_sigma_m) for p, c in zip(photos, candidates, strict=True)]
    named = [
        {i: index[name] for i, name in named_by_picks(p.picks, c, index).items()}
        for p, c in zip(photos, candidates, strict=True)
    ]
    beliefs = [prior] * len(photos)
    for left in reversed(range(PASSES + 1)):
        problems = [
            naming_problem(*one, site_sigma_m, unlisted=unlisted)
            for one in zip(photos, observed, [mount] * len(photos), named, beliefs, strict=True)
        ]
        hypotheses = [likely_hypotheses(p) for p in problems]
        messages = [_message(o, h, mount.anywhere) for o, h in zip(observed, hypotheses, strict=True)]
        if left:
            mount = _refined(mount, observed, hypotheses)
            beliefs = [_belief(prior, messages, but=k) for k in range(len(photos))]
    seen = [(p, h) for p, h in zip(problems, hypotheses, strict=True) if h]
    # of a tower that holds panels beside those listed, a photo that shows none of them is not the usual one
    none_seen = TRUSTED * float(np.log(1.0 - UNLISTED_MORE)) if unlisted else 0.0
    evidence = sum(_ln_evidence(*one) + none_seen for one in seen)
    evidence += TRUSTED * _ln_shared(prior, messages) + _ln_mount(mount)
    return _Named(mount, problems, hypotheses, _belief(prior, messages, but=None), float(evidence))


def _ln_evidence(problem: NamingProblem, hypotheses: Sequence[Hypothesis]) -> float:
    """ln of the probability density of what was found in a photo, all its likely hypotheses together."""
    c = np.array([one.cost for one in hypotheses])
    return float(np.log(np.exp(c.min() - c).sum()) - c.min() - TRUSTED * problem.false_cost.sum())


def _ln_shared(prior: Array, messages: Sequence[Array]) -> float:
    """What the photos' evidence, each told by the others, counts too often: ln of a factor.

    Each photo took from the others how an antenna hangs, as if they had not taken it from this one; what is known of
    antennas beforehand would never be paid for. Bethe's approximation of the evidence: Yedidia, Freeman, Weiss,
    Constructing free-energy approximations and generalized belief propagation algorithms, IEEE Trans. Inf. Theory 51
    (2005), from memory. A message's scale cancels.
    """
    ln = np.log(messages)
    ln_belief = np.log(prior) + ln.sum(0)
    whole, but_one = logsumexp(ln_belief, -1), logsumexp(ln_belief - ln, -1)
    return float((whole - (whole - but_one).sum(0)).sum())


def _ln_mount(mount: Mount) -> float:
    """ln of how probable the mount's stand-off and spacing were beforehand, integrated by Laplace's method."""
    out = 0.0
    for (value, sigma), (mean, prior_sigma) in (
        (mount.stand_off_m, MOUNT_STAND_OFF_M),
        (mount.spacing_m, MOUNT_SPACING_M),
    ):
        out += np.log(sigma / prior_sigma) - 0.5 * ((value - mean) / prior_sigma) ** 2
    return float(out)


def _message(observed: ObservedPanels, hypotheses: Sequence[Hypothesis], anywhere: Array) -> Array:
    """What a photo says of the antennas' azimuths: likelihoods (m, BINS), 1 where it says nothing.

    anywhere (m,): antennas that no pattern names.
    """
    m = len(anywhere)
    if not hypotheses:
        return np.ones((m, BINS))
    out, left = np.zeros((m, BINS)), np.ones(m)
    for one, share in zip(hypotheses, weights(hypotheses), strict=True):
        for i, j in enumerate(one.names):
            if j >= 0:
                out[j] += share * observed.likelihood[i, one.toward]
                left[j] -= share
    return np.where(anywhere[:, None], 1.0, DOUBT + (1.0 - DOUBT) * (out + np.maximum(left, 0.0)[:, None]))


def _belief(prior: Array, messages: Sequence[Array], *, but: int | None) -> Array:
    """Beliefs (m, BINS) about azimuths from the design and from all photos but one."""
    ln = np.log(prior)
    for k, message in enumerate(messages):
        if k != but:
            ln = ln + np.log(message)
    b = np.exp(ln - ln.max(-1, keepdims=True))
    return np.asarray(b / b.sum(-1, keepdims=True))


def _refined(mount: Mount, observed: Sequence[ObservedPanels], hypotheses: Sequence[Sequence[Hypothesis]]) -> Mount:
    """Stand-off and spacing from the likeliest hypotheses, each photo with shifts of its own."""
    of_photos = [_mount_equations(mount, o, h) for o, h in zip(observed, hypotheses, strict=True) if h]
    width = 2 + 2 * len(of_photos)
    # what is known beforehand: the mount's two, and that a photo's shifts are small
    rows, values = [np.eye(width)], [np.append([MOUNT_STAND_OFF_M[0], MOUNT_SPACING_M[0]], np.zeros(width - 2))]
    sigmas = [np.append([MOUNT_STAND_OFF_M[1], MOUNT_SPACING_M[1]], np.ones(width - 2))]
    for k, (own, value, sigma) in enumerate(of_photos):
        row = np.zeros((len(own), width))
        row[:, :2], row[:, 2 + 2 * k : 4 + 2 * k] = own[:, :2], own[:, 2:]
        rows.append(row)
        values.append(value)
        sigmas.append(sigma)
    A, b, s = np.concatenate(rows), np.concatenate(values), np.concatenate(sigmas)
    x = np.zeros(width)
    x[:2] = mount.stand_off_m[0], mount.spacing_m[0]
    normal = np.eye(width)
    for _ in range(3):
        w = 1.0 / s**2 / (1.0 + ((b - A @ x) / s / HALF_WEIGHT) ** 2)
        normal = A.T @ (w[:, None] * A)
        x = np.linalg.solve(normal, A.T @ (w * b))
    sigma = np.sqrt(np.diag(np.linalg.inv(normal)))
    return replace(
        mount,
        stand_off_m=(float(np.clip(x[0], *STAND_OFF_WITHIN_M)), float(np.hypot(sigma[0], STAND_OFF_LEAST_SIGMA_M))),
        spacing_m=(float(np.clip(x[1], *SPACING_WITHIN_M)), float(np.hypot(sigma[1], SPACING_LEAST_SIGMA_M))),
    )


def _mount_equations(mount: Mount, o: ObservedPanels, hypotheses: Sequence[Hypothesis]) -> tuple[Array, Array, Array]:
    """What a photo's likeliest names say of stand-off, spacing and its own shifts across and along the height.

    Rows (2 k, 4) of k named candidates, their values (2 k,) and sigmas [m].
    """
    best = hypotheses[0]
    sure = sum(float(w) for w, h in zip(weights(hypotheses), hypotheses, strict=True) if h.names == best.names)
    names = np.array(best.names)
    j = names[names >= 0]
    flat = expected_places(o, mount, np.array([best.toward]), np.array([best.ln_scale])).distance_m[0, j]
    beta = GRID[best.toward]
    side, ahead = np.array([np.cos(beta), -np.sin(beta)]), np.array([np.sin(beta), np.cos(beta)])
    steep, one, none = abs(o.rise_m) / o.distance_m, np.ones(len(j)), np.zeros(len(j))
    across = np.stack([mount.outward[j] @ side, mount.sideways[j] @ side, one, none], 1)
    # nearer antennas stand higher in the frame: over = rise / (distance + ahead)
    over = np.stack([-steep * (mount.outward[j] @ ahead), -steep * (mount.sideways[j] @ ahead), none, one], 1)
    across_m = (o.across[names >= 0] - best.shift) * flat - mount.base[j] @ side
    over_m = (o.over[names >= 0] - best.over - o.rise_m / o.distance_m) * o.distance_m * np.exp(best.ln_scale)
    over_m = over_m - (mount.up_m[j] - mount.up_m.mean()) + steep * (mount.base[j] @ ahead)
    across_sigma = np.hypot(np.hypot(mount.own_sigma_m[j] + 0.05, mount.axis_sigma_m[j]), mount.loose[j] @ side)
    over_sigma = np.hypot(mount.up_sigma_m[j], 0.25 * (1.0 + steep))
    over_sigma = np.hypot(over_sigma, steep * (mount.loose[j] @ ahead))
    return (
        np.concatenate([across, over]),
        np.concatenate([across_m, over_m]),
        np.concatenate([across_sigma, over_sigma]) / max(sure, 0.1),
    )


#: a pick's corners have the panel's own middle: it lies within this share of half a candidate's box; a point anywhere
CORNERS_WITHIN = 0.6


def counting(picks: Sequence[Pick], antenna_ids: Collection[str]) -> tuple[Pick, ...]:
    """The picks that name an antenna: of two of one antenna the first, and none of another site's antennas."""
    by_antenna = {p.antenna_id: p for p in reversed(picks) if not p.absent and p.antenna_id in antenna_ids}
    return tuple(by_antenna.values())


def without_absent(found: FoundPanels | None, picks: Sequence[Pick]) -> FoundPanels | None:
    """What was found but for candidates in whose box a person said that there is no antenna."""
    points = [np.array(p.seed_px, float) for p in picks if p.absent and p.seed_px is not None]
    if found is None or not points:
        return found

    def holds(c: PanelCandidate, at: Array) -> bool:
        return bool((at >= c.corners_px.min(0)).all() and (at <= c.corners_px.max(0)).all())

    return replace(found, candidates=tuple(c for c in found.candidates if not any(holds(c, at) for at in points)))


def named_by_picks(
    picks: Sequence[Pick], candidates: Sequence[PanelCandidate], antenna_ids: Collection[str]
) -> dict[int, str]:
    """Antennas of the candidates that picks name: those whose box holds the pick, the nearest where several do."""
    out: dict[int, str] = {}
    for pick in counting(picks, antenna_ids):
        at = np.array(pick.seed_px if pick.corners_px is None else np.mean(pick.corners_px, axis=0), float)
        within = 1.0 if pick.corners_px is None else CORNERS_WITHIN
        holding = []
        for k, c in enumerate(candidates):
            half = np.maximum(0.5 * np.ptp(c.corners_px, axis=0), 1.0)
            off = np.abs(at - c.corners_px.mean(0)) / half
            if k not in out and (off < within).all():
                holding.append((float(off.sum()), k))
        if holding:
            out[min(holding)[1]] = pick.antenna_id
    return out
