"""Sites to write, and files written of them."""

from __future__ import annotations

from collections import deque
from dataclasses import replace

import pytest

from photoaz.present.results import written
from photoaz.result import ById

HEAD = {"schema": "photoaz/estimates/1", "version": "1", "created": "2026-05-03T12:00:05+00:00"}


@pytest.fixture
def sites(judged):
    """Two sites, the second somewhere else and with texts of its own."""
    first, *others = judged.antennas
    mine = replace(first, register_extra={"owner": "hill farm"})
    evil = replace(first, register_extra={"status": "-5", "owner": "+49 1", "note": "@x"})
    used, rejected = judged.photos
    second = replace(
        judged,
        site_id='=HYPERLINK("x") & <b>Südmast</b> \u2028 "2"\x01',
        lat_deg=-16.8,
        lon_deg=179.9999,
        photos=ById((replace(used, lat_deg=-16.8002, lon_deg=-179.9998), rejected)),
        antennas=ById((evil, *others)),
    )
    return [replace(judged, antennas=ById((mine, *others))), second]


@pytest.fixture
def head():
    return HEAD


@pytest.fixture
def write():
    """Writes all files of sites into a folder."""

    def all_of(folder, sites, failures=()):
        deque(written(folder, sites, HEAD, failures), maxlen=0)
        return folder

    return all_of
