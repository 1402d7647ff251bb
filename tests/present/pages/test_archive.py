"""The report of an archive of 60 invented sites, as an auditor reads it: charts, the table of antennas, phones."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from datetime import date

import lxml.html
import numpy as np
import pytest

from photoaz.angles import format_azimuth_deg, format_difference_deg
from photoaz.present.archive_charts import archive_charts
from photoaz.present.counts import ArchiveCounts
from photoaz.present.pages import write_report
from photoaz.present.pages.map import Ground, degrees_text, grid_lines, grid_step
from photoaz.present.todo import merged
from photoaz.result import ById


def charts_of(sites):
    tally = ArchiveCounts()
    for site in sites:
        tally.add(site, f"{site.site_id}.html")
    return {c.ident: c for c in archive_charts(tally.numbers)}


@pytest.fixture(scope="module")
def report(tmp_path_factory, campaigns, about):
    return write_report(tmp_path_factory.mktemp("archive") / "report", campaigns, about)


def test_a_campaign_without_declination_jumps_to_the_eye(campaigns):
    (found,) = charts_of(campaigns)["by-reading"].found
    off = [
        a.reading.difference_deg
        for s in campaigns
        for a in s.antennas
        if a.reading and a.reading.difference_deg is not None and a.reading.read_on.isoformat().startswith("2019-06")
    ]
    assert (found.month, found.antennas) == ("2019-06", len(off))
    assert found.median_deg == pytest.approx(float(np.median(off)), abs=1e-4)  # kept as single precision
    assert found.sentence.startswith(f"2019-06: {len(off)} antennas, {np.median(off):+.1f}° in the median; all others ")
    assert "2019-06" in charts_of(campaigns)["by-reading"].svg


def test_without_it_no_month_stands_out(campaigns):
    sound = [s for s in campaigns if abs(s.common_mode.angle_deg) < 10.0]
    assert all(not c.found for c in charts_of(sound).values())


@pytest.mark.parametrize("day", [date(2024, 2, 1), date(2024, 2, 14), date(2024, 12, 31)])
def test_a_single_day_is_a_short_bar_with_its_dots_above_and_below(campaigns, day):
    """Of one month nothing is as wide as the chart, and no dot is pushed to its edges: bars are as wide as months."""
    sites = [
        replace(s, antennas=ById(a if a.reading is None else _read_on(a, day) for a in s.antennas)) for s in campaigns
    ]
    few = [replace(sites[0], antennas=ById(list(sites[0].antennas)[:3]))]
    for some in (sites, few):
        svg = charts_of(some)["by-reading"].svg
        left, right = (
            float(v) for v in re.search(r'class="zero" x1="([\d.]+)" y1="[\d.]+" x2="([\d.]+)"', svg).groups()
        )
        (bar,) = re.findall(r'class="median" x1="([\d.]+)" y1="[\d.]+" x2="([\d.]+)"', svg)
        dots = re.findall(r'class="dot soft" cx="([\d.]+)" cy="([\d.]+)"', svg)
        assert len(dots) > 1
        start, end = map(float, bar)
        assert (right - left) / 14.0 < end - start < (right - left) / 11.0
        assert left < start
        assert end < right
        assert all(start <= float(x) <= end for x, _ in dots)
    # of a few antennas the axis reaches them all
    assert all(14.0 < float(y) < 204.0 for _, y in dots)


def _read_on(antenna, day):
    return replace(antenna, reading=replace(antenna.reading, read_on=day))


def test_histograms_count_every_antenna_once_and_say_what_lies_beyond(campaigns):
    svg = charts_of(campaigns)["off-reading"].svg
    measured = [a for s in campaigns for a in s.antennas if a.reading and a.reading.difference_deg is not None]
    assert f"all antennas: {len(measured)}," in svg
    assert f"shared by a whole site: {len(campaigns)}," in svg
    beyond = int(re.search(r"all antennas: \d+, median [^,]+, (\d+) beyond ± (\d+)°", svg)[1])
    reach = float(re.search(r"beyond ± (\d+)°", svg)[1])
    assert beyond == sum(abs(a.reading.difference_deg) > reach for a in measured) > 0


def test_the_line_of_equality_and_the_way_to_what_disagrees(report):
    page = lxml.html.fromstring(report.read_text(encoding="utf-8"))
    links = page.xpath("//*[@id='chart-equality']//a/@href")
    assert links
    for link in links[:5]:
        path, place = link.split("#")
        assert lxml.html.fromstring((report.parent / path).read_text(encoding="utf-8")).xpath(f"//*[@id='{place}']")


def test_nothing_measured_has_no_charts(campaigns):
    bare = [
        replace(s, common_mode=None, antennas=ById(replace(a, azimuth_true_deg=None, reading=None) for a in s.antennas))
        for s in campaigns
    ]
    unknown = [replace(s, antennas=ById(replace(a, design=type(a.design)()) for a in s.antennas)) for s in bare]
    assert charts_of(unknown) == {}


def test_repeated_actions_of_a_site_are_one(campaigns):
    site = next(s for s in campaigns if len(s.revisit.antennas) == 6)
    (todo,) = [t for t in merged(site.revisit.antennas, site.site_id) if t.action == "correct_register"]
    n = len(todo.items)
    assert todo.instruction.startswith(
        f"correct the {n} readings of {todo.antennas}, no visit needed: declination left out"
    )
    for a in todo.items:
        value = site.antennas[a.antenna_id].azimuth_true_deg
        assert f"{value:.1f}° ± 2.0° true" in todo.instruction
    climbs = [replace(i, action="climb", instruction=f"climb: measure {i.antenna_id}") for i in todo.items]
    assert [t.instruction.split(":")[0] for t in merged(climbs, site.site_id)] == [
        f"climb once and measure {todo.antennas}"
    ]


def test_the_map_has_a_grid_of_round_degrees():
    ground = Ground(lat_deg=46.61, lon_deg=-66.4, up=1000.0, right=700.0)
    d, names = grid_lines(ground)
    assert (grid_step(ground.up), grid_step(ground.right)) == (0.2, 0.2)
    # 46.6 N lies 0.01 degrees, that is 10 units, below the middle at 260; 66.4 W is the middle of 1000
    assert "M0 270.0H1000" in d
    assert "M500.0 0V520" in d
    assert {n[3] for n in names} >= {"46.6° N", "66.4° W"}
    assert degrees_text(-0.25, 0.05, "N", "S") == "0.25° S"


def test_short_tables_keep_no_room_for_long_ones(tmp_path, campaigns, about):
    """Room kept for tables out of view is as good as their length: of a few rows it would be a page of nothing."""

    def long_ones(some):
        page = lxml.html.parse(str(write_report(tmp_path / str(len(some)), some, about))).getroot()
        return [e.get("id") for e in page.xpath("//section[@class='long']")]

    assert long_ones(campaigns[:3]) == []
    many = [replace(campaigns[0], site_id=f"S{k:03}") for k in range(60)]
    assert "sites" in long_ones(many)


def test_antennas_are_sorted_filtered_and_saved(report, pages, campaigns):
    tab = pages()
    tab.goto(report.with_name("antennas.html").as_uri())
    total = sum(len(s.antennas) for s in campaigns)
    assert tab.inner_text("#shown") == f"{total} antennas"
    # the worst first: out of tolerance, the farthest off at the top
    said = tab.locator("#antennas tbody tr:first-child td").all_inner_texts()
    assert said[2] == "out of tolerance"
    # figures as the site's page spells them
    worst = next(a for s in campaigns for a in s.antennas if a.antenna_id == said[0])
    assert f"{said[3]} {said[4]}" == format_azimuth_deg(worst.azimuth_true_deg, worst.u95_deg)
    assert said[10] == format_difference_deg(worst.design.deviation_deg)
    tab.select_option("[name=reading]", "disagrees")
    tab.fill("[name=q]", "2019-06")
    tab.wait_for_function("document.getElementById('shown').textContent.includes(' of ')")
    kept = int(tab.inner_text("#shown").split()[0])
    tab.get_by_role("button", name="Photos − reading").click()
    values = tab.locator("#antennas tbody tr").evaluate_all("r => r.map(t => parseFloat(t.cells[7].textContent))")
    assert values == sorted(values, key=abs, reverse=True)
    assert len(values) == kept > 3
    with tab.expect_download() as saved:
        tab.get_by_role("button", name="Save these rows as CSV").click()
    rows = list(csv.DictReader(io.StringIO(saved.value.path().read_text(encoding="utf-8"))))
    assert len(rows) == kept
    assert {r["reading"] for r in rows} == {"disagrees"}
    assert [float(r["difference_deg"]) for r in rows] == pytest.approx(values, abs=0.06)
    tab.locator("#antennas tbody tr td a").first.click()
    tab.wait_for_url("**/sites/OAK-*.html#antenna-*")
    assert not tab.complaints


def test_hostile_names_stay_text_in_the_table(tmp_path, campaigns, about, pages):
    evil = "=1<b>&amp;\t'\"</pre><script>document.title='x'</script>"
    site = campaigns[0]
    first, *rest = site.antennas
    site = replace(site, antennas=ById([replace(first, antenna_id=evil), *rest]))
    index = write_report(tmp_path, [site], about)
    tab = pages()
    tab.goto(index.with_name("antennas.html").as_uri())
    assert evil.replace("\t", " ") in tab.locator("#antennas tbody tr td a").all_inner_texts()
    with tab.expect_download() as saved:
        tab.get_by_role("button", name="Save these rows as CSV").click()
    rows = list(csv.DictReader(io.StringIO(saved.value.path().read_text(encoding="utf-8"))))
    assert "'" + evil.replace("\t", " ") in {r["antenna_id"] for r in rows}
    assert tab.title() != "x"
    assert not tab.complaints


@pytest.mark.parametrize("width", [1400, 1200, 1024])
def test_all_columns_of_the_antennas_are_in_sight(report, pages, width):
    tab = pages()
    tab.set_viewport_size({"width": width, "height": 900})
    tab.goto(report.with_name("antennas.html").as_uri())
    last = tab.locator("#antennas thead th").last
    assert last.inner_text() == "To do"
    box = last.bounding_box()
    assert box["x"] + box["width"] <= width
    assert tab.locator(".wide").evaluate("e => e.scrollWidth <= e.clientWidth")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1400, 820, 390])
def test_nothing_is_cut_at_any_width(report, pages, width, scheme):
    tab = pages(color_scheme=scheme)
    tab.set_viewport_size({"width": width, "height": 900})
    for path in (report, report.with_name("antennas.html"), *sorted((report.parent / "sites").iterdir())[:2]):
        tab.goto(path.as_uri())
        assert tab.evaluate("document.documentElement.scrollWidth") <= width, path
        if width == 390:  # rows are cards: each cell within the window, with its heading
            names = tab.locator(".cards tbody tr:first-child > th:visible").evaluate_all(
                "all => all.map(e => [e.textContent, e.clientHeight, parseFloat(getComputedStyle(e).fontSize)])"
            )
            assert names
            assert all(high < 2.0 * size + 6.0 and size >= 14.0 for _, high, size in names), names  # in one line
            for cell in tab.locator(".cards tbody tr:first-child > td[data-h]:visible").all()[:20]:
                box = cell.bounding_box()
                assert box["x"] >= 0.0
                assert box["x"] + box["width"] <= width
                assert cell.evaluate("c => getComputedStyle(c, '::before').content").strip('"')
                assert cell.evaluate("c => c.scrollWidth <= c.clientWidth + 1")
                # one value beside its heading: a second one would stand below the heading
                assert cell.evaluate("c => [...c.childNodes].filter((n) => n.textContent.trim()).length") <= 1
    tab.goto(report.as_uri())
    size = "parseFloat(getComputedStyle(e).fontSize) * e.ownerSVGElement.getBoundingClientRect().width / 1000"
    sizes = tab.locator("#map text").evaluate_all(f"t => t.map(e => {size})")
    assert min(sizes) >= 10.99
    assert not tab.complaints
