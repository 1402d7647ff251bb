"""From a photo dropped in a real browser to a signed sheet, an audit and the desk."""

from __future__ import annotations

import json
import re
import resource
import zipfile
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from photoaz.angles import format_azimuth_deg
from photoaz.cli import main
from photoaz.register.load import load_register
from photoaz.sample import sample_dir

from .conftest import SITE

#: of the antenna in the story, degrees: the sample's truth.json, from which its photos were rendered
B1_DEG = 149.6501


def processor_s() -> float:
    """Seconds that cores spent on processes which this one started and which have ended, with theirs."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def test_from_a_photo_in_a_folder_to_a_signed_sheet(
    browser: Any, tmp_path: Path, served: Any, page_of: Any, dropped: Any
) -> None:
    """By somebody who has never seen the page: under five minutes, a person's own time and the machine's counted.

    The machine's is the processor time of the desk, from its start to its end: on one core, and whatever else runs.
    """
    register = load_register(sample_dir() / "register.csv").site(SITE)
    site, b1 = (
        f"{register.lat_deg}, {register.lon_deg}",
        next(a for a in register.antennas if a.antenna_id.endswith("B1")),
    )
    project = tmp_path / "project"
    before = processor_s()
    with served("--out", project) as url, page_of(browser, url) as page:
        dropped(page, sample_dir() / "qlb014_1.jpg")
        assert "token" not in page.url
        assert "268.4 ± 6°" in page.inner_text(".knows")  # the compass, as the photo has it
        # nothing is typed yet: what is wanted is said at each field
        page.click('[data-key="measure"]')
        page.wait_for_selector(".dropform .trouble")
        for name, typed in {
            "rad_center_m": str(b1.rad_center_m).replace(".", ","),
            "design_azimuth_deg": "150",
            "reading_azimuth_deg": "166.2",
            "tower": site,
        }.items():
            page.fill(f'[data-key="d-{name}"]', typed)
        page.click('[data-mark="panel:0"]')
        assert page.locator('[data-key="this-0"]').get_attribute("aria-pressed") == "true"
        page.click('[data-key="measure"]')
        page.wait_for_selector(".answer .figure")
        told = re.search(r"([\d.]+)° ± ([\d.]+)°", page.inner_text(".answer .figure b"))
        assert told
        azimuth, u95 = float(told[1]), float(told[2])
        assert abs(azimuth - B1_DEG) < u95
        page.fill('[data-key="who"]', "Ines Example")
        page.fill('[data-key="note"]', "by one photo")
        page.click('[data-key="photo"]')
        page.wait_for_selector(".answer p.done")
        with page.expect_download() as download:
            page.click('[data-key="save-sheet"]')
        download.value.save_as(tmp_path / "sheet.html")
        with page.expect_download() as download:
            page.click('[data-key="zip"]')
        download.value.save_as(tmp_path / "project.zip")
    machine = processor_s() - before
    assert machine > 1.0  # the desk was counted
    sheet = (tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert "to be photographed again: by one photo" in sheet
    assert "Ines Example" in sheet
    # a person reads some 200 words on the way, types 60 letters and clicks 12 times. Keystroke-level model (Card, Moran
    # and Newell 1980, from memory): 0.3 s a word, 0.28 s a letter; a click 1.1 s to point, 1.35 s to make up one's mind
    person = 200 * 0.3 + 60 * 0.28 + 12 * (1.1 + 1.35)
    assert machine + person < 300.0
    # an audit takes the folder over, and says the same
    with zipfile.ZipFile(tmp_path / "project.zip") as packed:
        packed.extractall(tmp_path)
    tables = [
        w
        for name in ("register", "picks", "manifest")
        for w in (f"--{name}", str(tmp_path / "project" / f"{name}.csv"))
    ]
    command = ["audit", str(tmp_path / "project" / "photos"), *tables, "--out", str(tmp_path / "audit")]
    done = CliRunner().invoke(main, [*command, "--jobs", "1", "--overlays", "none", "--sheets", "none", "-q"])
    assert done.exit_code == 0, done.output
    document = json.loads((tmp_path / "audit" / "estimates.json").read_text())
    (antenna,) = document["sites"][0]["antennas"]
    assert format_azimuth_deg(antenna["azimuth_true_deg"], antenna["u95_deg"]) == told[0]
    # and so does the desk
    with served(project) as url, page_of(browser, url) as page:
        page.click("table.sites a")
        page.wait_for_selector(".figures table")
