"""The quick way of reading rows is the slow one's."""

from __future__ import annotations

import random
from pathlib import Path

from pydantic import ValidationError

from photoaz.register.rows import RegisterRow, good_rows
from photoaz.register.tables import Row, TableStream

CELLS = {
    "site_id": ["S1", "S2"],
    "antenna_id": ["A", "B"],
    "site_lat_deg": ["46.6", "46°36'N", "95", "x"],
    "site_lon_deg": ["-66.4", "66.4 W", "400"],
    "sector": ["A", "1"],
    "position": ["1", "2", "1.5", "0"],
    "rad_center_m": ["30", "30.0", "\N{MINUS SIGN}3", "1e1"],
    "design_azimuth_deg": ["25", "0", "360", "361", "7,5"],
    "design_north": ["true", "Grid", "MAGNETIC", "up"],
    "reading_date": ["2024-05-31", "2024-05-31T10:00:00Z", "31.05.2024"],
    "reading_u95_deg": ["2", "0"],
    "colour": ["grey"],
}


def validated(cells):
    """By pydantic alone: what the row holds, None where it is bad; how many faults it has."""
    try:
        return RegisterRow.model_validate(cells).model_dump(), 0
    except ValidationError as e:
        return None, e.error_count()


def test_rows_are_what_the_model_makes_of_them():
    """Rows at random, good and bad, blanks too; pydantic's own validation of each row is the reference."""
    rng = random.Random(20)

    def text(texts):
        return rng.choice(texts if rng.random() < 0.1 else texts[:2])

    rows = [
        Row(line=n, cells={c: text(texts) for c, texts in CELLS.items() if rng.random() < 0.97}) for n in range(2, 3002)
    ]
    table = TableStream(path=Path("r.csv"), columns=tuple(CELLS), rows=iter(rows))
    found = {row.line: good for row, good in good_rows(RegisterRow, table, lambda _row, _line: ())}
    bad: dict[int, int] = {}
    for fault in table.faults:
        bad[fault.line] = bad.get(fault.line, 0) + 1
    for row in rows:
        wanted, errors = validated(row.cells)
        assert bad.get(row.line, 0) == errors
        if wanted is None:
            assert row.line not in found
        else:
            assert {c: getattr(found[row.line], c) for c in RegisterRow.columns()} == wanted
    assert 100 < len(found) < 2900
