"""GeoJSON (RFC 7946) one feature at a time: a map of a million buildings never lies in memory as a whole."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from photoaz.errors import Fault, InputError

#: characters read at once; a feature that is longer is read on until it is whole
_CHUNK = 1 << 22
_BLANK = " \t\n\r"


class FeatureReader:
    """Iterates over the features of a FeatureCollection, or over the one Feature.

    members: what else stands at the top of the file (name, licence, metadata, ...), complete after the last feature.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.members: dict[str, Any] = {}
        # as much of the text is held as is being read
        self._text, self._at, self._lines = "", 0, 1
        self._ended = False
        self._decode = json.JSONDecoder().raw_decode

    def __iter__(self) -> Iterator[Any]:
        """Each feature as JSON has it. Raises InputError where there is no such file, no JSON, or no GeoJSON in it."""
        wanted = "a GeoJSON file"
        try:
            with self.path.open(encoding="utf-8-sig") as self._file:
                yield from self._features(self.members)
        except OSError as e:
            raise InputError(Fault(file=self.path, found=e.strerror or str(e), wanted=wanted)) from e
        except UnicodeDecodeError as e:
            raise InputError(Fault(file=self.path, found=f"no JSON ({e})", wanted=wanted)) from e

    def _features(self, members: dict[str, Any]) -> Iterator[Any]:
        if self._peek() != "{":
            raise self._fault("no JSON object", "a GeoJSON file")
        self._at += 1
        listed = False
        while self._peek() != "}":
            if members or listed:
                self._expect(",")
            key = self._value()
            self._expect(":")
            if key == "features" and self._peek() == "[":
                listed = True
                yield from self._items()
            else:
                members[str(key)] = self._value()
        kind = members.get("type")
        if kind == "Feature":
            yield members
        elif kind != "FeatureCollection":
            raise self._fault(f"type {kind!r}", "a FeatureCollection")
        elif not listed:
            raise self._fault("no list of features", "features: [...]")

    def _items(self) -> Iterator[Any]:
        self._at += 1
        if self._peek() == "]":
            self._at += 1
            return
        while True:
            yield self._value()
            mark = self._peek()
            if mark not in (",", "]"):
                raise self._fault(f"no JSON ({mark!r} after a feature)", "',' or ']'")
            self._at += 1
            if mark == "]":
                return

    def _peek(self) -> str:
        """The next character that is not blank; '' at the end."""
        while True:
            text, at = self._text, self._at
            while at < len(text) and text[at] in _BLANK:
                at += 1
            self._at = at
            if at < len(text):
                return text[at]
            if not self._more():
                return ""

    def _expect(self, mark: str) -> None:
        if (found := self._peek()) != mark:
            raise self._fault(f"no JSON ({found!r})", f"'{mark}'")
        self._at += 1

    def _value(self) -> Any:
        self._peek()
        while True:
            try:
                value, end = self._decode(self._text, self._at)
                # a number that ends where the text held ends may go on beyond it
                if end < len(self._text) or self._ended or not self._more():
                    self._at = end
                    return value
            except RecursionError as e:
                raise self._fault(f"no JSON ({e})", "a GeoJSON file") from e
            except ValueError as e:  # cut off, no JSON, or numbers of thousands of digits
                if not self._more():
                    self._at = getattr(e, "pos", self._at)
                    raise self._fault(f"no JSON ({getattr(e, 'msg', e)})", "a GeoJSON file") from e

    def _more(self) -> bool:
        """Read on, twice as much where one value fills all that is held; whether there was more."""
        if self._ended:
            return False
        self._lines += self._text.count("\n", 0, self._at)
        rest = self._text[self._at :]
        more = self._file.read(max(_CHUNK, len(rest)))
        self._ended = not more
        self._text, self._at = rest + more, 0
        return bool(more)

    def _fault(self, found: str, wanted: str) -> InputError:
        line = self._lines + self._text.count("\n", 0, self._at)
        return InputError(Fault(file=self.path, line=line, found=found, wanted=wanted))
