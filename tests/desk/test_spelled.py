"""The page spells figures as the report does: its own functions against those that the report is made with."""

from __future__ import annotations

import random
from typing import Any

import pytest

from photoaz.angles import format_azimuth_deg, format_difference_deg, format_u95_deg
from photoaz.desk.answering import page_files
from photoaz.present.figures import design_text
from photoaz.present.words import grouped, magnitude
from photoaz.result import Design
from photoaz.wording import percent, share

ORIGIN = "http://desk.invalid"
SHARES = [
    0.0,
    1e-9,
    0.0009,
    0.001,
    0.0011,
    0.0049,
    0.005,
    0.05,
    0.0999,
    0.1,
    0.31,
    0.9,
    0.901,
    0.994,
    0.9951,
    0.9991,
    1.0,
    0.625,
    0.125,
    0.015625,
]
ANGLES = [
    0.25,
    0.75,
    -0.25,
    12.25,
    162.35,
    162.75,
    0.15,
    0.0,
    -0.04,
    0.04,
    0.06,
    -0.06,
    359.96,
    359.94,
    -0.001,
    719.9,
    12.34,
    -12.34,
    179.96,
]
U95 = [0.0004, 0.0123, 0.0994, 0.0996, 0.1, 0.75, 0.82, 0.994, 0.996, 1.0, 3.16, 9.94, 9.96, 13.0, 104.0]


@pytest.fixture
def spell(browser: Any) -> Any:
    """Calls a function of the page's for each of some lists of arguments."""
    page = browser.new_page()
    page.route(
        f"{ORIGIN}/**",
        lambda route: route.fulfill(body=page_files()["spelled.js"][0], content_type="text/javascript"),
    )
    page.goto(f"{ORIGIN}/spelled.js")
    call = f"""async ([name, lists]) => {{
      const m = await import('{ORIGIN}/m.js');
      return lists.map((l) => m[name](...l));
    }}"""
    yield lambda name, lists: page.evaluate(call, [name, lists])
    page.close()


def test_figures_are_spelled_as_in_the_report(spell: Any) -> None:
    rng = random.Random(8)
    angles = ANGLES + [rng.uniform(-360.0, 720.0) for _ in range(200)]
    spreads = U95 + [10.0 ** rng.uniform(-2.5, 2.0) for _ in range(200)]
    pairs = [(a, rng.choice(spreads)) for a in angles]
    assert spell("azimuth", pairs) == [format_azimuth_deg(*p) for p in pairs]
    assert spell("azimuth", [(a,) for a in angles]) == [format_azimuth_deg(a) for a in angles]
    assert spell("uncertainty", [(u,) for u in spreads]) == [format_u95_deg(u) for u in spreads]
    assert spell("signed", [(a,) for a in angles]) == [format_difference_deg(a) for a in angles]
    assert spell("magnitude", [(a,) for a in angles]) == [magnitude(a) for a in angles]
    designs = [(a, rng.choice([2.0, 2.5, 5.0])) for a in angles]
    assert spell("design", designs) == [design_text(Design(azimuth_true_deg=a, tolerance_deg=t)) for a, t in designs]


def test_probabilities_and_counts_are_spelled_as_in_the_report(spell: Any) -> None:
    rng = random.Random(9)
    shares = SHARES + [rng.random() for _ in range(200)]
    assert spell("percent", [(p,) for p in shares]) == [percent(p) for p in shares]
    assert spell("share", [(p,) for p in shares]) == [share(p) for p in shares]
    assert spell("number", [(n,) for n in (0, 7, 999, 1000, 1234567)]) == [
        grouped(n) for n in (0, 7, 999, 1000, 1234567)
    ]


def test_what_is_not_known_is_a_dash(spell: Any) -> None:
    for name in ("azimuth", "uncertainty", "signed", "magnitude", "design", "percent", "plain"):
        assert spell(name, [(None,)]) == ["–"]
