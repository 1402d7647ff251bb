"""The report's files: whole, linked, alone, repeatable; every figure of the documents where it belongs."""

from __future__ import annotations

import base64
import hashlib
import os
import re
from dataclasses import replace
from pathlib import Path
from urllib.parse import unquote, urlsplit

import jinja2
import lxml.html
import pytest

from photoaz.judgement.standing import tally_of
from photoaz.present import counts, words
from photoaz.present.frame import environment
from photoaz.present.pages import index as pages_index
from photoaz.present.pages import write_report
from photoaz.present.words import DESIGNS, READINGS, UNSEEN
from photoaz.result import AntennaResult, ById, NextEvidence, PhotoResult, SiteResult
from photoaz.wording import CAUTIONS, before_you_go


def parsed(path):
    return lxml.html.fromstring(path.read_text(encoding="utf-8"))


def text_of(node):
    return " ".join(node.text_content().split())


@pytest.fixture
def report(tmp_path, result, variants, about):
    sites = list(variants(12))
    write_report(tmp_path / "report", [result, *sites], about)
    return tmp_path / "report"


def test_a_page_for_each_site_and_an_index(report):
    assert sorted(p.name for p in report.iterdir()) == ["antennas.html", "index.html", "manual.html", "sites"]
    names = sorted(p.name for p in (report / "sites").iterdir())
    assert names == sorted(["HNT-204.html", *(f"FLD-{k:04d}.html" for k in range(12))])


def test_every_link_leads_somewhere(report):
    (report.parent / "overlays").mkdir()
    (report.parent / "sheets").mkdir()
    (report.parent / "overlays" / "north gate.png").touch()
    (report.parent / "sheets" / "HNT-204-A1.html").touch()
    count = 0
    for path in report.rglob("*.html"):
        page = parsed(path)
        ids = page.xpath("//@id")
        assert len(ids) == len(set(ids)), path
        for link in page.xpath("//@href | //@src"):
            parts = urlsplit(link)
            assert not parts.scheme
            assert not parts.netloc
            target = (path.parent / unquote(parts.path)).resolve() if parts.path else path
            assert target.exists(), link
            if parts.fragment:
                assert parts.fragment in parsed(target).xpath("//@id"), link
            count += 1
    assert count > 100


def test_nothing_is_fetched_from_elsewhere(report):
    for path in report.rglob("*.html"):
        text = path.read_text(encoding="utf-8")
        if path.name != "manual.html":  # which names addresses as examples
            assert not re.search(r"https?://|@import|//cdn|url\((?!#)", text), path
        assert not parsed(path).xpath("//link | //iframe | //object | //embed | //script[@src] | //base")


def test_the_policy_lets_only_the_own_script_and_style_be(report):
    for path in (report / "index.html", report / "sites" / "HNT-204.html"):
        page = parsed(path)
        (policy,) = page.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")
        rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
        assert rules["default-src"] == "'none'"
        assert "unsafe" not in policy
        text = path.read_text(encoding="utf-8")
        for tag, rule in (("script", "script-src"), ("style", "style-src")):
            bodies = re.findall(rf"<{tag}>(.*?)</{tag}>", text, re.DOTALL)
            assert len(bodies) == 1
            digest = base64.b64encode(hashlib.sha256(bodies[0].encode()).digest()).decode()
            assert rules[rule] == f"'sha256-{digest}'"
        assert not page.xpath("//@style | //*[@*[starts-with(name(), 'on')]]")


def test_the_figures_of_a_site(report, result):
    page = parsed(report / "sites" / "HNT-204.html")
    said = text_of(page)
    first = result.antennas[0]
    assert f"{first.azimuth_true_deg:.1f}° ± {first.u95_deg:.1f}°" in said
    assert f"En {first.reading.en:.2f} (this pair alone, limit 1)" in said
    assert "120.0° ± 5°" in said
    for antenna in result.antennas:
        (block,) = [a for a in page.xpath("//article") if a.xpath("./h2")[0].text.strip() == antenna.antenna_id]
        words = text_of(block)
        for reason in antenna.reasons:
            assert " ".join(reason.split())[1:].rstrip(".") in words
        for share in antenna.budget:
            assert share.source in words
    assert "no focal length and no calibration" in said
    assert "compass disturbed by 23 deg" in said
    assert "Photo 2, field.jpg: edited after it was taken." in said
    assert "HNT-204-A1 turned by +12.0° ± 4.2° between 2019-05-02 and 2023-05-02." in said
    assert "hill farm" in said
    (image,) = page.xpath("//img")
    assert image.get("src") == "../../overlays/north%20gate.png"
    assert image.get("loading") == "lazy"
    assert "north_gate.jpg" in image.get("alt")
    assert "HNT-204-A1" in image.get("alt")
    assert page.xpath("//a[@href='../../sheets/HNT-204-A1.html']")


def test_neighbours_follow_each_other(report):
    order = ["HNT-204", *(f"FLD-{k:04d}" for k in range(12))]
    for k, name in enumerate(order):
        page = parsed(report / "sites" / f"{name}.html")
        assert page.xpath("//a[@rel='prev']/@href") == [f"{n}.html" for n in order[max(k - 1, 0) : k]]
        assert page.xpath("//a[@rel='next']/@href") == [f"{n}.html" for n in order[k + 1 : k + 2]]
        assert page.xpath("//a[@id='back']/@href") == ["../index.html"]


def test_the_index_counts_right(report, result, variants):
    page = parsed(report / "index.html")
    # of the twelve: 3 calm, 3 readings, 2 out, 2 undecided, 2 unseen; the sample's worst antenna decides its own
    rows = page.xpath("//table[@id='table']/tbody/tr")
    states = [r.get("data-s") for r in rows]
    sample = next(r.get("data-s") for r in rows if r.xpath("./th/a")[0].text == "HNT-204")
    expected = {"ok": 3, "reading": 3, "out": 2, "undecided": 2, "unseen": 2}
    expected[sample] += 1
    assert {s: states.count(s) for s in expected} == expected

    def counts_of(ident, column=0):
        rows = page.xpath(f"//table[@id='{ident}']/tbody/tr")
        return {text_of(r.xpath("./th")[0]): int(r.xpath("./td")[column].text) for r in rows}

    assert counts_of("tally-sites") == {words.BY_CODE[c].word: n for c, n in expected.items()}
    # two tallies side by side: each counts every antenna once, and in the words of the terminal
    tally = tally_of(a for site in (result, *variants(12)) for a in site.antennas)
    readings, designs = counts_of("tally-readings"), counts_of("tally-designs")
    assert readings == {w.many: tally.readings[w.code] for w in READINGS}
    parts = {f"of these {w.many}": tally.unseen[w.code] for w in UNSEEN if tally.unseen[w.code]}
    assert designs == {w.many: tally.designs[w.code] for w in DESIGNS} | parts
    assert sum(readings.values()) == sum(tally.designs.values()) == 13 * 4
    assert sum(parts.values()) == designs["not measured"]
    assert "13 sites with 52 antennas were judged" in text_of(page)
    assert "3 have an antenna out of tolerance, at 3 a reading disagrees" in text_of(page)
    assert "declination left out" in text_of(page.xpath("//section[@id='summary']")[0])


def test_the_revisit_list_is_in_the_order_of_the_loss_avoided(report):
    page = parsed(report / "index.html")
    rows = page.xpath("//section[@id='revisit']//th[@scope='rowgroup']/a")
    fields = [r.text for r in rows if r.text.startswith("FLD")]
    assert fields == ["FLD-0007", "FLD-0002"]
    section = text_of(page.xpath("//section[@id='revisit']")[0])
    assert "out of tolerance by 14°" in section
    assert "a climbing crew" in section
    assert [r.xpath("./th/a")[0].text for r in page.xpath("//table[@id='table']/tbody/tr")][:1] == [rows[0].text]


def test_only_the_most_worthwhile_are_listed(tmp_path, variants, about, monkeypatch):
    monkeypatch.setattr(counts, "MOST_REVISITS", 3)
    write_report(tmp_path, variants(40), about)
    page = parsed(tmp_path / "index.html")
    listed = page.xpath("//section[@id='revisit']//th[@scope='rowgroup']/a/text()")
    assert listed == ["FLD-0037", "FLD-0032", "FLD-0027"]
    assert "And 5 more sites" in text_of(page)


def test_long_tables_go_on_in_the_page_and_on_plain_pages(tmp_path, variants, about, monkeypatch):
    monkeypatch.setattr(pages_index, "ROWS_SHOWN", 10)
    monkeypatch.setattr(pages_index, "MOST_ROWS", 25)
    write_report(tmp_path, variants(33), about)
    page = parsed(tmp_path / "index.html")
    assert len(page.xpath("//table[@id='table']/tbody/tr")) == 10
    kept = lxml.html.fromstring(f"<table>{page.xpath('//script[@id]')[0].text}</table>")
    following = parsed(tmp_path / "list-2.html").xpath("//tbody/tr/th/a/@href")
    assert kept.xpath("//th/a/@href")[: len(following)] == following
    assert len(kept.xpath("//tr")) == 15
    assert "the first 25 sites; 8 more" in text_of(page)
    seen = [r.text for r in page.xpath("//table[@id='table']/tbody/tr/th/a")]
    for k in (2, 3, 4):
        seen += [r.text for r in parsed(tmp_path / f"list-{k}.html").xpath("//tbody/tr/th/a")]
    assert sorted(seen) == [f"FLD-{k:04d}" for k in range(33)]
    write_report(tmp_path, variants(5), about)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["antennas.html", "index.html", "manual.html", "sites"]


def test_how_to_repeat_it_is_said(report, about):
    section = text_of(parsed(report / "index.html").xpath("//section[@id='repeat']")[0])
    for said in (
        about.command,
        "0f" * 32,
        "register.csv",
        "numpy",
        "2.2.1",
        "risk",
        "0.05",
        "no position in its metadata",
    ):
        assert said in section
    counts = text_of(parsed(report / "index.html").xpath("//section[@id='summary']")[0])
    assert "listed9 used6 rejected1 failed1 duplicates1" in counts


def test_many_failures_are_counted_and_the_first_shown(tmp_path, about):
    failures = [(f"p{k}.jpg", "cut short") for k in range(70)]
    write_report(tmp_path / "report", [], replace(about, failures=failures))
    section = text_of(parsed(tmp_path / "report" / "index.html").xpath("//section[@id='repeat']")[0])
    assert f"70 in all; the first {pages_index.MOST_FAILURES} here" in section
    assert "p49.jpg" in section
    assert "p50.jpg" not in section


def test_cautions_stand_where_somebody_is_sent(report, result):
    index = text_of(parsed(report / "index.html").xpath("//section[@id='cautions']")[0])
    assert all(caution in index for caution in CAUTIONS)
    said = before_you_go(i.action for i in result.revisit.antennas)
    # before the list of what is to be done, on the index and on the site's page
    for page, section in ((report / "index.html", "revisit"), (report / "sites" / "HNT-204.html", "do")):
        (todo,) = parsed(page).xpath(f"//section[@id='{section}']")
        (before,) = todo.xpath("p[@class='before']")
        assert said in text_of(before)
        assert todo.index(before) < min(todo.index(e) for e in todo.xpath("ol | div"))


def test_who_is_told_what_would_help_is_told_to_mind_himself(tmp_path, result, about):
    """A photo that would help sends somebody out, though nothing pays for it."""
    first, *others = (replace(a, next_evidence=None) for a in result.antennas)
    told = NextEvidence(
        limit="camera compass", u95_now_deg=4.0, sentence="a photo would bring U95 from 4° to 2°", needs_trip=True
    )
    for needs_trip in (True, False):
        antenna = replace(first, next_evidence=replace(told, needs_trip=needs_trip))
        one = replace(result, antennas=ById((antenna, *others)), revisit=None)
        page = parsed(write_report(tmp_path, [one], about).with_name("sites") / "HNT-204.html")
        assert (before_you_go(["photo"]) in text_of(page)) is needs_trip
        assert len(page.xpath("//a[@href='#before']")) == needs_trip


def test_after_a_full_stop_comes_a_capital(report):
    """In all that the pages say of results; the manual has names of columns and commands there."""
    for path in [report / "index.html", *(report / "sites").iterdir()]:
        for block in parsed(path).xpath("//p | //li | //td | //figcaption"):
            text = re.sub(r"photoaz|\w+\.(jpg|csv|json|xlsx)", "X", text_of(block))
            assert not re.search(r"[.!?] [a-z]", text), text


def test_no_sites_is_a_report_too(tmp_path, about):
    index = write_report(tmp_path, iter(()), about)
    assert "No site was judged" in text_of(parsed(index))


def test_the_same_documents_give_the_same_bytes(tmp_path, result, variants, about):
    for name in ("a", "b"):
        write_report(tmp_path / name, [result, *variants(4)], about)
    for path in (tmp_path / "a").rglob("*.html"):
        assert path.read_bytes() == (tmp_path / "b" / path.relative_to(tmp_path / "a")).read_bytes()


def test_documents_are_taken_one_at_a_time(tmp_path, variants, about):
    out = 0
    done = []

    def sites():
        nonlocal out
        for site in variants(9):
            out += 1
            assert out - len(done) <= 2  # the one at hand, and the next for its name
            yield site

    write_report(tmp_path, sites(), about, progress=done.append)
    assert done == list(range(1, 10))


def test_pages_of_sites_that_are_gone_go_and_other_files_stay(tmp_path, variants, about):
    write_report(tmp_path, variants(4), about)
    mine = tmp_path / "sites" / "notes.html"
    mine.write_text("<p>kept</p>", encoding="utf-8")
    write_report(tmp_path, variants(2), about)
    assert sorted(p.name for p in (tmp_path / "sites").iterdir()) == ["FLD-0000.html", "FLD-0001.html", "notes.html"]


def test_a_page_is_whole_or_not_there(tmp_path, variants, about, monkeypatch):
    write_report(tmp_path, variants(2), about)
    before = {p: p.read_bytes() for p in tmp_path.rglob("*.html")}

    def fails(source: object, target: object) -> None:
        raise OSError("the disk is full")

    monkeypatch.setattr(os, "replace", fails)
    with pytest.raises(OSError, match="full"):
        write_report(tmp_path, variants(1), replace(about, command="another"))
    assert {p: p.read_bytes() for p in tmp_path.rglob("*.html")} == before


def test_a_template_may_not_name_what_there_is_not():
    with pytest.raises(jinja2.UndefinedError):
        environment().from_string("{{ nothing }}").render()


def test_hardly_anything_known_is_no_failure(tmp_path, about):
    antenna = AntennaResult(antenna_id="BARE-1-A1", status="not_visible")
    bare = SiteResult(site_id="BARE-1", lat_deg=46.6, lon_deg=-66.4, antennas=ById((antenna,)))
    photos = ById((PhotoResult(photo="a.jpg", status="rejected"),))
    write_report(tmp_path, [bare, replace(bare, site_id="BARE-2", antennas=ById(), photos=photos)], about)
    said = text_of(parsed(tmp_path / "sites" / "BARE-1.html"))
    assert "1 in no photo: A1." in said
    assert "None" not in said
    assert "The register has no antenna of this site." in text_of(parsed(tmp_path / "sites" / "BARE-2.html"))


def test_a_path_is_shown_by_its_name_with_the_whole_to_look_up(report):
    cells = parsed(report / "sites" / "HNT-204.html").xpath("//tr[@id='photo-1']//span")
    assert (cells[0].text, cells[0].get("title")) == ("north_gate.jpg", "photos/north_gate.jpg")
    assert Path("photos/north_gate.jpg").name == cells[0].text
