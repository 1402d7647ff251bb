"""Everything that an audit hands over, from what its store holds: tables, maps, the report's pages."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from photoaz import __version__
from photoaz.audit.edits import decisions_by_site, with_decisions
from photoaz.audit.progress import Progress
from photoaz.audit.store import Store
from photoaz.judgement.archive import Archive, Told
from photoaz.present.aside import exchanged, place_files, remove_other_files
from photoaz.present.counts import ArchiveCounts
from photoaz.present.files.cells import replaced, write_csv
from photoaz.present.files.estimates import EstimatesJson, parquet_is_there, waiting_rows, write_parquet
from photoaz.present.files.maps import GeoJson, Kml
from photoaz.present.files.rows import COLUMNS, SITE_COLUMNS, Standings, revisit_rows, site_row, standings_of
from photoaz.present.files.shapes import site_shapes
from photoaz.present.files.workbook import write_workbook
from photoaz.present.frame import rendered
from photoaz.present.pages import ReportAbout, remove_other_pages, report_pages, write_report
from photoaz.present.words import DESIGNS, READINGS
from photoaz.register.priors import priors_text
from photoaz.result import Revisit, SiteResult, estimates_head
from photoaz.result.rounding import plain

#: what the report says of how it came about, of what a run notes
_TOLD_OF_RUNS = ("command", "version", "libraries", "parameters", "inputs")


@dataclass(slots=True)
class Outcome:
    """What an audit came to, counted while its files are written."""

    photos: dict[str, int] = field(default_factory=dict)
    tally: ArchiveCounts = field(default_factory=ArchiveCounts)
    sites_in_register: int | None = None
    sites_without_results: int = 0
    archive: Archive = field(default_factory=Archive)
    told: Told | None = None
    told_in: str | None = None

    def document(self, created: datetime, report: Path) -> dict[str, Any]:
        """For scripts."""
        t, sites = self.tally, len(self.tally.rows)
        return {
            "schema": "photoaz/audit/1",
            "version": __version__,
            "created": created.isoformat(timespec="seconds"),
            "report": str(report),
            "photos": self.photos,
            "sites": {
                "with_photos": sites + self.sites_without_results,
                "without_results": self.sites_without_results,
                "in_register": self.sites_in_register,
            },
            "antennas": {
                "number": t.antennas.total(),
                **dict(sorted(t.statuses.items())),
                "turned": t.turned,
                "revisit": t.wanted,
            },
            "design": dict(sorted(t.decisions.items())),
            "designs": {w.code: t.tally.designs[w.code] for w in DESIGNS},
            "readings": {w.many.replace(" ", "_"): n for w in READINGS if (n := t.tally.readings[w.code])},
            "likely_causes": dict(sorted(t.causes.items())),
            "priors_told": None if self.told is None else plain(self.told),
        }

    def text(self) -> str:
        """For people."""
        return rendered("outcome.txt", o=self, t=self.tally)


@dataclass(frozen=True, slots=True, kw_only=True)
class Results:
    """The files of an audit. report: the page to open; unusable: photos that could not be used, copies not counted."""

    report: Path
    outcome: Outcome
    created: datetime


def write_results(folder: Path, store: Store, progress: Progress | None = None) -> Results:
    """Write all results of a store's newest finished run into a folder; of the newest where none was finished.

    Those that are there stay as they are until all new ones are written.

    Raises LookupError: the audit has no run.
    """
    run = store.last_run()
    if run is None:
        raise LookupError("no run")
    store.run_id, about, _ = run
    say = progress or Progress()
    created = datetime.now(UTC)
    outcome = Outcome(sites_in_register=about.get("sites_in_register"))
    failures = failures_of(store, about)
    listed, copies = (store.counts()[name] for name in ("listed", "copies"))
    photos = {"listed": listed, "used": 0, "unusable": listed - copies, "copies": copies}
    outcome.photos = photos  # complete when the last site has passed
    decided, drawn = decisions_by_site(store.log()), set[str]()

    def counted() -> Iterator[SiteResult]:
        for kept in store.sites():
            photos["used"] += kept.used
            photos["unusable"] = listed - photos["used"] - photos["copies"]
            if kept.result is None:
                outcome.sites_without_results += 1
                continue
            site = with_decisions(kept.result, decided.get(kept.site_id, ()))
            outcome.archive.add(site)
            drawn.update(
                path for path in (*(p.overlay for p in site.photos), *(a.sheet for a in site.antennas)) if path
            )
            yield site

    say.begin("writing results", None)
    with exchanged(folder) as aside:
        sites = written(aside, counted(), estimates_head(created), failures)
        told = {name: about[name] for name in _TOLD_OF_RUNS if name in about}
        of = ReportAbout(created=created, counts=photos, failures=failures, **told)
        report = write_report(aside / "report", sites, of, lambda _: say.step(1), outcome.tally)
        _write_told(outcome, folder / "priors.toml", about, aside)
        pages = report_pages(aside / "report")
    remove_other_pages(folder / "report", pages)
    place_files(folder, store.solved_since())
    remove_other_files(folder, drawn)
    return Results(report=folder / report.relative_to(aside), outcome=outcome, created=created)


def _write_told(outcome: Outcome, path: Path, about: Mapping[str, Any], aside: Path) -> None:
    """What the archive tells of its own antennas, as a file of priors; never over the one that the audit was given.

    path : where it is to be; aside : the folder in which it is written.
    """
    outcome.told = outcome.archive.told()
    given = [Path(about.get("folder", ".")) / i["name"] for i in about.get("inputs", ()) if i["role"] == "priors"]
    if path.resolve() in [p.resolve() for p in given]:
        path = path.with_name("priors-told.toml")
    if outcome.told is None:
        return
    outcome.told_in = str(path)
    with replaced(aside / path.name) as file:
        file.write("# what this archive tells of its own antennas; all else stays as it is by default\n")
        file.write(priors_text(outcome.told.values()))


def failures_of(store: Store, about: Mapping[str, Any]) -> list[tuple[str, str]]:
    """(file, reason) of what was not used, by file.

    Faults of the tables, photos that cannot be read, of no site or of two, copies, and what could not be solved.
    """
    rows = {(f["file"], f["reason"]) for f in about.get("faults", ())}
    for page in store.all_photos():
        for p in page:
            if p.reason is not None:
                rows.add((p.name, p.reason))
            elif p.copy_of is not None:
                rows.add((p.name, p.placed or f"a copy of {p.copy_of}"))
            elif p.site_id is None:
                rows.add((p.name, p.placed or "of no site"))
    for site in store.sites():
        rows.update((photo, reason.removeprefix(f"{photo}: ")) for photo, reason in site.failures)
    return sorted(rows)


# ---- the files -------------------------------------------------------------------------------------------------------


_FAILURES = ("file", "reason")


def written(
    folder: Path, sites: Iterable[SiteResult], head: Mapping[str, str], failures: Sequence[tuple[str, str]] = ()
) -> Iterator[SiteResult]:
    """The sites, each given on when it is written; the files take their places when all have passed.

    They are estimates.json, .csv and .parquet (where pyarrow is installed), audit.xlsx, revisit.csv, sites.geojson,
    sites.kml and failures.csv. The earlier ones stay if anything goes wrong. Of all sites only a row and what to do
    next are kept.

    folder : made where it does not exist. head : of estimates.json: schema, version, created. failures : file and
    reason, of what was not used.
    """
    folder.mkdir(parents=True, exist_ok=True)
    todo: list[tuple[str, Revisit, Standings]] = []
    by_site: list[list[Any]] = []
    with ExitStack() as files:
        rows = files.enter_context(waiting_rows())
        document = EstimatesJson(files.enter_context(replaced(folder / "estimates.json")), head)
        plan_view = GeoJson(files.enter_context(replaced(folder / "sites.geojson")))
        globe = Kml(files.enter_context(replaced(folder / "sites.kml")))
        for site in sites:
            document.add(site)
            rows.add(site)
            shapes = site_shapes(site)
            plan_view.add(shapes)
            globe.add(shapes)
            if site.revisit is not None and site.revisit.antennas:
                todo.append((site.site_id, site.revisit, standings_of(site)))
            by_site.append(site_row(site))
            yield site
        for close in (document.close, plan_view.close, globe.close):
            close()
        write_csv(folder / "estimates.csv", rows.columns(), rows)
        if parquet_is_there():
            write_parquet(folder / "estimates.parquet", rows)
        revisit = list(revisit_rows(todo))
        write_csv(folder / "revisit.csv", COLUMNS, revisit)
        write_csv(folder / "failures.csv", _FAILURES, failures)
        write_workbook(
            folder / "audit.xlsx",
            [
                ("sites", SITE_COLUMNS, by_site),
                ("antennas", rows.columns(), rows),
                ("actions", COLUMNS, revisit),
                ("failures", _FAILURES, failures),
            ],
        )
