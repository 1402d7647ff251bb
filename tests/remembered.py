"""What was worked out once in a run of the tests, looked up by its other processes.

As a script, the command `photoaz` for which that holds: FOLDER and the command's arguments.
"""

from __future__ import annotations

import pickle
import runpy
import sys
import uuid
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import wraps
from pathlib import Path
from typing import Any

import pytest

import photoaz.estimate.panels
import photoaz.estimate.pipeline  # and all that it calls: what is not loaded yet is not remembered
import photoaz.estimate.solve
import photoaz.judgement.judge
import photoaz.network.solution
from photoaz.memory import Memory, fingerprint, recall


class SharedMemory:
    """A memory in a folder: a file for each value, which is there as a whole or not at all."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        folder.mkdir(exist_ok=True)

    def get(self, kind: str, key: str) -> bytes | None:
        del kind  # the key is made of it, too
        file = self._folder / key
        return file.read_bytes() if file.exists() else None

    def put(self, kind: str, key: str, value: bytes) -> None:
        del kind
        part = self._folder / uuid.uuid4().hex
        part.write_bytes(value)
        part.replace(self._folder / key)


#: pure functions that take long, where they are called
ASKED_ONCE = (
    (photoaz.estimate.panels, "name_candidates"),
    (photoaz.estimate.solve, "solve_network"),
    (photoaz.estimate.solve, "site_result"),
    (photoaz.network.solution, "posterior_of"),
    (photoaz.judgement.judge, "likely_causes"),
)


@contextmanager
def remembered(folder: Path) -> Iterator[None]:
    """While it is entered, nothing is worked out that was worked out before from the same, by whoever has the folder.

    Neither what is looked for in pixels nor what ASKED_ONCE names. A solver's own memory is asked first, and told.
    """
    seen = SharedMemory(folder)

    def recalled(memory: Memory, kind: str, inputs: Sequence[Any], of: Any, make: Callable[[], Any]) -> Any:
        return recall(memory, kind, inputs, of, lambda: recall(seen, kind, inputs, of, make))

    def once_each(function: Callable[..., Any]) -> Callable[..., Any]:
        """A function of its arguments alone, which is asked once for each of them."""

        @wraps(function)
        def asked(*args: Any, **kwargs: Any) -> Any:
            key = fingerprint(function.__module__, function.__qualname__, args, kwargs)
            kept = seen.get("answer", key)
            if kept is not None:
                return pickle.loads(kept)
            answer = function(*args, **kwargs)
            seen.put("answer", key, pickle.dumps(answer))
            return answer

        return asked

    with pytest.MonkeyPatch.context() as patch:
        for name, module in tuple(sys.modules.items()):
            if name.startswith("photoaz.estimate.") and getattr(module, "recall", None) is recall:
                patch.setattr(module, "recall", recalled)
        for module, name in ASKED_ONCE:
            patch.setattr(module, name, once_each(getattr(module, name)))
        yield


if __name__ == "__main__":
    where, *sys.argv[1:] = sys.argv[1:]
    with remembered(Path(where)):
        runpy.run_module("photoaz", run_name="__main__", alter_sys=True)
