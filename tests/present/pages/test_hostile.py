"""Text from registers and file names stays text, whatever is in it."""

from __future__ import annotations

import re
from dataclasses import replace

import lxml.html
import pytest

from photoaz.present.pages import index as pages_index
from photoaz.present.pages import write_report
from photoaz.result import ById, SiteResult

# Forms after OWASP's cross site scripting prevention and filter evasion cheat sheets: by context, not word for word
HOSTILE = (
    "<script>alert(1)</script>",
    "</script><script>alert(1)</script>",
    "</style><script>alert(1)</script>",
    "</title><script>alert(1)</script>",
    "</svg><script>alert(1)</script>",
    "</text></svg><img src=x onerror=alert(1)>",
    "</template><script>alert(1)</script>",
    "--><script>alert(1)</script><!--",
    "<!--<script>",
    "]]><script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "<svg onload=alert(1)>",
    "<svg><animate onbegin=alert(1) attributeName=x dur=1s>",
    "<svg><use href='data:image/svg+xml,x#x'></use></svg>",
    "<svg><foreignObject><iframe srcdoc='x'></iframe></foreignObject></svg>",
    "<iframe src=javascript:alert(1)>",
    "<a href=javascript:alert(1)>x</a>",
    "javascript:alert(1)",
    "JaVaScRiPt:alert(1)//.png",
    "data:text/html,<script>alert(1)</script>",
    '" onmouseover=alert(1) x="',
    "' onfocus=alert(1) autofocus='",
    "` onload=alert(1)",
    'x" style="background:url(http://x.test/)"',
    "&lt;script&gt;alert(1)&lt;/script&gt;",
    "&#60;script&#62;alert(1)",
    "<meta http-equiv=refresh content='0;url=http://x.test/'>",
    "<base href=http://x.test/>",
    "<form action=http://x.test/><input name=q></form>",
    "<link rel=stylesheet href=http://x.test/x.css>",
    "{{ 7 * 7 }}{% raw %}${7*7}",
    "../../../../etc/passwd",
    "\u202eabc\u2066\x00\x08\x1b[31m",
    '=HYPERLINK("http://x.test")',
    "<" * 300 + "x",
    "\ud800\udfff lone",
)
TAGS = {
    *("html", "head", "meta", "title", "style", "body", "a", "nav", "header", "main", "section", "article", "footer"),
    *("h1", "h2", "h3", "p", "b", "br", "span", "ul", "ol", "li", "dl", "dt", "dd", "div", "table", "thead", "tbody"),
    *("tr", "th", "td", "figure", "figcaption", "img", "details", "summary", "script", "form", "label", "input"),
    *("select", "option", "button", "output", "pre", "noscript"),
    *("svg", "g", "title", "desc", "defs", "pattern", "line", "circle", "rect", "path", "polygon", "polyline", "text"),
}


#: fields whose text is one of few words, or a day: reading refuses any other
CLOSED = (
    "status",
    "view",
    "decision",
    "from",
    "to",
    "taken",
    "reading_date",
    "read_on",
    "action",
    "likely_cause",
    "cause",
)


def poisoned(result, text):
    """The result with the text in every place where text may come from outside."""
    made = result.document()
    names = {a["antenna_id"]: f"{text}{k}" for k, a in enumerate(made["antennas"])}
    photos = {p["photo"]: f"{text}{k}" for k, p in enumerate(made["photos"])}

    def walk(value, key=""):
        if isinstance(value, dict):
            return {(text if k == "owner" else k): walk(v, k) for k, v in value.items()}
        if isinstance(value, list):
            return [walk(v, key) for v in value]
        if isinstance(value, str):
            return names.get(value) or photos.get(value) or (value if key in CLOSED else text)
        return value

    return replace(SiteResult.from_document(walk(made)), site_id=text)


@pytest.fixture
def hostile(tmp_path, result, about):
    odd = replace(
        about,
        command=HOSTILE[0],
        inputs=[{"role": t, "name": t, "sha256": t} for t in HOSTILE[:4]],
        parameters={t: t for t in HOSTILE},
        libraries={t: t for t in HOSTILE},
        failures=[(t, t) for t in HOSTILE],
        counts=dict.fromkeys(HOSTILE[:6], 1),
        version=HOSTILE[1],
    )
    sites = [poisoned(result, t) for t in HOSTILE]
    write_report(tmp_path, sites, odd)
    return tmp_path


def test_rows_kept_as_text_hold_nothing_hostile(tmp_path, result, about, pages, monkeypatch):
    monkeypatch.setattr(pages_index, "ROWS_SHOWN", 1)
    index = write_report(tmp_path, [poisoned(result, t) for t in HOSTILE], about)
    page = lxml.html.fromstring(index.read_text(encoding="utf-8"))
    assert len(page.xpath("//script")) == 2
    (kept,) = page.xpath("//script[@type='text/plain']")
    rows = lxml.html.fromstring(f"<table>{kept.text}</table>")
    assert {e.tag for e in rows.iter() if isinstance(e.tag, str)} == {"table", "tr", "th", "td", "a", "b"}
    assert len(rows.xpath("//tr")) == len(HOSTILE) - 1
    tab = pages()
    tab.goto(index.as_uri())
    tab.click("#more")
    tab.click("#table thead th:first-child button")
    tab.wait_for_timeout(50)
    assert tab.complaints == []
    tags = tab.evaluate(
        "Array.from(new Set(Array.from(document.querySelectorAll('#table tbody *')).map(e => e.tagName)))"
    )
    assert set(tags) == {"TR", "TH", "TD", "A", "B"}


def test_nothing_hostile_becomes_markup(hostile):
    # the manual is the package's own text, whatever the archive holds
    paths = [path for path in hostile.rglob("*.html") if path.name != "manual.html"]
    assert len(paths) == len(HOSTILE) + 2
    for path in paths:
        page = lxml.html.fromstring(path.read_text(encoding="utf-8"))
        tags = {e.tag for e in page.iter() if isinstance(e.tag, str)}
        assert tags <= TAGS, (path.name, tags - TAGS)
        # where a desk puts its links: nothing but quoted letters
        comments = [c.text for c in page.xpath("//comment()")]
        assert all(re.fullmatch(r"desk:(%[0-9A-F]{2}|[A-Za-z0-9_.~])*", c) for c in comments), path.name
        assert len(page.xpath("//script")) == 1
        assert len(page.xpath("//style")) == 1
        assert len(page.xpath("//*[local-name()='form']")) == (path.name in ("index.html", "antennas.html"))
        for element in page.iter():
            for name, value in element.attrib.items():
                assert not name.lower().startswith("on"), (path.name, name)
                assert name not in ("style", "srcdoc", "formaction", "autofocus", "xlink:href"), (path.name, name)
                if name in ("href", "src"):
                    assert re.match(r"(\.\./|sites/|#|[\w-]+\.html)", value), (path.name, value)


@pytest.mark.parametrize("k", range(len(HOSTILE)))
def test_it_can_still_be_read(tmp_path, result, about, k):
    text = HOSTILE[k]
    write_report(tmp_path, [poisoned(result, text)], about)
    (path,) = (tmp_path / "sites").iterdir()
    page = lxml.html.fromstring(path.read_text(encoding="utf-8"))
    shown = "".join(page.xpath("//h1")[0].text or "").strip()
    assert shown == "".join(c if c.isprintable() else " " for c in text).strip()


def test_pictures_and_sheets_of_hostile_names_are_left_out_or_within(tmp_path, result, about):
    for k, text in enumerate(HOSTILE):
        photos = ById((replace(result.photos[0], overlay=text), *result.photos[1:]))
        antennas = ById((replace(result.antennas[0], sheet=text), *result.antennas[1:]))
        one = replace(result, photos=photos, antennas=antennas)
        write_report(tmp_path / str(k), [one], about)
        page = lxml.html.fromstring((tmp_path / str(k) / "sites" / "HNT-204.html").read_text(encoding="utf-8"))
        for link in page.xpath("//img/@src | //a[contains(., 'Sheet')]/@href"):
            assert link.startswith("../../")
            assert ".." not in link[6:].split("/")
            assert not re.search(r"[\s<>\"']", link)


def test_a_browser_finds_nothing_to_run(hostile, pages):
    for path in [hostile / "index.html", *sorted((hostile / "sites").iterdir())[:12]]:
        page = pages()
        page.goto(path.as_uri())
        page.wait_for_timeout(50)
        assert not [c for c in page.complaints if "ERR_FILE_NOT_FOUND" not in c], path.name
        assert all(u.startswith("file:") for u in page.asked)
