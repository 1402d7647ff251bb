"""A file of priors: TOML with a table for antennas, sites, compasses and readings."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from photoaz.errors import Fault, InputError
from photoaz.priors import AntennasKnown, CompassesKnown, Priors, ReadingsKnown, SitesKnown, keys_of, wanted_of
from photoaz.register.toml import read_toml


def read_priors(path: Path) -> Priors:
    """Priors from a TOML file, such as `turned_share = 0.1` under `[antennas]`; what it does not name stays as it is.

    Raises
    ------
    InputError : no TOML, a table or a key that there is not, a value that is none, shares that come to too much; every
        such line, with what is wanted.
    """
    text, given = read_toml(path, what="a TOML file of priors", example="[antennas], then turned_share = 0.1")
    faults = [
        Fault(file=path, line=_line_of(text, table, key), found=found, wanted=wanted)
        for table, key, found, wanted in _faults(given)
    ]
    if faults:
        raise InputError(faults)
    try:
        return Priors(
            antennas=AntennasKnown(**given.get("antennas", {})),
            sites=SitesKnown(**given.get("sites", {})),
            compasses=CompassesKnown(**given.get("compasses", {})),
            readings=ReadingsKnown(**given.get("readings", {})),
        )
    except ValueError as e:  # single values are right: it is their sum
        line = _line_of(text, "readings", None)
        raise InputError(Fault(file=path, line=line, found=str(e), wanted="0.95 at most, the rest is right")) from e


def _faults(given: Mapping[str, Any]) -> Iterator[tuple[str, str | None, str, str]]:
    """Table, key, what was found and what is wanted, of everything that is wrong."""
    known = keys_of()
    for table, values in given.items():
        if table not in known:
            home = [t for t, keys in known.items() if table in keys]
            wanted = f"it under [{home[0]}]" if home else _one_of(table, [f"[{t}]" for t in known])
            yield table, None, f"'{table}'", wanted
        elif not isinstance(values, dict):
            yield table, None, f"{table} = {values!r}", f"a table, [{table}]"
        else:
            for key, value in values.items():
                if key not in known[table]:
                    yield table, key, f"the key '{key}' in [{table}]", _one_of(key, known[table])
                elif (wrong := wanted_of(key, value)) is not None:
                    yield table, key, f"{key} = {value!r}", wrong


def _one_of(found: str, names: Iterable[str]) -> str:
    near = difflib.get_close_matches(found, [n.strip("[]") for n in names], n=1)
    meant = f"{near[0]} (is that meant?), or " if near else ""
    return f"{meant}one of: {', '.join(names)}"


def _line_of(text: str, table: str, key: str | None) -> int | None:
    """The line of a key within its table, or of the table; None where it is not written plainly."""
    inside, first = False, None
    own = re.compile(rf"""\s*["']?{re.escape(key or table)}["']?\s*[=.]""")
    for n, line in enumerate(text.splitlines(), 1):
        header = re.match(r"""\s*\[+\s*["']?([^\]"']*?)["']?\s*\]""", line)
        if header:
            inside = header[1] == table
            first = n if inside and first is None else first
        elif (key is None or inside) and own.match(line):
            return n
    return first


def priors_text(values: Mapping[str, Mapping[str, tuple[float, str]]]) -> str:
    """The text of a file of priors. values : by table and key the value and a comment on it, '' for none."""
    lines = []
    for table, keys in values.items():
        lines += ["", f"[{table}]"]
        lines += [f"{key} = {value:.4g}{f'  # {said}' if said else ''}" for key, (value, said) in keys.items()]
    return "\n".join(lines[1:]) + "\n"
