"""What an audit came to, counted from site results, and the reasons of all that was not used."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from photoaz import __version__
from photoaz.audit.photos import KeptPhoto
from photoaz.audit.store import KeptSite, Store
from photoaz.present.pictures import file_name, overlay_names
from photoaz.present.results import Outcome, failures_of, write_results
from photoaz.register.priors import read_priors
from photoaz.result import AntennaResult, ById, Design, JudgedReading, PhotoResult, SiteResult, Turn


def antenna(decision: Any, agrees: bool | None, cause: Any = None, **more: Any) -> AntennaResult:
    reading = JudgedReading(azimuth_true_deg=10.0, u95_deg=2.0, agrees=agrees, likely_cause=cause)
    status: Any = "not_found" if decision is None else "estimated"
    given = {"reading": reading, "design": Design(decision=decision or "undecided")} | more
    if decision is not None:
        given |= {"azimuth_true_deg": 12.0, "u95_deg": 2.0}
    return AntennaResult(antenna_id="A", status=status, **given)


def site(*antennas: AntennaResult, turns: Sequence[Turn] = ()) -> SiteResult:
    return SiteResult(site_id="S", lat_deg=46.6, lon_deg=-66.4, antennas=ById(antennas), turns=tuple(turns))


def test_what_is_not_compared_is_counted_on_neither_side(turn: Any) -> None:
    outcome = Outcome(sites_in_register=5)
    outcome.tally.add(
        site(
            antenna("accept", True),
            antenna("reject", False, cause="antenna_turned", revisit=True),
            antenna("undecided", True),
            antenna(None, None),
            antenna(None, None, reading=None),
            turns=[turn("A"), turn("A", turned=False)],
        )
    )
    outcome.tally.add(site(antenna("accept", True)))
    outcome.photos = {"listed": 7, "used": 5, "unusable": 1, "copies": 1}
    document = outcome.document(datetime(2026, 1, 2, tzinfo=UTC), Path("report/index.html"))
    assert document["readings"] == {"agree": 3, "disagree": 1, "not_compared": 1, "no_reading": 1}
    # 'not measured' is neither within, nor out, nor undecided
    assert document["designs"] == {"within": 2, "out": 1, "undecided": 1, "not_measured": 2}
    assert document["design"] == {"accept": 2, "reject": 1, "undecided": 3}
    assert document["antennas"] == {"number": 6, "estimated": 4, "not_found": 2, "turned": 1, "revisit": 1}
    assert document["likely_causes"] == {"antenna_turned": 1}
    assert document["sites"] == {"with_photos": 2, "without_results": 0, "in_register": 5}
    assert outcome.text().splitlines() == [
        "photos    7: 5 used, 1 could not be used, 1 counted once",
        "sites     2 with results of 5 in the register",
        "antennas  6",
        "readings  3 agree, 1 disagrees, 1 not compared, 1 no reading",
        "designs   2 within tolerance, 1 out of tolerance, 1 undecided, 2 not measured (2 looked for, not found)",
        "turned    1 between visits",
        "to do     1 antenna at 1 site: see revisit.csv",
    ]


@pytest.fixture
def store(tmp_path: Path) -> Store:
    opened = Store.open(f"sqlite:///{tmp_path}/s.sqlite", "audit")
    faults = [{"file": "register.csv", "reason": "register.csv, line 3: found 'x'"}]
    opened.begin_run({"faults": faults, "sites_in_register": 2, "command": "photoaz audit"})

    def photo(name: str, **more: Any) -> None:
        values: dict[str, Any] = {"stamp": "1", "version": __version__, "facts": b"x"}
        opened.keep_photo(KeptPhoto(name=name, **(values | more)))

    photo("good.jpg", site_id="S1")
    photo("cut.jpg", facts=None, reason="a damaged file")
    photo("copy.jpg", site_id="S1", copy_of="good.jpg", placed="the same file as good.jpg; counted once")
    photo("lost.jpg", placed="no site within 3 km")
    photo("dark.jpg", site_id="S1")
    opened.keep_site(
        KeptSite(
            site_id="S1",
            key="k",
            result=None,
            failures=(("dark.jpg", "dark.jpg: no panel was found"),),
            used=1,
            flagged=0,
            loss_avoided=0.0,
        )
    )
    return opened


def test_each_file_that_was_not_used_is_there_once_with_its_reason(store: Store, tmp_path: Path) -> None:
    run = store.last_run()
    assert run is not None
    assert failures_of(store, run[1]) == [
        ("copy.jpg", "the same file as good.jpg; counted once"),
        ("cut.jpg", "a damaged file"),
        ("dark.jpg", "no panel was found"),
        ("lost.jpg", "no site within 3 km"),
        ("register.csv", "register.csv, line 3: found 'x'"),
    ]
    results = write_results(tmp_path / "out", store)
    assert results.outcome.photos == {"listed": 5, "used": 1, "copies": 1, "unusable": 3}
    assert results.outcome.sites_without_results == 1
    assert json.loads((tmp_path / "out/estimates.json").read_text())["sites"] == []
    assert results.report.is_file()
    store.close()


@pytest.fixture
def hung(tmp_path: Path) -> Store:
    """A store of 30 sites with one measured antenna each."""
    opened = Store.open(f"sqlite:///{tmp_path / 'hung.sqlite'}", "audit")
    given = tmp_path / "out" / "priors.toml"
    opened.begin_run({"folder": str(tmp_path), "inputs": [{"role": "priors", "name": str(given), "sha256": ""}]})
    for k in range(30):
        design = Design(azimuth_true_deg=0.0, deviation_deg=k / 15 - 1.0, decision="accept")
        found = AntennaResult(
            antenna_id="A", status="estimated", azimuth_true_deg=(k / 15 - 1.0) % 360.0, u95_deg=2.0, design=design
        )
        result = SiteResult(site_id=f"S{k:02d}", lat_deg=46.6, lon_deg=-66.4, antennas=ById([found]))
        opened.keep_site(KeptSite.of(result.site_id, "k", result))
    return opened


def test_what_the_archive_tells_is_a_file_that_can_be_given(hung: Store, tmp_path: Path) -> None:
    given = tmp_path / "out" / "priors.toml"
    given.parent.mkdir()
    given.write_text("[antennas]\nturned_share = 0.5\n", encoding="utf-8")
    results = write_results(tmp_path / "out", hung)
    hung.close()
    # what the audit was given stays as it was
    assert "0.5" in given.read_text(encoding="utf-8")
    told = tmp_path / "out" / "priors-told.toml"
    assert read_priors(told).antennas.turned_share < 0.1
    said = results.outcome.text()
    assert "of 30 antennas turned" in said
    assert f"--priors {told}" in said
    document = results.outcome.document(results.created, results.report)
    assert document["priors_told"]["turned"]["n"] == 30


def test_pictures_of_what_is_gone_go_too_and_those_of_others_stay(store: Store, tmp_path: Path) -> None:
    out = tmp_path / "out"
    photo = PhotoResult(photo="a/good.jpg", status="used", overlay="overlays/S1/S1 good.jpg")
    kept = SiteResult(site_id="S1", lat_deg=46.6, lon_deg=-66.4, photos=ById([photo]))
    store.keep_site(KeptSite.of("S1", "k", kept))
    by_photoaz = b"\xff\xd8\xff\xfe\x00\x0fphotoaz 0.1.0"
    files = {
        "S1/S1 good.jpg": by_photoaz,
        "S1/S1 gone.jpg": by_photoaz,
        "S9/S9 gone.jpg": by_photoaz,
        "holiday.jpg": b"x",
    }
    for name, data in files.items():
        (out / "overlays" / name).parent.mkdir(parents=True, exist_ok=True)
        (out / "overlays" / name).write_bytes(data)
    write_results(out, store)
    left = {p.relative_to(out / "overlays").as_posix() for p in (out / "overlays").rglob("*")}
    assert left == {"S1", "S1/S1 good.jpg", "holiday.jpg"}
    store.close()


@pytest.mark.parametrize(
    ("photos", "names"),
    [
        (["a/IMG_1.jpg", "b/IMG_1.jpg", "c/img_1.png"], ["IMG_1", None, None]),
        (["mast from north.heic", "Süd.jpg", "con.jpg", "x" * 80 + ".jpg"], ["mast from north", None, None, None]),
    ],
)
def test_overlays_bear_the_photos_own_names_and_no_two_the_same(photos: list[str], names: list[str | None]) -> None:
    got = overlay_names(photos)
    assert len({name.lower() for name in got.values()}) == len(photos)
    for photo, name in zip(photos, names, strict=True):
        assert got[photo] == (file_name(photo) if name is None else name)
