"""Readings and estimates of invented sites, with faults planted in them."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from photoaz.geodesy.norths import Declination
from photoaz.judgement.beliefs import by_photos, with_priors
from photoaz.judgement.causes import likely_causes
from photoaz.judgement.reading_faults import Case, transposed
from photoaz.priors import Priors
from photoaz.register.model import Antenna, Reading
from photoaz.result import AntennaResult, Design, EvidenceView, JudgedReading

K95 = 1.959964
DECLINATION_SIGMA_DEG = 0.35  # published error models, mid latitudes


def case(name, reading, estimate, **given):
    """A reading of 1 degree (U95) and an estimate as designed, 12 degrees of declination, unless said otherwise."""
    stated = given.get("stated_deg", reading)
    views = ()
    if "name_probability" in given:
        named = given["name_probability"]
        views = (
            EvidenceView(
                photo="p", view="face", corners_px=(), width_px=30.0, yaw_deg=0.0, quality=0.9, name_probability=named
            ),
        )
    return Case(
        antenna=Antenna(
            antenna_id=name,
            rad_center_m=30.0,
            design_azimuth_deg=0.0,
            sector=name[0],
            position=int(name[1:]),
        ),
        stated=Reading(azimuth_deg=stated, north=given.get("stated_north", "true"), u95_deg=1.0, date=given.get("day")),
        reading=JudgedReading(
            azimuth_true_deg=reading,
            u95_deg=given.get("reading_u95_deg", 1.0),
            declination_u95_deg=given.get("shared_u95_deg", 0.0),
        ),
        found=AntennaResult(
            antenna_id=name,
            status="estimated",
            azimuth_true_deg=estimate,
            design=Design(azimuth_true_deg=given.get("design_deg", estimate)),
            alternatives=given.get("alternatives", ()),
            evidence=views,
        ),
        photos=(),
        known=(),
        declination=Declination(
            value_deg=given.get("declination_deg", 12.0),
            sigma_deg=given.get("declination_sigma_deg", 0.3),
            model="invented",
        ),
        convergences_deg=given.get("convergences_deg", ()),
    )


def turned(c, angle, design=0.0, estimate=0.0, stated=0.0):
    """The same case, its reading turned, and its design, estimate and the reading as stated by their angles."""
    return replace(
        c,
        stated=replace(c.stated, azimuth_deg=(c.stated.azimuth_deg + stated) % 360.0),
        reading=replace(c.reading, azimuth_true_deg=(c.reading.azimuth_true_deg + angle) % 360.0),
        found=replace(
            c.found,
            azimuth_true_deg=(c.found.azimuth_true_deg + estimate) % 360.0,
            design=Design(azimuth_true_deg=(c.found.design.azimuth_true_deg + design) % 360.0),
        ),
    )


def explained(cases, covariance, others=(), priors=None, *, alone=True):
    """`likely_causes` of antennas that are believed of what a result made by hand says; sigmas by the covariance."""
    some = []
    for c, variance in zip(cases, np.diag(covariance), strict=True):
        found = replace(c.found, u95_deg=K95 * math.sqrt(variance), own_u95_deg=K95 * math.sqrt(variance))
        known = (priors or Priors()).deviations(c.antenna.tolerance_deg)
        design = found.design.azimuth_true_deg
        some.append(replace(c, found=found, photos=by_photos(found), known=with_priors(found, design, known)))
    return likely_causes(some, covariance, others, priors, alone=alone)


def wrapped(angle):
    return (angle + 180.0) % 360.0 - 180.0


class Invented:
    """A site of three sectors with a planted fault; cases, covariance, and which antennas it is about.

    Headings in common are known to 0.3 to 1.5 degrees, each antenna to 0.4 to 1.2, readings to 1 or 2 (U95), all drawn
    from their own uncertainties.
    """

    def __init__(self, rng, fault, declination=None):
        each = int(rng.integers(1, 5))
        n = 3 * each
        start = rng.uniform(0.0, 360.0)
        design = np.repeat([(start + 120.0 * k + rng.normal(0.0, 8.0)) % 360.0 for k in range(3)], each)
        true = design + rng.normal(0.0, 1.5, n)
        common, own = rng.uniform(0.3, 1.5), rng.uniform(0.4, 1.2)
        reading_u95 = rng.choice([1.0, 2.0])
        d = rng.choice([-1, 1]) * rng.uniform(8.0, 25.0) if declination is None else declination
        grid = rng.uniform(-1.5, 1.5)
        if fault == "grid":
            common, own, grid = 0.3, 0.5, rng.choice([-1, 1]) * 2.4
        d_true = d + rng.normal(0.0, DECLINATION_SIGMA_DEG)
        one, order = int(rng.integers(n)), np.arange(n)
        about = np.ones(n, bool)
        single = order == one
        now, read, magnetic = true.copy(), true.copy(), fault.startswith("magnetic")
        if fault == "omitted":
            read -= d_true
        elif fault == "sign":
            read -= 2.0 * d_true
        elif fault == "twice":
            read += d_true
        elif fault == "magnetic":
            read -= d_true
        elif fault == "grid":
            read -= grid
        elif fault == "reversed all":
            read += 180.0
        elif fault == "reversed":
            read[one] += 180.0
        elif fault == "wrong":
            read[one] += rng.choice([-1, 1]) * rng.uniform(9.0, 25.0)
        elif fault == "turned before":
            true[one] += rng.choice([-1, 1]) * rng.uniform(10.0, 30.0)
            now, read = true.copy(), true.copy()
        elif fault == "turned since":
            now[one] += rng.choice([-1, 1]) * rng.uniform(10.0, 30.0)
        elif fault == "common":
            while True:  # not one of those that a declination explains
                angle = rng.choice([-1, 1]) * rng.uniform(7.0, 25.0)
                if min(abs(angle - k * d) for k in (-2, -1, 1)) > 8.0:
                    break
            read += angle
        elif fault in ("sectors", "pair", "ring"):
            source = order.reshape(3, each).copy()
            if fault == "ring":
                source = np.roll(source, 1, axis=0)
            else:
                columns = slice(None) if fault == "sectors" else one % each
                source[[0, 1], columns] = source[[1, 0], columns]
            read, about = true[source.ravel()], source.ravel() != order
        read = np.round((read + rng.normal(0.0, reading_u95 / K95, n)) % 360.0, 1) % 360.0
        if fault == "transposed":
            while not (ways := [t for t in transposed(float(read[one])) if 12.0 < abs(wrapped(t - read[one])) < 170.0]):
                read[one] = round((read[one] + 7.0) % 360.0, 1)  # an antenna that hangs elsewhere
                true[one] = now[one] = design[one] = read[one]
            read[one] = rng.choice(ways)
        if fault in ("reversed", "wrong", "turned before", "turned since", "transposed"):
            about = single
        self.about = about
        self.out_of_tolerance = np.abs(wrapped(true - design)) > 5.0
        self.covariance = common**2 * np.ones((n, n)) + own**2 * np.eye(n)
        estimate = rng.multivariate_normal(now, self.covariance) % 360.0
        shared = K95 * DECLINATION_SIGMA_DEG if magnetic else 0.0
        self.cases = [
            case(
                f"{'ABC'[k // each]}{k % each + 1}",
                float((read[k] + (d if magnetic else 0.0)) % 360.0),
                float(estimate[k]),
                stated_deg=float(read[k]),
                reading_u95_deg=math.hypot(reading_u95, shared),
                shared_u95_deg=shared,
                stated_north="magnetic" if magnetic else "true",
                declination_deg=float(d),
                declination_sigma_deg=DECLINATION_SIGMA_DEG,
                convergences_deg=(float(grid),),
                design_deg=float(design[k] % 360.0),
            )
            for k in range(n)
        ]

    def readings(self):
        """Explained, in the order of the cases; nothing is said of the photos alone."""
        return list(explained(self.cases, self.covariance, alone=False).readings.values())
