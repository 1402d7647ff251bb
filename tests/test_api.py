"""The public interface: its examples run as they stand, and it says what the commands say."""

from __future__ import annotations

import doctest
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import photoaz
import photoaz.api
import photoaz.present.notebook
import photoaz.result.site
from photoaz.cli import main
from photoaz.errors import InputError
from photoaz.result import AntennaResult, ById, PhotoResult, SiteResult

#: what is found and fitted in the sample's photos is another test's matter: seen once, it is remembered
pytestmark = pytest.mark.usefixtures("seen_before")


@pytest.mark.parametrize(
    "module", [photoaz, photoaz.api, photoaz.present.notebook, photoaz.result.site], ids=lambda m: m.__name__
)
def test_examples(module: Any) -> None:
    failed, tried = doctest.testmod(module)
    assert tried > 0
    assert failed == 0


def test_every_public_name_is_there_and_has_an_example() -> None:
    for name in photoaz.__all__:
        given = getattr(photoaz, name)
        if callable(given) and name != "audit":
            assert ">>>" in given.__doc__, name
    assert set(photoaz.__all__) <= set(dir(photoaz))
    with pytest.raises(AttributeError, match="no_such_name"):
        photoaz.no_such_name  # noqa: B018


def test_solve_says_what_the_command_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, solver_stands_in: Callable[..., None]
) -> None:
    sample = photoaz.sample_dir()

    def solve(given: Any, _tools: Any) -> SiteResult:
        antennas = ById(
            AntennaResult(antenna_id=a.antenna_id, status="estimated", azimuth_true_deg=20.0, u95_deg=2.0)
            for a in given.antennas
        )
        photos = ById(PhotoResult(photo=p.name, status="used") for p in given.photos)
        return SiteResult(site_id=given.site.site_id, lat_deg=46.6, lon_deg=-66.4, photos=photos, antennas=antennas)

    solver_stands_in(monkeypatch, solve)
    photo = str(sample / "qlb014_8.jpg")
    site = photoaz.load_register(sample / "register.csv").site("QLB-014")
    result = photoaz.solve(site, [photo], antennas=["QLB-014-A1"], controls=sample / "controls.csv")
    command = ["estimate", photo, "--register", str(sample / "register.csv"), "--antenna", "QLB-014-A1", "--json"]
    done = CliRunner().invoke(main, [*command, "--controls", str(sample / "controls.csv")])
    assert json.loads(done.stdout)["sites"][0] == json.loads(result.to_json())["sites"][0]
    assert "<svg" in result._repr_html_()
    (row,) = result.to_records()
    assert (row["antenna_id"], row["azimuth_true_deg"]) == ("QLB-014-A1", 20.0)


def test_what_is_not_there_is_said() -> None:
    sample = photoaz.sample_dir()
    register = photoaz.load_register(sample / "register.csv")
    with pytest.raises(InputError, match=r"no site 'X'.*wanted one of: QLB-014"):
        register.site("X")
    with pytest.raises(InputError, match="no antenna 'Z9'"):
        photoaz.solve(register.site("QLB-014"), [], antennas=["Z9"])


def test_the_package_of_audits_can_be_called(tmp_path: Path) -> None:
    import photoaz.audit.run

    with pytest.raises(InputError, match="nothing-here"):
        photoaz.audit(tmp_path / "nothing-here", register=photoaz.sample_dir() / "register.csv", out=tmp_path / "out")
