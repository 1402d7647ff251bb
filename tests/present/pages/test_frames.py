"""Figures within their frames: in no font does a text of a drawing run past the drawing, on pages and on sheets."""

from __future__ import annotations

from dataclasses import replace

import pytest

from photoaz.network.forecast import MAY_BE_WRONG, TWO_WAYS
from photoaz.present.pages import write_report
from photoaz.present.sheet import sheet_html
from photoaz.result import Alternative, BudgetShare, ById

BEYOND = """() => [...document.querySelectorAll('svg text')].filter((t) => {
  const a = t.getBoundingClientRect(), b = t.ownerSVGElement.getBoundingClientRect();
  return a.width && (a.left < b.left - 0.5 || a.right > b.right + 0.5);
}).map((t) => t.textContent)"""
#: of a budget: its longest sources, and what somebody called a control, cut at as many letters as are shown
SHARES = ((MAY_BE_WRONG, 0.997), (TWO_WAYS, 0.002), ("water tower behind the old mill", 0.001))


@pytest.fixture(params=[75.0, 275.0], ids=["right", "left"])
def wide_figures(result, request):
    """An antenna that may point elsewhere, all of its figures as long as they get."""
    azimuth = request.param + 2.65
    first, *others = result.antennas
    other = Alternative(azimuth_true_deg=azimuth + 14.0, u95_deg=0.75, probability=0.066)
    budget = tuple(BudgetShare(source=source, share=share, u95_deg=0.88) for source, share in SHARES)
    design = replace(first.design, azimuth_true_deg=azimuth - 9.0, tolerance_deg=2.25)
    reading = replace(first.reading, azimuth_true_deg=azimuth + 5.0, u95_deg=0.88)
    first = replace(
        first,
        azimuth_true_deg=azimuth,
        u95_deg=0.88,
        alternatives=(other,),
        budget=budget,
        design=design,
        reading=reading,
    )
    return replace(result, antennas=ById((first, *others)))


CUT = """() => [...document.querySelectorAll('table.sites, table.todo, table.figures, table.photolist')].flatMap((t) =>
  [...t.querySelectorAll('th, td')].filter((c) => {
    const a = c.getBoundingClientRect(), b = t.parentElement.getBoundingClientRect();
    return a.width && (a.right > b.right + 1 || c.scrollWidth > c.clientWidth + 1);
  }).map((c) => `${t.className}: ${c.textContent.trim()}`))"""


def test_on_a_tablet_no_column_lies_beyond_the_window(wide_figures, campaigns, about, tmp_path, pages_of_font):
    """What is last in a row, such as the likely cause, is seen without pushing the table aside."""
    index = write_report(tmp_path, [wide_figures, *campaigns[:9]], about)
    page = pages_of_font()
    page.set_viewport_size({"width": 820, "height": 900})
    for path in (index, index.parent / "sites/HNT-204.html"):
        page.goto(path.as_uri())
        laid_out = "(e) => { e.style.contentVisibility = 'visible'; }"
        page.evaluate(f"document.querySelectorAll('#revisit, #sites').forEach({laid_out})")
        assert page.evaluate(CUT) == [], path.name


def test_no_text_of_a_drawing_runs_past_its_frame(wide_figures, site, about, tmp_path, pages_of_font):
    write_report(tmp_path / "report", [wide_figures], about)
    sheet = tmp_path / "sheet.html"
    sheet.write_text(sheet_html(site, wide_figures, "HNT-204-A1", about.created), encoding="utf-8")
    page = pages_of_font()
    for path in (sheet, tmp_path / "report/sites/HNT-204.html", tmp_path / "report/index.html"):
        page.goto(path.as_uri())
        for width in (1400, 820, 390):
            page.set_viewport_size({"width": width, "height": 900})
            assert page.evaluate(BEYOND) == [], (path.name, width)
        page.emulate_media(media="print")
        assert page.evaluate(BEYOND) == [], path.name
        page.emulate_media(media="screen")
