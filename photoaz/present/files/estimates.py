"""estimates.json and the tables of estimates, a site at a time, never all of them in memory."""

from __future__ import annotations

import importlib
import importlib.util
import itertools
import json
import pickle
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from photoaz import __version__
from photoaz.present.files.cells import replaced
from photoaz.result import RECORD_COLUMNS, SiteResult

#: estimates of a parquet file that are compressed together
_ROW_GROUP = 50_000


class EstimatesJson:
    """Writes estimates.json to an open file, a site at a time: as `json.dumps(..., indent=1)` has the whole.

    head : what stands before the sites: schema, version, created.
    """

    def __init__(self, file: IO[str], head: Mapping[str, str]) -> None:
        self._file, self._empty = file, True
        file.write(_dumped(dict(head)).removesuffix("\n}") + ',\n "sites": [')

    def add(self, site: SiteResult) -> None:
        # line ends stand between JSON's tokens only: within its strings they are escaped
        text = _dumped(site.document()).replace("\n", "\n  ")
        self._file.write(("\n  " if self._empty else ",\n  ") + text)
        self._empty = False

    def close(self) -> None:
        self._file.write("]\n}\n" if self._empty else "\n ]\n}\n")


def _dumped(value: Any) -> str:
    return json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False)


class TableRows:
    """Rows of all antennas, by RECORD_COLUMNS and then the register's own columns, as text.

    Those are known only when the last site has been seen, so rows wait in a temporary file until then.
    """

    def __init__(self, spool: IO[bytes]) -> None:
        self._spool, self._extra = spool, dict[str, None]()

    def add(self, site: SiteResult) -> None:
        for row, antenna in zip(site.to_records(), site.antennas, strict=True):
            extra = dict(antenna.register_extra)
            self._extra.update(dict.fromkeys(extra))
            pickle.dump((tuple(row.values()), extra), self._spool)

    def columns(self) -> tuple[str, ...]:
        """Headings, none of them twice: 'register_' before an own column that has the name of another."""
        names = list(RECORD_COLUMNS)
        for name in self._extra:
            while name in names:
                name = f"register_{name}"
            names.append(name)
        return tuple(names)

    def __iter__(self) -> Iterator[tuple[Any, ...]]:
        self._spool.seek(0)
        while True:
            try:
                row, extra = pickle.load(self._spool)
            except EOFError:
                return
            yield (*row, *(extra.get(name) for name in self._extra))


@contextmanager
def waiting_rows() -> Iterator[TableRows]:
    """Rows, for as long as they are needed."""
    with tempfile.TemporaryFile() as spool:
        yield TableRows(spool)


def parquet_is_there() -> bool:
    """Whether pyarrow, which writes estimates.parquet, is installed (the extra `parquet`)."""
    return importlib.util.find_spec("pyarrow") is not None


def write_parquet(path: Path, rows: TableRows) -> None:
    """Write the columns of estimates.csv with their types; texts are not touched."""
    pa = importlib.import_module("pyarrow")  # 0.3 s, and large: only when such a file is written
    parquet = importlib.import_module("pyarrow.parquet")
    types = {str: pa.string(), float: pa.float64(), int: pa.int32(), bool: pa.bool_()}
    kinds = {name: kind for name, (kind, _) in RECORD_COLUMNS.items()}
    schema = pa.schema([(name, types[kinds.get(name, str)]) for name in rows.columns()])
    schema = schema.with_metadata({"photoaz_version": __version__})
    with replaced(path, "wb") as file, parquet.ParquetWriter(file, schema, compression="zstd") as writer:
        every = iter(rows)
        while group := list(itertools.islice(every, _ROW_GROUP)):
            columns = zip(*group, strict=True)
            arrays = [pa.array(values, type=field.type) for values, field in zip(columns, schema, strict=True)]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
