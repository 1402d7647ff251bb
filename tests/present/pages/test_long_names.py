"""Names of 1 to 500 characters on pages and sheets: whole, as text or title, and never beyond the window."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from photoaz.present.pages import ReportAbout, write_report
from photoaz.present.sheet import sheet_html

NOW = datetime(2026, 6, 1, tzinfo=UTC)


def test_pages_and_sheets_hold_the_whole_name_and_run_nowhere(
    judged, site, long_name, renamed, tmp_path, pages_of_font
):
    name = long_name
    result = renamed(judged, name)
    antennas = tuple(replace(a, antenna_id=f"{name}{k}") for k, a in enumerate(site.antennas))
    about = ReportAbout(created=NOW, command="photoaz audit archive")
    write_report(tmp_path / "report", [result], about)
    sheet = tmp_path / "sheet.html"
    antenna_id = result.antennas[0].antenna_id
    sheet.write_text(
        sheet_html(replace(site, site_id=name, antennas=antennas), result, antenna_id, NOW), encoding="utf-8"
    )
    page = pages_of_font()
    for path in (tmp_path / "report/index.html", *(tmp_path / "report/sites").glob("*.html"), sheet):
        page.goto(path.as_uri())
        for width in (1280, 390) if path != sheet else (1280,):
            page.set_viewport_size({"width": width, "height": 900})
            assert page.evaluate("document.documentElement.scrollWidth") <= width, (path.name, width)
        assert "".join(name.split()) in page.evaluate("document.documentElement.textContent.replace(/\\s+/g, '')")
        # in a drawing no name lies beyond its frame
        beyond = page.evaluate(
            """start => Array.from(document.querySelectorAll('svg text')).filter(t => {
              const a = t.getBoundingClientRect(), b = t.ownerSVGElement.getBoundingClientRect();
              return t.textContent.startsWith(start) && (a.left < b.left - 2 || a.right > b.right + 2);
            }).map(t => t.textContent)""",
            name[:5],
        )
        assert beyond == [], path.name
