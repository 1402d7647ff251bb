"""Rows of many cells, remembered or not; every fault of every row."""

from __future__ import annotations

import random
from collections import Counter
from pathlib import Path

from photoaz.register.rows import RegisterRow, good_rows, read_row
from photoaz.register.tables import Row, Table

# of each column two good texts, then others with whether they are good
CELLS = {
    "site_id": {"S1": True, "S2": True},
    "antenna_id": {"A": True, "B": True},
    "site_lat_deg": {"46.6": True, "46°36'N": True, "95": False, "x": False},
    "site_lon_deg": {"-66.4": True, "66.4 W": True, "400": False},
    "sector": {"A": True, "1": True},
    "position": {"1": True, "2": True, "1.5": False, "0": False},
    "rad_center_m": {"30": True, "30.0": True, "\N{MINUS SIGN}3": False, "1e1": True},
    "design_azimuth_deg": {"25": True, "0": True, "360": True, "361": False, "7,5": False},
    "design_north": {"true": True, "Grid": True, "MAGNETIC": True, "up": False},
    "reading_date": {"2024-05-31": True, "2024-05-31T10:00:00Z": True, "31.05.2024": False},
    "reading_u95_deg": {"2": True, "0": False},
    "colour": {"grey": True},
}
NEEDED = ("site_id", "antenna_id", "site_lat_deg", "site_lon_deg", "design_azimuth_deg")


def test_each_bad_cell_of_each_row_is_a_fault_and_no_other():
    """Rows at random, good and bad, blanks too; the table above says which cells are good."""
    rng = random.Random(20)

    def text(texts):
        return rng.choice(texts if rng.random() < 0.1 else texts[:2])

    rows = [
        Row(line=n, cells={c: text(list(texts)) for c, texts in CELLS.items() if rng.random() < 0.97})
        for n in range(2, 3002)
    ]
    table = Table(path=Path("r.csv"), columns=tuple(CELLS), rows=iter(rows))
    found = {row.line: good for row, good in good_rows(RegisterRow, table, lambda _row: ())}
    faults = Counter((fault.line, fault.column) for fault in table.faults)
    for row in rows:
        wanted = {c for c, text in row.cells.items() if not CELLS[c][text]} | {c for c in NEEDED if c not in row.cells}
        assert {column for line, column in faults if line == row.line} == wanted
        assert (row.line in found) == (not wanted)
        if not wanted:
            assert (found[row.line], []) == read_row(RegisterRow, row)  # nothing remembered from other rows
    assert set(faults.values()) == {1}
    assert 100 < len(found) < 2900
