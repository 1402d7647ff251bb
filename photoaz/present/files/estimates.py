"""estimates.json, estimates.csv and estimates.parquet from site documents, never all of them in memory."""

from __future__ import annotations

import importlib
import importlib.util
import json
import pickle
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Literal, Self

from photoaz import __version__
from photoaz.present.files.cells import CsvTable, replaced

Document = Mapping[str, Any]
Kind = Literal["text", "number", "count", "yes_no"]

#: of a table of estimates, in this order; what an antenna's register row has besides comes after them
COLUMNS: Mapping[str, Kind] = {
    "site_id": "text",
    "antenna_id": "text",
    "sector": "text",
    "position": "count",
    "site_lat_deg": "number",
    "site_lon_deg": "number",
    "status": "text",
    "azimuth_true_deg": "number",
    "u95_deg": "number",
    "downtilt_deg": "number",
    "downtilt_u95_deg": "number",
    "roll_deg": "number",
    "roll_u95_deg": "number",
    "photos": "count",
    "first_photo_date": "text",
    "last_photo_date": "text",
    "main_uncertainty": "text",
    "alternatives": "count",
    "alternative_azimuth_true_deg": "number",
    "alternative_probability": "number",
    "declination_deg": "number",
    "reading_azimuth_true_deg": "number",
    "reading_u95_deg": "number",
    "reading_difference_deg": "number",
    "reading_en": "number",
    "reading_agrees": "yes_no",
    "likely_cause": "text",
    "likely_cause_probability": "number",
    "downtilt_reading_deg": "number",
    "downtilt_reading_difference_deg": "number",
    "downtilt_reading_en": "number",
    "downtilt_reading_agrees": "yes_no",
    "design_azimuth_true_deg": "number",
    "design_deviation_deg": "number",
    "tolerance_deg": "number",
    "p_out_of_tolerance": "number",
    "decision": "text",
    "combined_azimuth_true_deg": "number",
    "combined_u95_deg": "number",
    "combined_decision": "text",
    "impact_boresight_db": "number",
    "impact_edge_db": "number",
    "turned_deg": "number",
    "turned_u95_deg": "number",
    "turned_from": "text",
    "turned_to": "text",
    "revisit": "yes_no",
    "reasons": "text",
}


# ---------------------------------------------------------------------------------------------------------------------
# JSON


def estimates_json(sites: Iterable[Document], head: Document) -> Iterator[str]:
    """The JSON document in pieces: joined, they are `json.dumps({**head, "sites": [...]}, indent=1, ...)` of the whole.

    head : what stands before the sites: schema, version, created. Raises ValueError at a figure that is not finite.
    """
    yield from _opening(head)
    first = True
    for site in sites:
        yield _item(site, first)
        first = False
    yield _closing(first)


def _dumped(value: Any) -> str:
    return json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False)


def _opening(head: Document) -> Iterator[str]:
    text = _dumped(dict(head))
    yield "{\n" if not head else text.removesuffix("\n}") + ",\n"
    yield ' "sites": ['


def _item(site: Document, first: bool) -> str:
    # line ends stand between JSON's tokens only: within its strings they are escaped
    return ("\n  " if first else ",\n  ") + _dumped(site).replace("\n", "\n  ")


def _closing(empty: bool) -> str:
    return "]\n}" if empty else "\n ]\n}"


class EstimatesJson:
    """Writes estimates.json a site at a time; the file takes its place when the `with` block ends."""

    def __init__(self, path: Path | str, head: Document) -> None:
        self._head = head
        self._open = replaced(path)
        self._empty = True

    def __enter__(self) -> Self:
        self._file: IO[str] = self._open.__enter__()
        self._file.writelines(_opening(self._head))
        return self

    def add(self, site: Document) -> None:
        self._file.write(_item(site, self._empty))
        self._empty = False

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self._file.write(_closing(self._empty) + "\n")
        self._open.__exit__(kind, error, trace)


def write_estimates_json(path: Path | str, sites: Iterable[Document], head: Document) -> None:
    """Write estimates.json (with a line end at its end); see `estimates_json`."""
    with EstimatesJson(path, head) as file:
        for site in sites:
            file.add(site)


# ---------------------------------------------------------------------------------------------------------------------
# Rows


def estimate_rows(site: Document) -> Iterator[tuple[dict[str, Any], dict[str, str]]]:
    """For each antenna of a site document its row by COLUMNS, and what its register row has besides."""
    days = {photo["photo"]: photo.get("taken") for photo in site.get("photos", ())}
    turns = {turn["antenna_id"]: turn for turn in site.get("turns") or ()}  # the last of several
    for antenna in site["antennas"]:
        yield _row(site, antenna, days, turns.get(antenna["antenna_id"], {})), dict(antenna.get("register_extra") or {})


def _row(site: Document, antenna: Document, days: Mapping[str, str | None], turn: Document) -> dict[str, Any]:
    reading = antenna.get("reading") or {}
    tilt = antenna.get("downtilt_reading") or {}
    design = antenna.get("design") or {}
    combined = antenna.get("combined") or {}
    impact = antenna.get("impact_db") or {}
    others = antenna.get("alternatives") or []
    other: Document = max(others, key=lambda o: o.get("probability") or 0.0, default={})
    budget: Document = max(antenna.get("budget") or [], key=lambda b: b.get("share") or 0.0, default={})
    cause = reading.get("likely_cause")
    photos = list(dict.fromkeys(view["photo"] for view in antenna.get("evidence") or ()))
    taken = sorted(day for photo in photos if (day := days.get(photo)))
    values = {
        "site_id": site["site_id"],
        "antenna_id": antenna["antenna_id"],
        "sector": antenna.get("sector"),
        "position": antenna.get("position"),
        "site_lat_deg": site.get("lat_deg"),
        "site_lon_deg": site.get("lon_deg"),
        "status": antenna.get("status"),
        "azimuth_true_deg": antenna.get("azimuth_true_deg"),
        "u95_deg": antenna.get("u95_deg"),
        "downtilt_deg": antenna.get("downtilt_deg"),
        "downtilt_u95_deg": antenna.get("downtilt_u95_deg"),
        "roll_deg": antenna.get("roll_deg"),
        "roll_u95_deg": antenna.get("roll_u95_deg"),
        "photos": len(photos),
        "first_photo_date": taken[0] if taken else None,
        "last_photo_date": taken[-1] if taken else None,
        "main_uncertainty": budget.get("source"),
        "alternatives": len(others),
        "alternative_azimuth_true_deg": other.get("azimuth_true_deg"),
        "alternative_probability": other.get("probability"),
        "declination_deg": site.get("declination_deg"),
        "reading_azimuth_true_deg": reading.get("azimuth_true_deg"),
        "reading_u95_deg": reading.get("u95_deg"),
        "reading_difference_deg": reading.get("difference_deg"),
        "reading_en": reading.get("en"),
        "reading_agrees": reading.get("agrees"),
        "likely_cause": cause,
        "likely_cause_probability": next(
            (c.get("probability") for c in reading.get("causes") or () if c.get("cause") == cause), None
        ),
        "downtilt_reading_deg": tilt.get("downtilt_deg"),
        "downtilt_reading_difference_deg": tilt.get("difference_deg"),
        "downtilt_reading_en": tilt.get("en"),
        "downtilt_reading_agrees": tilt.get("agrees"),
        "design_azimuth_true_deg": design.get("azimuth_true_deg"),
        "design_deviation_deg": design.get("deviation_deg"),
        "tolerance_deg": design.get("tolerance_deg"),
        "p_out_of_tolerance": design.get("p_out_of_tolerance"),
        "decision": design.get("decision"),
        "combined_azimuth_true_deg": combined.get("azimuth_true_deg"),
        "combined_u95_deg": combined.get("u95_deg"),
        "combined_decision": combined.get("decision"),
        "impact_boresight_db": impact.get("boresight"),
        "impact_edge_db": impact.get("edge"),
        "turned_deg": turn.get("change_deg"),
        "turned_u95_deg": turn.get("u95_deg"),
        "turned_from": turn.get("from"),
        "turned_to": turn.get("to"),
        "revisit": antenna.get("revisit"),
        "reasons": "; ".join(antenna.get("reasons") or ()) or None,
    }
    assert values.keys() == COLUMNS.keys()
    return values


def parquet_is_there() -> bool:
    """Whether pyarrow, which writes estimates.parquet, is installed (the extra `parquet`)."""
    return importlib.util.find_spec("pyarrow") is not None


class EstimatesTables:
    """Writes estimates.csv and estimates.parquet (either may be None) from site documents.

    A register's own columns are known only when the last site has been seen, so rows wait in a temporary file until
    the `with` block ends; both files take their places then.
    """

    def __init__(self, csv: Path | str | None, parquet: Path | str | None) -> None:
        self._csv, self._parquet = csv, parquet
        self._extra: dict[str, None] = {}

    def __enter__(self) -> Self:
        self._spool: IO[bytes] = tempfile.TemporaryFile()
        return self

    def add(self, site: Document) -> None:
        for row, extra in estimate_rows(site):
            self._extra.update(dict.fromkeys(extra))
            pickle.dump((tuple(row.values()), extra), self._spool)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._spool:
            if kind is not None:
                return
            names = _own_names(self._extra)
            if self._csv is not None:
                with replaced(self._csv) as file:
                    table = CsvTable(file, (*COLUMNS, *names.values()))
                    for row, extra in self._rows():
                        table.row((*row, *(extra.get(name) for name in names)))
            if self._parquet is not None:
                with replaced(self._parquet, "wb") as file:
                    _write_parquet(file, names, self._rows())

    def _rows(self) -> Iterator[tuple[tuple[Any, ...], dict[str, str]]]:
        self._spool.seek(0)
        while True:
            try:
                yield pickle.load(self._spool)
            except EOFError:
                return


def write_estimates_csv(path: Path | str, sites: Iterable[Document]) -> None:
    """Write estimates.csv: a row for each antenna, COLUMNS and then the register's own columns as text."""
    with EstimatesTables(path, None) as tables:
        for site in sites:
            tables.add(site)


def write_estimates_parquet(path: Path | str, sites: Iterable[Document]) -> None:
    """Write estimates.parquet: the columns of estimates.csv with their types; texts are not touched."""
    with EstimatesTables(None, path) as tables:
        for site in sites:
            tables.add(site)


def _own_names(extra: Iterable[str]) -> dict[str, str]:
    """The register's own columns with the headings that they get here, none of them twice."""
    names: dict[str, str] = {}
    taken = set(COLUMNS)
    for name in extra:
        heading = name
        while heading in taken:
            heading = f"register_{heading}"
        taken.add(heading)
        names[name] = heading
    return names


_ROW_GROUP = 50_000


def _write_parquet(
    file: IO[bytes], names: Mapping[str, str], rows: Iterable[tuple[tuple[Any, ...], Mapping[str, str]]]
) -> None:
    pa = importlib.import_module("pyarrow")  # 0.3 s, and large: only when such a file is written
    parquet = importlib.import_module("pyarrow.parquet")
    types = {"text": pa.string(), "number": pa.float64(), "count": pa.int32(), "yes_no": pa.bool_()}
    fields = [(name, types[kind]) for name, kind in COLUMNS.items()]
    schema = pa.schema([*fields, *((heading, pa.string()) for heading in names.values())])
    schema = schema.with_metadata({"photoaz_version": __version__})
    with parquet.ParquetWriter(file, schema, compression="zstd") as writer:
        group: list[Sequence[Any]] = []

        def flush() -> None:
            columns = list(zip(*group, strict=True)) if group else [()] * len(schema)
            arrays = [pa.array(values, type=field.type) for values, field in zip(columns, schema, strict=True)]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
            group.clear()

        for row, extra in rows:
            group.append((*row, *(extra.get(name) for name in names)))
            if len(group) == _ROW_GROUP:
                flush()
        flush()
