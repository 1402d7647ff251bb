"""Files of photos, here and behind URLs, and how to get at their bytes.

Local paths are read by the operating system's own calls; whatever looks like a URL goes through fsspec.
"""

from __future__ import annotations

import contextlib
import os
import re
import tempfile
import time
import urllib.parse
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

from photoaz.audit.filenames import is_url, protocol, shown, unshown
from photoaz.errors import Fault, InputError

T = TypeVar("T")

#: A file larger than this is no photo
MOST_BYTES = 2 * 1024**3
TRIES = 3
TIMEOUT_S = 60.0
_FIRST_WAIT_S = 0.5
#: What is found where there is no such file
NOTHING = "nothing there"
#: Packages that fsspec needs for a scheme
_PACKAGES = {"s3": "s3fs", "s3a": "s3fs", "gs": "gcsfs", "gcs": "gcsfs", "http": "aiohttp", "https": "aiohttp"}
_PACKAGES |= {"az": "adlfs", "abfs": "adlfs", "abfss": "adlfs", "sftp": "paramiko", "ssh": "paramiko"}


@dataclass(frozen=True, slots=True)
class PhotoFile:
    """One photo as listed.

    url: a path as it was reached, or a URL; bytes of a name that are not UTF-8 stand as lone surrogates (PEP 383):
    write it down by `shown` only. size: bytes, None where the server does not say. stamp: changes when the file does;
    of a local file its time of change in nanoseconds, of others the ETag or the time of change, '' where nobody knows.
    """

    url: str
    size: int | None
    stamp: str

    @property
    def name(self) -> str:
        """The URL as text that can be stored anywhere: see `shown`."""
        return shown(self.url)


class Opening:
    """The whole addresses of files whose names leave out what opens them; held while an audit runs, kept nowhere."""

    def __init__(self) -> None:
        self._whole: dict[str, str] = {}

    def note(self, file: PhotoFile) -> None:
        """Remember how a listed file was reached; of a folder's files their folder is enough."""
        name = unshown(file.name)
        if name != file.url:
            (place, _, last), (whole, _, whole_last) = name.rpartition("/"), file.url.rpartition("/")
            self._whole |= {f"{place}/": f"{whole}/"} if last == whole_last else {name: file.url}

    def whole(self, file: PhotoFile) -> PhotoFile:
        """A file by its name, with its whole address again."""
        place, slash, last = file.url.rpartition("/")
        folder = self._whole.get(place + slash)
        return replace(file, url=self._whole.get(file.url) or (folder + last if folder else file.url))


def written_at(file: PhotoFile) -> datetime | None:
    """When a local file was last written, UTC; None for others, whose stores know only when they got it."""
    if is_url(file.url) or not file.stamp.isdigit():
        return None
    try:
        return datetime.fromtimestamp(int(file.stamp) / 1e9, UTC)
    except (ValueError, OverflowError, OSError):
        return None


def fetch(file: PhotoFile | str) -> bytes:
    """The bytes of a photo. A connection that fails is tried TRIES times, with growing pauses.

    Raises InputError: not there, no access, no answer in time, a missing package, or more than MOST_BYTES.
    """
    url, size = (file, None) if isinstance(file, str) else (file.url, file.size)
    path = local_path(url)
    try:
        if path is not None:
            size = os.stat(path).st_size
        if size is not None and size > MOST_BYTES:
            found = f"{size / 1024**3:.1f} GiB"
            raise InputError(Fault(file=shown(url), found=found, wanted=f"at most {MOST_BYTES / 1024**3:.0f} GiB"))
        if path is not None:
            return Path(path).read_bytes()
    except OSError as err:
        raise InputError(fault_of(url, err)) from None
    fs, name = file_system(url)
    return bytes(ask(url, lambda: fs.cat_file(name)))


@contextlib.contextmanager
def local_copy(file: PhotoFile | str) -> Iterator[Path]:
    """A path at which the photo lies while the context lasts: a local one's own, else that of a copy named as it is.

    Raises InputError as `fetch`.
    """
    url = file if isinstance(file, str) else file.url
    path = local_path(url)
    if path is not None:
        try:
            os.stat(path)
        except OSError as err:
            raise InputError(fault_of(url, err)) from None
        yield Path(path)
        return
    data = fetch(file)
    with tempfile.TemporaryDirectory(prefix="photoaz-") as folder:
        copy = Path(folder) / base_name(url)
        copy.write_bytes(data)
        yield copy


def base_name(url: str) -> str:
    """The last part of a path or URL; 'photo' where there is none that could name a file."""
    if not is_url(url):
        return os.path.basename(url) or "photo"
    if url.startswith(("http://", "https://")):
        url = urllib.parse.unquote(urllib.parse.urlsplit(url).path, errors="surrogateescape")
    name = url.rpartition("/")[2].replace("\0", "").replace("\\", "_")
    return name if name not in ("", ".", "..") and len(os.fsencode(name)) <= 255 else "photo"


def local_path(url: str) -> str | None:
    """The path of a local file or file:// URL, None for other URLs."""
    if not is_url(url):
        return url
    if protocol(url) not in ("file", "local"):
        return None
    path = url.partition("://")[2].removeprefix("localhost")
    if re.match(r"/[A-Za-z]:", path):
        path = path[1:]
    # RFC 8089 spells a file's name with %20, people often do not
    return path if os.path.lexists(path) else urllib.parse.unquote(path, errors="surrogateescape")


def file_system(url: str) -> tuple[Any, str]:
    """fsspec's file system for a URL, and the path within it. Raises InputError, also where a package is missing."""
    import fsspec

    scheme = protocol(url)
    # another photo's listing must not be remembered as this one's
    settings: dict[str, Any] = {"use_listings_cache": False}
    try:
        if scheme in ("s3", "s3a"):
            settings["config_kwargs"] = {"connect_timeout": TIMEOUT_S / 4, "read_timeout": TIMEOUT_S}
        if scheme in ("http", "https"):
            import aiohttp

            timeout = aiohttp.ClientTimeout(sock_connect=TIMEOUT_S / 4, sock_read=TIMEOUT_S)
            # passwords of ~/.netrc serve whoever comes later and finds none in the address
            settings["client_kwargs"] = {"timeout": timeout, "trust_env": True}
        kind = fsspec.get_filesystem_class(scheme)
        return kind(**settings), str(kind._strip_protocol(url))
    except Exception as err:  # noqa: BLE001  every file system raises its own kinds; each is said
        if isinstance(err, ValueError) and "not known" in str(err).lower():
            wanted = "a path, or a URL with file, s3, gs, http or https"
            raise InputError(Fault(file=shown(url), found=f"the unknown scheme '{scheme}'", wanted=wanted)) from None
        raise InputError(fault_of(url, err)) from None


def ask(url: str, work: Callable[[], T]) -> T:
    """What a file system answers; where the connection is at fault it is asked TRIES times. Raises InputError."""
    wait = _FIRST_WAIT_S
    for attempt in range(1, TRIES + 1):
        try:
            return work()
        except Exception as err:  # noqa: BLE001  every file system raises its own kinds; each is said
            if attempt == TRIES or not _passing(_cause(err)):
                raise InputError(fault_of(url, err, tried=attempt)) from None
            time.sleep(wait)
            wait *= 4.0
    raise AssertionError("unreachable")


def fault_of(url: str, error: BaseException, tried: int = 0) -> Fault:
    """What went wrong, in words. tried: how often, where more than once."""
    err = _cause(error)
    if isinstance(err, InputError):
        return err.faults[0]
    if isinstance(err, ImportError):
        found = f"no support for {protocol(url)} addresses"
        package = _PACKAGES.get(protocol(url), "its fsspec package")
        return Fault(file=shown(url), found=found, wanted=f"the package {package}, installed")
    found, wanted = _in_words(err, remote=local_path(url) is None)
    after = f", after {tried} tries" if tried > 1 and _passing(err) else ""
    return Fault(file=shown(url), found=found + after, wanted=wanted)


def _in_words(err: BaseException, remote: bool) -> tuple[str, str]:
    """What was found, and what was wanted."""
    status, kinds = getattr(err, "status", None), _kinds(err)
    response = getattr(err, "response", None)  # of S3's own error: its code says more than its kind
    code = response.get("Error", {}).get("Code", "") if isinstance(response, dict) else ""
    text = " ".join(str(err).split())
    said = shown(text[:200]) if text else type(err).__name__
    if isinstance(err, FileNotFoundError) or status == 404 or code in ("NoSuchBucket", "NoSuchKey", "404"):
        return NOTHING, "a folder, a photo, a list of photos or a URL"
    if kinds & {"NoCredentialsError", "PartialCredentialsError", "TokenRetrievalError", "ProfileNotFound"}:
        return "no credentials for this store", "the store's usual environment variables"
    refusals = ("AccessDenied", "InvalidAccessKeyId", "SignatureDoesNotMatch", "ExpiredToken", "403")
    if isinstance(err, PermissionError) or status in (401, 403) or code in refusals:
        return "no access", "the right to list and read it"
    if isinstance(err, TimeoutError) or "FSTimeoutError" in kinds:
        return "no answer in time", "a server that answers"
    if remote and _passing(err):
        return f"no connection ({said})", "a server that answers"
    what = "an answer that cannot be used" if remote else "a folder or file that cannot be read"
    return f"{what} ({(isinstance(err, OSError) and err.strerror) or said})", "one that can be read"


def _cause(err: BaseException) -> BaseException:
    """fsspec's web file system calls every failure 'not found', its S3 one OSError; the reason lies behind."""
    behind = err.__cause__
    return behind if type(err) in (FileNotFoundError, OSError) and behind is not None else err


def _kinds(err: BaseException) -> set[str]:
    return {c.__name__ for c in type(err).__mro__}


def _passing(err: BaseException) -> bool:
    """May it be gone in a second?"""
    status = getattr(err, "status", None)
    if isinstance(status, int):
        return status in (408, 425, 429) or status >= 500
    if isinstance(err, FileNotFoundError | PermissionError | ImportError):
        return False
    connections = {"FSTimeoutError", "ConnectionError", "ClientConnectionError", "ClientPayloadError"}
    connections |= {"HTTPClientError", "ServerTimeoutError"}
    return isinstance(err, TimeoutError | ConnectionError) or bool(_kinds(err) & connections)
