"""TOML that a user wrote, read with bounded effort; JSON that photoaz wrote; and which values in them are numbers."""

from __future__ import annotations

import difflib
import json
import math
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeGuard

from photoaz.errors import Fault, InputError

#: a hand-written file is a thousand times smaller
MOST_BYTES = 1_000_000
#: tomllib's time and memory grow with the square of a dotted key's parts
MOST_DOTS = 100


def read_toml(path: Path, *, what: str, example: str) -> tuple[str, dict[str, Any]]:
    """Text and content of a TOML file.

    what : such as 'a TOML file of columns'; example : a line that it could have.

    Raises InputError: it cannot be read, is no TOML in UTF-8, or is larger or more entangled than anybody would write.
    """
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as e:
        raise InputError(Fault(file=path, found=e.strerror or str(e), wanted=what)) from e
    if len(data) > MOST_BYTES:
        wanted = f"{what} of at most {MOST_BYTES // 1_000_000} MB"
        raise InputError(Fault(file=path, found="a larger file", wanted=wanted))
    wanted = f"lines such as: {example}"
    try:
        text = data.decode("utf-8-sig")
        dotted = next((n for n, line in enumerate(text.splitlines(), 1) if line.count(".") > MOST_DOTS), None)
        if dotted is not None:
            found = f"more than {MOST_DOTS} dots in a line"
            raise InputError(Fault(file=path, line=dotted, found=found, wanted=wanted))
        return text, tomllib.loads(text)
    except UnicodeDecodeError as e:
        raise InputError(Fault(file=path, found="bytes that are not UTF-8", wanted="TOML in UTF-8")) from e
    except InputError:
        raise
    except (ValueError, RecursionError) as e:  # TOMLDecodeError is one; a number of thousands of digits is another
        at = re.search(r"at line (\d+)", str(e))
        line = int(at[1]) if at else None
        raise InputError(Fault(file=path, line=line, found=f"no TOML ({e})", wanted=wanted)) from e


def read_keys(
    path: Path, known: Mapping[str, Sequence[str]], wanted_of: Callable[[str, Any], str | None], **read: str
) -> tuple[str, dict[str, dict[str, Any]]]:
    """The text of a TOML file and its values by table and key.

    known : the keys that each table may have; table '' is what stands before any. wanted_of : what is wanted of a key's
    value, where it is not that. read : as of `read_toml`.

    Raises InputError: as `read_toml`; a table or a key that there is not, a value that is none; every such line.
    """
    text, given = read_toml(path, **read)
    faults = []

    def fault(table: str, key: str | None, found: str, wanted: str) -> None:
        faults.append(Fault(file=path, line=line_of(text, table, key), found=found, wanted=wanted))

    for table, values in ({"": given} if "" in known else given).items():
        if table not in known:
            home = next((f"it under [{t}]" for t, keys in known.items() if table in keys), None)
            fault(table, None, f"'{table}'", home or _one_of(table, [*map("[{}]".format, known)]))
        elif not isinstance(values, dict):
            fault(table, None, f"{table} = {values!r}", f"a table, [{table}]")
        else:
            for key, value in values.items():
                if key not in known[table]:
                    where = f" in [{table}]" if table else ""
                    fault(table, key, f"the key '{key}'{where}", _one_of(key, known[table]))
                elif (wrong := wanted_of(key, value)) is not None:
                    fault(table, key, f"{key} = {value!r}", wrong)
    if faults:
        raise InputError(faults)
    return text, {table: given if table == "" else given.get(table, {}) for table in known}


def _one_of(found: str, names: Sequence[str]) -> str:
    near = difflib.get_close_matches(found, [n.strip("[]") for n in names], n=1)
    meant = f"{near[0]} (is that meant?), or " if near else ""
    return f"{meant}one of: {', '.join(names)}"


def line_of(text: str, table: str, key: str | None) -> int | None:
    """The line of a key within its table, or of the table; None where it is not written plainly."""
    inside, first = not table, None
    own = re.compile(rf"""\s*["']?{re.escape(key or table)}["']?\s*[=.]""")
    for n, line in enumerate(text.splitlines(), 1):
        header = re.match(r"""\s*\[+\s*["']?([^\]"']*?)["']?\s*\]""", line)
        if header:
            inside = header[1] == (table or key)
            first = n if inside and first is None else first
        elif (key is None or inside) and own.match(line):
            return n
    return first


def read_document(path: Path, schema: str, wanted: str) -> dict[str, Any]:
    """What a JSON file of a schema holds.

    schema : as its key of that name has it. wanted : what the file should be.

    Raises InputError: it cannot be read, is no JSON (with the line), or of another schema.
    """
    try:
        document = json.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as e:
        raise InputError(Fault(file=path, found=e.strerror or str(e), wanted=wanted)) from e
    except (ValueError, RecursionError) as e:  # no UTF-8, no JSON, numbers of thousands of digits
        line = e.lineno if isinstance(e, json.JSONDecodeError) else None
        raise InputError(Fault(file=path, line=line, found=f"no JSON ({e})", wanted=wanted)) from e
    found = document.get("schema") if isinstance(document, dict) else None
    if found != schema:
        raise InputError(Fault(file=path, column="schema", found=repr(found), wanted=schema))
    return dict(document)


def is_finite(value: object) -> TypeGuard[int | float]:
    """Whether it is a number that can be reckoned with: no bool, no nan, none beyond what a float holds."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:
        return False
