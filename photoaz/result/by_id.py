"""Records that can be asked for by the text that names them."""

from __future__ import annotations

from typing import Any, TypeVar, overload

_R = TypeVar("_R")


class ById(tuple[_R, ...]):
    """Records in order, by number as in any tuple, or by the text that names them: `antennas["A1"]`, `"A1" in ...`."""

    __slots__ = ()

    @overload  # type: ignore[override]
    def __getitem__(self, key: str) -> _R: ...
    @overload
    def __getitem__(self, key: int) -> _R: ...
    @overload
    def __getitem__(self, key: slice) -> tuple[_R, ...]: ...
    def __getitem__(self, key: str | int | slice) -> _R | tuple[_R, ...]:
        if isinstance(key, str):
            found = self.get(key)
            if found is None:
                raise KeyError(f"{key}: not one of {', '.join(self.keys())}")
            return found
        return super().__getitem__(key)

    def __contains__(self, key: object) -> bool:
        return self.get(key) is not None if isinstance(key, str) else super().__contains__(key)

    def get(self, name: str) -> _R | None:
        """The record of that name, or None."""
        return next((r for r in self if _name_of(r) == name), None)

    def keys(self) -> tuple[str, ...]:
        """The names, in order."""
        return tuple(_name_of(r) for r in self)


def _name_of(record: Any) -> str:
    name: str = record.antenna_id if hasattr(record, "antenna_id") else record.photo
    return name
