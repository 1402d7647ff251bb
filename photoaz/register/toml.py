"""TOML that a user wrote, read with bounded effort; and which of its values are numbers."""

from __future__ import annotations

import math
import re
import tomllib
from pathlib import Path
from typing import Any, TypeGuard

from photoaz.errors import Fault, InputError

#: a hand-written file is a thousand times smaller
MOST_BYTES = 1_000_000
#: tomllib's time and memory grow with the square of a dotted key's parts
MOST_DOTS = 100


def read_toml(path: Path, *, what: str, example: str) -> tuple[str, dict[str, Any]]:
    """Text and content of a TOML file.

    Parameters
    ----------
    what : such as 'a TOML file of columns'; example : a line that it could have.

    Raises
    ------
    InputError : it cannot be read, is no TOML in UTF-8, or is larger or more entangled than anybody would write.
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


def is_finite(value: object) -> TypeGuard[int | float]:
    """Whether it is a number that can be reckoned with: no bool, no nan, none beyond what a float holds."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:
        return False
