"""The pages in a browser: filter, sort, the way back, the map, keys, without script, on paper."""

from __future__ import annotations

import re
import time

import pytest

from photoaz.present.pages import index as pages_index
from photoaz.present.pages import write_report

SHOWN = "Array.from(document.querySelectorAll('#table tbody tr th a')).map(a => a.textContent)"


@pytest.fixture(scope="module")
def index(tmp_path_factory, variants, about):
    return write_report(tmp_path_factory.mktemp("browser") / "report", variants(40), about)


def opened(pages, path, fragment="", **options):
    page = pages(**options)
    page.goto(path.as_uri() + fragment)
    return page


def until(page, condition):
    """Wait for it; asked from outside, since the page's own policy lets it evaluate no text."""
    end = time.monotonic() + 10.0
    while not page.evaluate(condition):
        assert time.monotonic() < end, condition
        page.wait_for_timeout(20)


def quiet(page):
    assert page.complaints == []
    assert all(u.startswith("file:") for u in page.asked)


def test_filter_by_text_state_and_cause(index, pages):
    page = opened(pages, index)
    assert len(page.evaluate(SHOWN)) == 40
    page.select_option("[name=state]", "reading")
    until(page, "document.getElementById('shown').textContent === '8 of 40 sites'")
    assert page.evaluate(SHOWN) == [f"FLD-{k:04d}" for k in range(1, 40, 5)]
    page.fill("[name=q]", "fld-003")
    until(page, "document.getElementById('shown').textContent === '2 of 40 sites'")
    assert page.evaluate(SHOWN) == ["FLD-0031", "FLD-0036"]
    page.click("button[type=reset]")
    until(page, "document.getElementById('shown').textContent === '40 sites'")
    page.select_option("[name=cause]", "declination_omitted")
    until(page, "document.getElementById('shown').textContent !== '40 sites'")
    assert set(page.evaluate(SHOWN)) == {f"FLD-{k:04d}" for k in range(1, 40, 5)}
    quiet(page)


def test_sort_by_words_states_and_figures_with_keys(index, pages):
    page = opened(pages, index)

    def press(column):
        page.focus(f"#table thead th:nth-child({column}) button")
        page.keyboard.press("Enter")

    press(1)
    assert page.evaluate(SHOWN) == [f"FLD-{k:04d}" for k in range(40)]
    assert page.get_attribute("#table thead th:nth-child(1)", "aria-sort") == "ascending"
    press(1)
    assert page.evaluate(SHOWN)[0] == "FLD-0039"
    press(12)  # loss avoided, the largest first
    assert page.evaluate(SHOWN)[:3] == ["FLD-0037", "FLD-0032", "FLD-0027"]
    press(2)
    states = page.evaluate("Array.from(document.querySelectorAll('#table tbody tr')).map(r => r.dataset.s)")
    codes = ["out", "reading", "undecided", "unseen", "ok"]
    assert states == sorted(states, key=codes.index)
    quiet(page)


def test_the_way_back_keeps_the_filter(index, pages):
    page = opened(pages, index)
    page.select_option("[name=state]", "out")
    until(page, "document.getElementById('shown').textContent === '8 of 40 sites'")
    page.click("#table tbody tr:first-child a")
    page.wait_for_selector("#back")
    assert "/sites/FLD-0037.html" in page.url
    page.click("a[rel=next]")
    page.wait_for_url("**/FLD-0038.html*")
    page.click("#back")
    page.wait_for_selector("#table")
    assert len(page.evaluate(SHOWN)) == 8
    assert page.input_value("[name=state]") == "out"
    quiet(page)


@pytest.mark.parametrize(
    "fragment",
    [
        "#back=javascript:alert(1)",
        "#back=%22%3E%3Cscript%3Ealert(1)%3C/script%3E",
        "#back=%E0%A4%A",
        "#back=",
        "#x&back=q",
    ],
)
def test_a_forged_way_back_leads_to_the_index(index, pages, fragment):
    page = opened(pages, index.parent / "sites" / "FLD-0001.html", fragment)
    assert re.match(r"\.\./index\.html(#|$)", page.get_attribute("#back", "href"))
    assert page.evaluate("document.getElementById('back').href").startswith("file:")
    quiet(page)


def test_a_forged_filter_is_no_filter(index, pages):
    page = opened(pages, index, "#state=%3Cscript%3E&cause=nothing&sort=99d&q=%3Cimg%20src=x%20onerror=alert(1)%3E")
    assert page.evaluate(SHOWN) == []
    assert page.input_value("[name=state]") == ""
    quiet(page)


def test_the_rest_of_a_long_table_is_found(tmp_path, variants, about, pages, monkeypatch):
    monkeypatch.setattr(pages_index, "ROWS_SHOWN", 10)
    page = opened(pages, write_report(tmp_path, variants(25), about))
    assert len(page.evaluate(SHOWN)) == 10
    page.fill("[name=q]", "FLD-0024")
    until(page, "document.getElementById('shown').textContent === '1 of 25 sites'")
    assert page.evaluate(SHOWN) == ["FLD-0024"]
    quiet(page)


def test_the_map_comes_nearer_moves_and_leads_to_a_site(index, pages):
    page = opened(pages, index)
    drawn = "document.querySelector('#pins .ok').getAttribute('d')"
    bar = "document.getElementById('bar-name').textContent"
    first, length = page.evaluate(drawn), page.evaluate(bar)
    page.click("[data-m=in]")
    page.click("[data-m=in]")
    until(page, f"{drawn} !== {first!r}")
    until(page, f"{bar} !== {length!r}")
    page.wait_for_timeout(100)  # the last frame asked for
    page.focus("#map")
    nearer = page.evaluate(drawn)
    page.keyboard.press("ArrowLeft")
    until(page, f"{drawn} !== {nearer!r}")
    page.keyboard.press("0")
    until(page, f"{bar} === {length!r}")
    row = page.evaluate("(r => [r.dataset.at, r.cells[0].textContent])(document.querySelector('#table tbody tr'))")
    x, y = (float(v) for v in row[0].split())
    page.evaluate("document.getElementById('map').scrollIntoView({block: 'center'})")
    box = page.locator("#map").bounding_box()
    at = box["x"] + x * box["width"] / 1000.0, box["y"] + y * box["height"] / 520.0
    page.mouse.move(*at)
    until(page, "document.getElementById('map-says').textContent.includes('Click for its page')")
    assert row[1] in page.inner_text("#map-says")
    page.mouse.click(*at)
    page.wait_for_url(f"**/{row[1]}.html*")
    quiet(page)


def test_script_and_page_draw_the_same_map(index, pages):
    page = opened(pages, index)
    paths = "Array.from(document.querySelectorAll('#pins path[data-s]')).map(p => p.getAttribute('d').length)"
    before = page.evaluate(paths)
    page.click("[data-m=whole]")
    page.wait_for_timeout(100)
    # marks are printed with a tenth of a unit by both; -0.0 may be longer by a sign
    assert page.evaluate(paths) == pytest.approx(before, rel=0.02, abs=2)
    quiet(page)


def test_without_script_it_is_a_plain_table(index, pages):
    page = opened(pages, index, java_script_enabled=False)
    assert page.locator("#table tbody tr").count() == 40
    assert not page.locator("#filter").is_visible()
    assert not page.locator(".mapkeys").is_visible()
    assert page.locator("#map").is_visible()
    page.click("#table tbody tr:first-child a")
    page.click("#back")
    assert page.url.endswith("index.html")


def test_no_page_is_wider_than_the_window(index, tmp_path, result, about, pages_of_font):
    write_report(tmp_path / "one", [result], about)
    for path in (index, tmp_path / "one" / "sites" / "HNT-204.html"):
        page = opened(pages_of_font, path)
        for width in (1280, 820, 390):
            page.set_viewport_size({"width": width, "height": 900})
            assert page.evaluate("document.documentElement.scrollWidth") <= width, (path.name, width)


def test_everything_that_acts_can_be_reached_by_key_and_has_a_name(index, pages_of_font):
    page = opened(pages_of_font, index)
    nameless = page.evaluate(
        "Array.from(document.querySelectorAll('button, input, select, a')).filter(e => !(e.textContent.trim() || "
        "e.getAttribute('aria-label') || (e.labels && e.labels.length))).length"
    )
    assert nameless == 0
    small = page.evaluate(
        "Array.from(document.querySelectorAll('button')).filter(e => e.offsetParent && "
        "(e.getBoundingClientRect().height < 24 || e.getBoundingClientRect().width < 24)).map(e => e.textContent)"
    )
    assert small == []  # WCAG 2.2, 2.5.8: 24 by 24 CSS pixels
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"


@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_it_prints(index, pages_of_font, size):
    page = opened(pages_of_font, index)
    pdf = page.pdf(format=size)
    count = len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))
    assert 3 <= count <= 8
    page.emulate_media(media="print")
    assert not page.locator("#filter").is_visible()
    assert page.locator("#table tbody tr").count() == 40
