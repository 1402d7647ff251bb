"""Costly steps remembered by what went into them, so that nothing is worked out twice, in this run or a later one.

A step's value is kept under a fingerprint of all its inputs, with the version of photoaz that made it: whatever
changes gives another fingerprint, and nothing has to be declared out of date.
"""

from __future__ import annotations

import base64
import hashlib
import json
import threading
import zlib
from collections import OrderedDict
from collections.abc import Callable, Hashable, Mapping, Sequence
from contextlib import suppress
from dataclasses import fields, is_dataclass
from functools import cache
from pathlib import Path
from typing import Any, Generic, Protocol, TypeVar, get_origin

import numpy as np

from photoaz import __version__

T = TypeVar("T")

#: another value where a step's result changes although photoaz's version does not
GENERATION = "7"


class Memory(Protocol):
    """Where values are kept: bytes under a kind and a key."""

    def get(self, kind: str, key: str) -> bytes | None:
        """What was put there, or None."""

    def put(self, kind: str, key: str, value: bytes) -> None:
        """Keep it, in the place of what is there: the same, or damaged."""


class Shelf(Generic[T]):
    """Holds what was used last, the latest in any case. Usable from several threads.

    most : of the sizes of all together. size_of : of a value; each counts as one where not given.
    """

    def __init__(self, most: int, size_of: Callable[[T], int] = lambda _value: 1) -> None:
        self._held: OrderedDict[Hashable, T] = OrderedDict()
        self._most, self._size_of = most, size_of
        self._lock = threading.Lock()
        self._size = 0

    def keep(self, name: Hashable, value: T) -> list[T]:
        """Hold a value in the place of what had its name; those that are let go."""
        with self._lock:
            gone = [self._held.pop(name)] if name in self._held else []
            self._held[name] = value
            self._size += self._size_of(value) - sum(map(self._size_of, gone))
            while self._size > self._most and len(self._held) > 1:
                gone.append(self._held.popitem(last=False)[1])
                self._size -= self._size_of(gone[-1])
            return gone

    def find(self, name: Hashable) -> T | None:
        """What is still held under a name."""
        with self._lock:
            if name in self._held:
                self._held.move_to_end(name)
            return self._held.get(name)

    def clear(self) -> list[T]:
        """Let all go, and say what that was."""
        with self._lock:
            gone, self._size = list(self._held.values()), 0
            self._held.clear()
            return gone


class Forgetful:
    """A memory that keeps nothing."""

    def get(self, kind: str, key: str) -> bytes | None:
        """None."""
        del kind, key
        return None

    def put(self, kind: str, key: str, value: bytes) -> None:
        """Nothing."""
        del kind, key, value


class Notebook:
    """A memory of this process, which forgets what was asked for longest ago beyond `most` values."""

    def __init__(self, most: int = 10_000) -> None:
        self._values: Shelf[bytes] = Shelf(most)

    def get(self, kind: str, key: str) -> bytes | None:
        """What was put there, or None."""
        return self._values.find((kind, key))

    def put(self, kind: str, key: str, value: bytes) -> None:
        """Keep it."""
        self._values.keep((kind, key), value)


def recall(memory: Memory, kind: str, inputs: Sequence[Any], of: Any, make: Callable[[], T]) -> T:
    """The value that `make` gives, from memory where it was made before from the same inputs.

    inputs : everything that `make` depends on, of what `fingerprint` takes. of : the value's type, for `decoded`.
    """
    if isinstance(memory, Forgetful):
        return make()
    key = fingerprint(kind, *inputs)
    kept = memory.get(kind, key)
    if kept is not None:
        with suppress(Exception):  # damaged where it is kept: made again, and put in its place
            value: T = decoded(kept, of)
            return value
    made = make()
    memory.put(kind, key, encoded(made))
    return made


def fingerprint(*values: Any) -> str:
    """SHA-256 of values, as hexadecimal digits.

    Of None, bool, numbers, text, bytes, paths (by their text), dates, arrays, slices, dataclasses, sequences, sets and
    mappings of these, and whatever says by its `inputs` what it is made from. Equal values of equal types have equal
    fingerprints on any machine of one byte order. Raises TypeError for anything else.
    """
    digest = hashlib.sha256(f"photoaz {__version__} {GENERATION}".encode())
    _feed(digest.update, values)
    return digest.hexdigest()


def _feed(update: Callable[[bytes], None], value: Any) -> None:
    if value is None or isinstance(value, (bool, int, float, np.integer, np.floating)):
        plain = value.item() if isinstance(value, (np.integer, np.floating)) else value
        update(f"{type(plain).__name__}:{plain!r};".encode())
    elif isinstance(value, (str, Path)):
        text = str(value).encode("utf-8", "surrogateescape")
        update(b"s%d:" % len(text) + text)
    elif isinstance(value, bytes):
        update(b"b%d:" % len(value) + value)
    elif isinstance(value, np.ndarray):
        update(f"a{value.dtype.str}{value.shape}:".encode() + np.ascontiguousarray(value).tobytes())
    elif hasattr(value, "inputs"):
        _feed(update, value.inputs)
    elif is_dataclass(value) and not isinstance(value, type):
        update(f"d{type(value).__name__}(".encode())
        for f in fields(value):
            _feed(update, getattr(value, f.name))
        update(b")")
    elif isinstance(value, Mapping):
        update(b"m%d(" % len(value))
        for key, one in value.items():
            _feed(update, key)
            _feed(update, one)
        update(b")")
    elif isinstance(value, (list, tuple)):
        update(b"l%d(" % len(value))
        for one in value:
            _feed(update, one)
        update(b")")
    elif isinstance(value, (set, frozenset)):
        update(f"e{sorted(map(fingerprint, value))};".encode())
    elif isinstance(value, slice):
        _feed(update, ("slice", value.start, value.stop, value.step))
    elif hasattr(value, "isoformat"):
        update(f"t{value.isoformat()};".encode())
    else:
        raise TypeError(f"no fingerprint of a {type(value).__name__}")


@cache
def converter() -> Any:
    """What takes dataclasses, arrays, dates and paths apart for JSON and puts them together again (cattrs)."""
    from cattrs.preconf.json import make_converter  # 0.1 s that only those who remember need

    made = make_converter()

    def is_array(t: Any) -> bool:
        return t is np.ndarray or get_origin(t) is np.ndarray

    made.register_unstructure_hook_func(
        is_array,
        lambda a: {"dtype": a.dtype.str, "shape": list(a.shape), "data": base64.b64encode(a.tobytes()).decode()},
    )
    made.register_structure_hook_func(
        is_array,
        lambda v, _t: np.frombuffer(base64.b64decode(v["data"]), np.dtype(v["dtype"])).reshape(v["shape"]).copy(),
    )
    made.register_unstructure_hook(Path, str)
    made.register_structure_hook(Path, lambda v, _t: Path(v))
    # JSON as such knows no number that is not finite, Python's reader and writer do
    return made


def encoded(value: Any) -> bytes:
    """A value of dataclasses, sequences, mappings by text, numbers, text, dates and arrays as bytes, compressed."""
    plain = converter().unstructure(value)
    return zlib.compress(json.dumps(plain, separators=(",", ":")).encode(), 1)


def decoded(data: bytes, of: Any) -> Any:
    """The value again, equal to the last bit. of: its type, such as `tuple[BoxMode, ...]`."""
    return converter().structure(json.loads(zlib.decompress(data)), of)
