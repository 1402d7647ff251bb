"""The desk's pages as they look in a real browser: contrast, focus, room for fingers, letters of a size to be read.

Contrast is computed as WCAG 2.2 has it (success criterion 1.4.3, relative luminance and contrast ratio).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from photoaz.present.folder import open_store
from photoaz.present.words import DESIGNS, READINGS, UNSEEN
from photoaz.result import ById
from photoaz.sample import sample_dir

#: texts whose contrast with what they stand on is too small (4.5, large ones 3), by their words
CONTRAST = """() => {
  const parse = (c) => { const m = c.match(/[\\d.]+/g).map(Number); return [m[0], m[1], m[2], m[3] ?? 1]; };
  const over = (a, b) => [0, 1, 2].map((k) => a[k] * a[3] + b[k] * (1 - a[3])).concat(1);
  const lum = (c) => { const f = (v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
    return 0.2126 * f(c[0]) + 0.7152 * f(c[1]) + 0.0722 * f(c[2]); };
  const ground = (e) => { let out = [0, 0, 0, 0]; const stack = [];
    for (; e; e = e.parentElement) {
      const c = parse(getComputedStyle(e).backgroundColor); stack.push(c); if (c[3] === 1) break; }
    out = [255, 255, 255, 1]; for (const c of stack.reverse()) out = over(c, out); return out; };
  const bad = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let n; (n = walk.nextNode());) {
    const e = n.parentElement, r = e.getBoundingClientRect(), s = getComputedStyle(e);
    if (!n.textContent.trim() || !r.width) continue;
    if (e.closest('svg, .viewer, noscript, .unseen, :disabled, .off, option')) continue;
    const b = ground(e), a = over(parse(s.color), b), [x, y] = [lum(a), lum(b)].sort((p, q) => q - p);
    const ratio = (x + 0.05) / (y + 0.05), size = parseFloat(s.fontSize);
    const large = size >= 24 || (size >= 18.6 && s.fontWeight >= 700);
    if (ratio < (large ? 3 : 4.5)) bad.push(`${n.textContent.trim()}: ${ratio.toFixed(2)}`);
  }
  return bad;
}"""

#: what is wider than the window, and what is smaller to hit than so many CSS pixels (WCAG 2.2: 2.5.8 wants 24 by 24,
#: 2.5.5 wants 44 by 44)
ROOM = """(least) => {
  const bad = [];
  const wide = document.documentElement.scrollWidth;
  if (wide > window.innerWidth) {
    const over = (e) => e.getBoundingClientRect().right > window.innerWidth;
    const names = [...document.querySelectorAll('body *')].filter(over).map((e) => `${e.tagName}.${e.className}`);
    bad.push(`page ${wide} px wide: ${names.join(' ')}`);
  }
  const controls = 'button, select, input, label, summary, .button, table a, .links a, .back';
  for (const e of document.querySelectorAll(controls)) {
    const r = e.getBoundingClientRect();
    const name = e.textContent || e.name;
    const small = r.width && (r.height < least || r.width < least);
    if (small && !e.parentElement.closest('label')) bad.push(`${name}: ${r.width} x ${r.height}`);
  }
  return bad;
}"""

#: words of a map or plan that are less than 11 CSS pixels high on the screen
SMALL_TEXT = """() => [...document.querySelectorAll('svg.plan text, svg.intervals text')].filter((t) => {
  const scale = t.getScreenCTM().a; const size = parseFloat(getComputedStyle(t).fontSize) * scale;
  return t.getBoundingClientRect().width && size < 10.99;
}).map((t) => `${t.textContent}: ${(parseFloat(getComputedStyle(t).fontSize) * t.getScreenCTM().a).toFixed(1)}`)"""


@pytest.fixture(scope="module")
def looked_at(audited: Path, served: Any) -> Iterator[str]:
    """A desk for those that only look."""
    with served(audited / "out") as url:
        yield url


@contextmanager
def landmark_form(page: Any) -> Iterator[None]:
    """From the list to a site with the fullest form open, and back."""
    page.click("table.sites a")
    page.wait_for_selector(".figures table")
    page.click('[data-key="tool-landmark"]')
    page.locator(".viewer").click()
    page.wait_for_selector('[data-key="f-place"]')
    yield
    page.click('[data-key="back"]')
    page.wait_for_selector("table.sites a")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_contrast_and_focus(browser: Any, looked_at: str, scheme: str, page_of: Any) -> None:
    with page_of(browser, looked_at, color_scheme=scheme) as page:
        for width in (1400, 820, 390):
            page.set_viewport_size({"width": width, "height": 900})
            page.wait_for_selector("table.sites a")
            assert page.evaluate(CONTRAST) == []
            with landmark_form(page):
                assert page.evaluate(CONTRAST) == []
                # whatever is reached by the keyboard shows that it is
                for _ in range(12):
                    page.keyboard.press("Tab")
                    shown = page.evaluate(
                        "((s) => `${s.outlineStyle} ${s.outlineWidth}`)(getComputedStyle(document.activeElement))"
                    )
                    assert shown == "solid 3px"


@pytest.mark.parametrize("least", [24, 44])
def test_room(browser_of_font: Any, looked_at: str, least: int, page_of: Any) -> None:
    # on a dense screen letters are not rounded to whole pixels
    with page_of(browser_of_font, looked_at, has_touch=least == 44, device_scale_factor=2) as page:
        for width in (1400, 820, 390):
            page.set_viewport_size({"width": width, "height": 900})
            page.wait_for_selector("table.sites a")
            assert page.evaluate(ROOM, least) == []
            with landmark_form(page):
                assert page.evaluate(ROOM, least) == []


def of_every_kind(results: Path) -> None:
    """Add a site whose readings and designs stand in every way, and photos of a third one that nobody solved."""
    store = open_store(results)
    run = store.last_run()
    assert run is not None
    store.run_id = run[0]
    kept = store.site("QLB-014")
    assert kept is not None
    assert kept.result is not None
    a1, b1, b2, c1, *_ = kept.result.antennas
    gone: dict[str, Any] = {"azimuth_true_deg": None, "u95_deg": None}
    antennas = (
        *kept.result.antennas,
        replace(b1, antenna_id="D1", reading=None, design=replace(b1.design, decision="undecided")),
        replace(b2, antenna_id="D2", status="not_found", **gone),
        replace(c1, antenna_id="D3", status="not_visible", **gone, reading=None),
        replace(a1, antenna_id="D4", u95_deg=150.0, reading=a1.reading and replace(a1.reading, agrees=None)),
    )
    result = replace(kept.result, site_id="QLB-015", antennas=ById(antennas))
    store.keep_site(replace(kept, site_id="QLB-015", result=result))
    (photo, *_) = store.photos_at("QLB-014")
    store.keep_photo(replace(photo, name="elsewhere.jpg", site_id="QLB-016"))
    store.close()


def test_tallies_of_the_list_have_room(browser_of_font: Any, results: Path, served: Any, page_of: Any) -> None:
    of_every_kind(results)
    with served(results) as url, page_of(browser_of_font, url, device_scale_factor=2) as page:
        page.select_option('[data-key="show"]', "all")
        page.wait_for_selector("table.sites a >> text=QLB-016")
        said = page.inner_text(".tally").replace("\n", " ")
        assert "Antennas 16, at 2 of 3 sites" in said
        # every kind once, in the report's words
        for w in (*READINGS, *DESIGNS, *UNSEEN):
            assert len(re.findall(rf"\b\d+ (?:{w.word}|{w.many})\b", said)) == 1, (w.code, said)
        rows = {r.query_selector("th").inner_text(): r.inner_text() for r in page.query_selector_all(".sites tbody tr")}
        assert "1 not compared" in rows["QLB-015"]
        assert "not measured" in rows["QLB-015"]
        assert "agree" not in rows["QLB-016"]
        for width in (1400, 820, 390):
            page.set_viewport_size({"width": width, "height": 900})
            assert page.evaluate(ROOM, 24) == []
            # nor is anything of the table to be scrolled to
            wider = page.evaluate("((e) => e.scrollWidth - e.clientWidth)(document.querySelector('.rows'))")
            assert (width, wider) == (width, 0)
            for scheme in ("light", "dark"):
                page.emulate_media(color_scheme=scheme)
                assert page.evaluate(CONTRAST) == []


@pytest.fixture(scope="module")
def dropping(tmp_path_factory: pytest.TempPathFactory, served: Any) -> Iterator[str]:
    """A desk to drop photos on."""
    with served("--out", tmp_path_factory.mktemp("dropping") / "project") as url:
        yield url


@pytest.mark.parametrize("least", [24, 44])
def test_room_and_contrast_where_photos_are_dropped(
    browser_of_font: Any,
    dropping: str,
    tmp_path: Path,
    least: int,
    request: pytest.FixtureRequest,
    page_of: Any,
    dropped: Any,
) -> None:
    """A photo that lost its place, as phones hand them out, and that nobody dropped before: all fields are there."""
    from PIL import Image

    with Image.open(sample_dir() / "qlb014_1.jpg") as image:
        image.crop((1600, 600, 2600, 1500)).save(tmp_path / "bare.jpg", quality=90, comment=request.node.name)
    touch: dict[str, Any] = {"has_touch": least == 44, "device_scale_factor": 2}
    with page_of(browser_of_font, dropping, **touch) as page:
        page.wait_for_selector(".start")
        for width in (1400, 820, 390):
            page.set_viewport_size({"width": width, "height": 900})
            assert page.evaluate(ROOM, least) == []
        dropped(page, tmp_path / "bare.jpg")
        assert "not say it" in page.inner_text(".dropform .warn")
        page.click('[data-key="more"]')
        page.fill('[data-key="d-tower"]', "46.629992, -66.409983")
        page.locator('[data-key="d-tower"]').blur()
        page.wait_for_selector(".planbox .plan")
        page.click('[data-key="set-place"]')
        page.locator(".planbox .plan").click(position={"x": 60, "y": 80})
        page.wait_for_selector(".planbox .camera")
        for width in (1400, 820, 390):
            page.set_viewport_size({"width": width, "height": 900})
            assert page.evaluate(ROOM, least) == []
            assert page.evaluate(SMALL_TEXT) == []
            for scheme in ("light", "dark"):
                page.emulate_media(color_scheme=scheme)
                assert page.evaluate(CONTRAST) == []
