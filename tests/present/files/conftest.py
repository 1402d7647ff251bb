"""Site documents to write."""

from __future__ import annotations

import copy
import json
from datetime import UTC, datetime

import pytest

from photoaz.result import estimates_document


@pytest.fixture
def whole(site, solution, judgements):
    """A whole document as it would be read back: two sites, the second somewhere else and with texts of its own."""
    made = estimates_document([(site, solution, judgements)], datetime(2026, 5, 3, 12, 0, 5, tzinfo=UTC))
    document = json.loads(json.dumps(made))
    second = copy.deepcopy(document["sites"][0])
    second["site_id"] = '=HYPERLINK("x") & <b>Südmast</b> \u2028 "2"\x01'
    second["lat_deg"], second["lon_deg"] = -16.8, 179.9999
    for photo in second["photos"]:
        if photo["lat_deg"] is not None:
            photo["lat_deg"], photo["lon_deg"] = -16.8002, -179.9998
    second["antennas"][0]["register_extra"] = {"status": "-5", "owner": "+49 1", "note": "@x"}
    document["sites"].append(second)
    return document


@pytest.fixture
def sites(whole):
    return whole["sites"]


@pytest.fixture
def head(whole):
    return {key: value for key, value in whole.items() if key != "sites"}
