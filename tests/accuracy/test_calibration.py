"""Sixty drawn sites through the pipeline: what is stated against the truth, within binomial limits.

Each limit is left by a sound figure in one of a thousand such runs (two-sided 99.9 %). Antennas of a site share its
photos' headings and are not independent: so of each site one antenna counts, the one named first; then the limits are
the binomial distribution's own. `python -m photoaz.accuracy` does the same with some thousand sites.
"""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from click.testing import CliRunner
from scipy import stats

from photoaz.accuracy.__main__ import main, outcomes_of
from photoaz.accuracy.draw import AS_STATED, CONDITIONS, draw_site
from photoaz.accuracy.page import Made, Rendered, page
from photoaz.accuracy.tallies import coverages, detections, false_alarms
from photoaz.accuracy.trial import Outcome, trial

SITES, SEED = 60, 4
#: two-sided probability with which a sound figure leaves its limits
FAILS = 1e-3


@pytest.fixture(scope="module")
def outcomes() -> tuple[Outcome, ...]:
    return outcomes_of(SEED, SITES)


def limits(n: int, p: float) -> tuple[float, float]:
    low, high = stats.binom.ppf([FAILS / 2, 1 - FAILS / 2], n, p)
    return float(low), float(high)


def firsts(outcomes, conditions):
    return [o.antennas[0] for o in outcomes if o.conditions in conditions and o.antennas]


@pytest.mark.parametrize("conditions", [(AS_STATED.name,), tuple(c.name for c in CONDITIONS[:2])])
def test_u95_covers(outcomes, conditions):
    one = firsts(outcomes, conditions)
    assert len(one) >= 18
    held = sum(abs(a.error_deg) <= a.u95_deg for a in one)
    low, high = limits(len(one), 0.95)
    assert low <= held <= high, held / len(one)


def test_errors_spread_as_their_standard_uncertainties_say(outcomes):
    """Sum of squared errors over standard uncertainties: chi-square limits; mixtures of several azimuths left out."""
    z = [a.error_deg / a.sigma_deg for a in firsts(outcomes, (AS_STATED.name,)) if not a.ambiguous]
    low, high = stats.chi2.ppf([FAILS / 2, 1 - FAILS / 2], len(z))
    assert low < np.square(z).sum() < high


def test_downtilts_are_covered(outcomes):
    one = firsts(outcomes, [c.name for c in CONDITIONS[:2]])
    held = sum(abs(a.downtilt[0]) <= a.downtilt[1] for a in one)
    low, high = limits(len(one), 0.95)
    assert low <= held <= high


def test_out_of_tolerance_as_probable_as_stated(outcomes):
    """Sum of outcomes against sum of probabilities, of one design of one antenna a site: a normal deviate."""
    told = [a.designs[0] for a in firsts(outcomes, (AS_STATED.name, CONDITIONS[1].name))]
    p = np.array([t[0] for t in told])
    z = (sum(t[2] for t in told) - p.sum()) / np.sqrt((p * (1.0 - p)).sum())
    assert abs(z) < stats.norm.isf(FAILS / 2)


def test_decisions_are_seldom_wrong(outcomes):
    """At a risk of 5 %: no more than its binomial limit."""
    told = [a.designs[0] for a in firsts(outcomes, (AS_STATED.name,))]
    wrong = sum((d == "accept" and out) or (d == "reject" and not out) for _, d, out in told)
    made = sum(d != "undecided" for _, d, _ in told)
    assert made >= 5
    assert wrong <= stats.binom.ppf(1 - FAILS, made, 0.05)


def test_right_observations_are_let_alone(outcomes):
    """Several hundred of them, tested at one in a thousand, outlines at less."""
    some = false_alarms(outcomes)
    n, named = sum(s.n for s in some), sum(s.hits for s in some)
    assert n > 200
    assert named <= stats.binom.ppf(1 - FAILS, n, 0.001)


def test_what_must_be_found_is_found(outcomes):
    """Blunders against which a test has a power above 95 %."""
    told = [s for s in detections(outcomes) if "power 0.95" in s.name]
    n, found = sum(s.n for s in told), sum(s.hits for s in told)
    assert n >= 3
    assert found >= stats.binom.ppf(FAILS, n, 0.95)


def test_a_site_depends_on_its_number_alone(outcomes):
    again = trial(SEED, 17)
    assert again == outcomes[17]


def test_drawn_sites_are_of_many_kinds(outcomes):
    antennas = [a for o in outcomes for a in o.antennas]
    assert {a.views for a in antennas} >= {1, 2, 3}
    assert len({a.lens_mm for a in antennas}) == 4
    assert any(a.landmark for a in antennas)
    assert any(a.ambiguous for a in antennas)
    assert any(o.turns for o in outcomes)
    assert any(o.blunders for o in outcomes)


def test_as_stated_has_no_blunders():
    drawn = draw_site(np.random.default_rng(0), "S", AS_STATED, 2)
    assert all(not v.blunders for v in drawn.visits)


def test_the_page_says_all_of_it(outcomes):
    made = Made(day=date(2026, 1, 2), version="0", seed=SEED, seconds=60.0, jobs=1)
    text = page(outcomes, made, Rendered(), "A remark.")
    assert "A remark." in text
    assert f"{SITES} sites drawn with seed {SEED}" in text
    for _, rows in coverages(outcomes):
        for r in rows:
            assert r.held.n == 0 or f"| {r.held.name} | {r.held.n} |" in text
    assert len(text.splitlines()) <= 200


def test_the_command_writes_a_page(tmp_path):
    out = tmp_path / "trial.md"
    got = CliRunner().invoke(main, ["--sites", "3", "--jobs", "1", "--no-sample", "--out", str(out)])
    assert got.exit_code == 0, got.output
    assert out.read_text(encoding="utf-8").startswith("# Are the stated figures true?")
