"""Photos' files at hand while the desk is open: a local one where it lies, a remote one as a copy on this machine."""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from contextlib import ExitStack
from pathlib import Path

from photoaz.audit.files import local_copy
from photoaz.audit.photos import KeptPhoto
from photoaz.errors import Fault, InputError

#: photos open at once; of remote ones each is a file of some megabytes in the temporary folder
OPEN_PHOTOS = 200


class OpenPhotos:
    """Fetches photos and holds those asked for last. Usable from several threads.

    most : how many; the copy of the photo that nobody asked for longest is removed, and fetched again when it is.
    """

    def __init__(self, most: int = OPEN_PHOTOS) -> None:
        self._most = most
        self._open: OrderedDict[str, tuple[Path, ExitStack]] = OrderedDict()
        self._lock = threading.Lock()

    def path(self, photo: KeptPhoto) -> Path:
        """Where its file lies. Raises InputError where it cannot be had."""
        with self._lock:
            if photo.name not in self._open:
                stack = ExitStack()
                try:
                    path = stack.enter_context(local_copy(photo.file))
                except OSError as e:
                    raise _lost(photo.name, e) from None
                self._open[photo.name] = path, stack
            self._open.move_to_end(photo.name)
            while len(self._open) > self._most:
                _, (_, oldest) = self._open.popitem(last=False)
                oldest.close()
            return self._open[photo.name][0]

    def unchanged(self, photo: KeptPhoto) -> Path:
        """The same, where the file still is what the audit read. Raises InputError where not."""
        path = self.path(photo)
        try:
            with path.open("rb") as file:
                digest = hashlib.file_digest(file, "sha256").hexdigest()
        except OSError as e:
            raise _lost(photo.name, e) from None
        if digest != photo.digest:
            wanted = "the photo as it was, or 'photoaz audit' once more"
            raise InputError(Fault(file=photo.name, found="another content than the audit read", wanted=wanted))
        return path

    def close(self) -> None:
        """Remove all copies."""
        with self._lock:
            for _, stack in self._open.values():
                stack.close()
            self._open.clear()


def _lost(name: str, error: OSError) -> InputError:
    wanted = "the photo where the audit found it"
    return InputError(Fault(file=error.filename or name, found=error.strerror or str(error), wanted=wanted))
