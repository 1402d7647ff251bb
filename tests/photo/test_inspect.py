from __future__ import annotations

import json
import math
from datetime import datetime
from typing import Any

from photoaz.photo.inspect import describe, record_as_json


def test_a_good_photo_in_words(record_of: Any) -> None:
    text = "\n".join(describe(record_of()))
    for piece in ("-31.069558", "226.3", "true north", "2026-04-22 11:48:51 UTC", "35 mm equivalent 26 mm", "VX-3"):
        assert piece in text
    # 4.9 m at 50 m: atan(4.89 / 50)
    assert f"{math.degrees(math.atan(7.41 / 1.515 / 50)):.1f} deg at 50 m" in text


def test_what_is_missing_is_said_with_its_price(record_of: Any) -> None:
    bare = record_of(gps=dict.fromkeys(range(32)), exif={0xA405: None, 0x920A: None, 0x9003: None})
    text = "\n".join(describe(bare))
    for code in ("position-missing", "heading-missing", "roll-missing", "focal-missing", "date-missing"):
        assert f"[{code}]" in text
    assert "Adds 2.0 deg of uncertainty" in text
    assert "calibration" in describe(bare)[-1]


def test_json_is_json_and_complete(record_of: Any, kit: Any) -> None:
    for record in (
        record_of(),
        record_of(exif={0xA404: kit.ratio((2, 1)), 0xA405: kit.short(24)}),
        record_of(gps=dict.fromkeys(range(32)), exif={0xA405: None, 0x920A: None, 0x9003: None}),
    ):
        content = json.loads(json.dumps(record_as_json(record), allow_nan=False))
        assert content["photo"] == "photo.jpg"
        assert len(content["findings"]) == len(record.findings)
        for name in ("position", "heading", "pitch_deg", "roll_deg", "taken", "focal", "altitude_m"):
            assert (content[name] is None) == (getattr(record, name) is None)
    content = record_as_json(record_of())
    assert content["heading"]["value_deg"] == record_of().heading.value_deg
    assert datetime.fromisoformat(content["taken"]["utc"]) == record_of().taken.utc
