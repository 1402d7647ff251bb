"""What people did, as tables: picks and controls as the commands read them, decisions to be filed."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from photoaz.audit.edits import VERDICTS, Edits
from photoaz.present.files.cells import cell
from photoaz.register.model import Control, Pick
from photoaz.register.rows import ControlRow, PickRow, columns_of

DECISIONS = (
    *("site_id", "antenna_id", "decision", "note", "who", "at"),
    *("azimuth_true_deg", "u95_deg", "reading_true_deg"),
)


def picks_csv(picks: Iterable[Pick], name_of: Callable[[str], str] = str) -> str:
    """Picks as `load_picks` reads them. name_of: what the table calls a photo."""
    rows: list[Sequence[Any]] = []
    for p in picks:
        corners = (None,) * 8 if p.corners_px is None else tuple(v for point in p.corners_px for v in point)
        seed = (None, None) if p.seed_px is None else p.seed_px
        rows.append((name_of(p.photo), p.antenna_id, *seed, *corners, _yes(p.exact), _yes(p.absent), p.view))
    return table_csv(columns_of(PickRow), rows)


def controls_csv(controls: Iterable[Control], name_of: Callable[[str], str] = str) -> str:
    """Controls as `load_controls` reads them."""
    rows: list[Sequence[Any]] = []
    for c in controls:
        pixel, tip = c.pixel or (None, None), c.tip_px or (None, None)
        place = (c.lat_deg, c.lon_deg, c.height_m)
        rows.append((name_of(c.photo), c.kind, c.name, *pixel, *tip, *place, c.azimuth_true_deg, c.value_deg, c.u95))
    return table_csv(columns_of(ControlRow), rows)


def decisions_csv(sites: Iterable[tuple[str, Edits]]) -> str:
    """Who decided what and when, with the figures that were on the page then."""
    rows: list[Sequence[Any]] = []
    for site_id, edits in sites:
        for d in edits.decisions:
            f: Mapping[str, Any] = d.figures
            figures = (f.get("azimuth_true_deg"), f.get("u95_deg"), f.get("reading_true_deg"))
            rows.append((site_id, d.antenna_id, VERDICTS[d.verdict], d.note, d.who, d.at, *figures))
        for photo, left_out in edits.excluded.items():
            rows.append(
                (site_id, "", f"photo left out: {photo}", left_out.note, left_out.who, left_out.at, None, None, None)
            )
    return table_csv(DECISIONS, rows, guarded=True)


def table_csv(columns: Iterable[str], rows: Iterable[Sequence[Any]], *, guarded: bool = False) -> str:
    """CSV. guarded: texts that a spreadsheet would take for formulas are marked as texts; else they stay what they are,
    because the table is read again.
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(columns)
    for row in rows:
        writer.writerow([cell(v) if guarded else v for v in row])
    return out.getvalue()


def _yes(value: bool) -> str:
    return "yes" if value else ""
