"""The report's files: a page for each site as its result comes, then the index over them."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from operator import itemgetter
from pathlib import Path

from markupsafe import Markup

from photoaz.present.antenna_rows import COLUMNS
from photoaz.present.counts import ArchiveCounts
from photoaz.present.files.cells import replaced
from photoaz.present.frame import inlined, rendered
from photoaz.present.manual import manual_html
from photoaz.present.pages.index import ReportAbout, in_pages, index_context
from photoaz.present.pages.site import site_context
from photoaz.present.words import page_name
from photoaz.result import SiteResult

#: what tells a page of this report from files that others put beside it
_MARK = '<meta name="generator" content="photoaz report">'


def write_report(
    folder: Path,
    sites: Iterable[SiteResult],
    about: ReportAbout,
    progress: Callable[[int], None] | None = None,
    tally: ArchiveCounts | None = None,
) -> Path:
    """Write folder/index.html, a page for each site into folder/sites, and the manual.

    Pages of sites that are no more are removed. A page is complete or not there, whenever the writing ends.

    folder : made where it does not exist; the overlays lie beside it, in ../overlays. sites : one after another; not
    kept. about : how they came about; its counts are read when all sites have come. progress : called with the number
    of sites written so far. tally : in which they are counted.

    Returns the path of the index.
    """
    pages = folder / "sites"
    pages.mkdir(parents=True, exist_ok=True)
    own = inlined("report.css", script="site.js")
    tally = ArchiveCounts() if tally is None else tally
    taken: set[str] = set()
    named = ((site, {"name": page_name(site.site_id, taken), "site_id": site.site_id}) for site in sites)
    before, this = None, next(named, None)
    while this is not None:
        (site, link), following = this, next(named, None)
        beside = {"before": before, "after": None if following is None else following[1]}
        shared = {"inlined": own, "about": about, "mark": Markup(_MARK)}
        _write(pages / link["name"], rendered("site.html", **site_context(site), **shared, **beside))
        tally.add(site, link["name"])
        if progress is not None:
            progress(len(tally.rows))
        before, this = link, following
    lists = _write_index(folder, tally, about)
    shared = {"inlined": inlined("report.css", script="antennas.js"), "mark": Markup(_MARK), "about": about}
    worst_first = [line for _, line in sorted(tally.antenna_rows, key=itemgetter(0))]
    table = {"columns": COLUMNS, "rows": worst_first, "total": tally.antennas.total()}
    _write(folder / "antennas.html", rendered("antennas.html", **table, **shared))
    _write(folder / "manual.html", manual_html())
    remove_other_pages(folder, {"index.html", "antennas.html", *lists, *(f"sites/{row.page}" for row in tally.rows)})
    return folder / "index.html"


def report_pages(folder: Path) -> set[str]:
    """The pages of a report, as paths below its folder."""
    return {p.relative_to(folder).as_posix() for p in folder.rglob("*.html")}


def remove_other_pages(folder: Path, keep: Collection[str]) -> None:
    """Remove pages of an earlier report that are none of this one; keep: paths below its folder."""
    for path in (*folder.glob("*.html"), *folder.glob("sites/*.html")):
        if path.relative_to(folder).as_posix() not in keep:
            with path.open("rb") as file:
                mine = _MARK.encode() in file.read(2000)
            if mine:
                path.unlink()


def _write_index(folder: Path, tally: ArchiveCounts, about: ReportAbout) -> list[str]:
    context = index_context(tally, about)
    chunks = in_pages(context.pop("later_rows"))
    lists = [f"list-{k}.html" for k in range(2, len(chunks) + 2)]
    shared = {"inlined": inlined("report.css", script="index.js"), "mark": Markup(_MARK), "lists": lists}
    for k, (name, rows) in enumerate(zip(lists, chunks, strict=True), 2):
        one = {"rows": rows, "number": k, "pages": len(lists) + 1, "tally": tally, "about": about}
        _write(folder / name, rendered("list.html", **one, **shared))
    _write(folder / "index.html", rendered("index.html", **context, **shared))
    return lists


def _write(path: Path, text: str) -> None:
    """Whole or not at all."""
    with replaced(path, "wb") as file:
        # lone surrogates, as in file names of another encoding, show as what they stand for
        file.write(text.encode("utf-8", "backslashreplace"))
