"""A file of priors: TOML with a table for antennas, sites, compasses and readings."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from photoaz.errors import Fault, InputError
from photoaz.priors import AntennasKnown, CompassesKnown, Priors, ReadingsKnown, SitesKnown, keys_of, wanted_of
from photoaz.register.toml import line_of, read_keys


def read_priors(path: Path) -> Priors:
    """Priors from a TOML file, such as `turned_share = 0.1` under `[antennas]`; what it does not name stays as it is.

    Raises InputError: no TOML, a table or a key that there is not, a value that is none, shares that come to too much;
    every such line, with what is wanted.
    """
    example = "[antennas], then turned_share = 0.1"
    text, given = read_keys(path, keys_of(), wanted_of, what="a TOML file of priors", example=example)
    try:
        return Priors(
            antennas=AntennasKnown(**given["antennas"]),
            sites=SitesKnown(**given["sites"]),
            compasses=CompassesKnown(**given["compasses"]),
            readings=ReadingsKnown(**given["readings"]),
        )
    except ValueError as e:  # single values are right: it is their sum
        line = line_of(text, "readings", None)
        raise InputError(Fault(file=path, line=line, found=str(e), wanted="0.95 at most, the rest is right")) from e


def priors_text(values: Mapping[str, Mapping[str, tuple[float, str]]]) -> str:
    """The text of a file of priors. values : by table and key the value and a comment on it, '' for none."""
    lines = []
    for table, keys in values.items():
        lines += ["", f"[{table}]"]
        lines += [f"{key} = {value:.4g}{f'  # {said}' if said else ''}" for key, (value, said) in keys.items()]
    return "\n".join(lines[1:]) + "\n"
