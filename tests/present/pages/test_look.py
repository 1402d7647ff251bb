"""Contrast of the pages' colours, light and dark: WCAG 2.2, 1.4.3 (text 4.5:1) and 1.4.11 (marks 3:1)."""

from __future__ import annotations

import re
from importlib import resources

import pytest

from photoaz.present.words import STATES

CSS = (resources.files("photoaz.present") / "assets" / "report.css").read_text(encoding="utf-8")


def colours(block):
    return dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block))


LIGHT = colours(CSS.split("@media", 1)[0])
DARK = colours(CSS.split("prefers-color-scheme: dark")[1].split("* {")[0])


def luminance(colour):
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)]
    r, g, b = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(a, b):
    bright, dark = sorted((luminance(a), luminance(b)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def test_the_measure_itself():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)  # WCAG 2.2, 1.4.3's own extreme
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)  # the well-known lightest grey, from memory


def test_both_schemes_name_the_same_colours():
    assert set(LIGHT) == set(DARK)
    assert len(LIGHT) > 12


@pytest.mark.parametrize("scheme", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("ground", ["paper", "panel"])
def test_text_and_marks_stand_out(scheme, ground):
    for name in ("ink", "muted", "link", "photos", *(s.code for s in STATES)):
        assert contrast(scheme[name], scheme[ground]) >= 4.5, name
    for name in ("line", "focus", "read", "design"):
        assert contrast(scheme[name], scheme[ground]) >= 3.0, name


def test_states_are_told_by_shape_too():
    shapes = re.findall(r'\.s\.(\w+)::before \{ content: "(.)"', CSS)
    assert {c for c, _ in shapes} == {s.code for s in STATES}
    assert len({shape for _, shape in shapes}) == len(STATES)


def test_paper_is_always_light():
    assert "@media screen and (prefers-color-scheme: dark)" in CSS
