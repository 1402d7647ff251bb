"""Which photos there are, in folders, in lists and behind URLs, and how to get at their bytes.

Listing is a stream: of two million photos one folder's names lie in memory at a time. Local paths are walked by the
operating system's own calls; whatever looks like a URL goes through fsspec.
"""

from __future__ import annotations

import contextlib
import glob
import os
import re
import stat
import sys
import tempfile
import time
import urllib.parse
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from photoaz.errors import Fault, InputError

#: Names of files that photoaz can decode, small letters
PHOTO_SUFFIXES = frozenset(
    (
        *(".jpg", ".jpeg", ".jpe", ".jfif", ".mpo", ".png", ".webp", ".tif", ".tiff", ".dng"),
        *(".heic", ".heif", ".hif", ".avif", ".bmp", ".gif", ".jp2"),
    )
)
LIST_SUFFIXES = frozenset((".txt", ".lst"))
#: What systems and archive programs leave beside photos; names that begin with a dot or '~$' are left out as well
JUNK = frozenset(
    (
        *("thumbs.db", "desktop.ini", "__macosx", "@eadir", "#recycle", "$recycle.bin"),
        *("system volume information", "lost+found"),
    )
)
#: A file larger than this is no photo
MOST_BYTES = 2 * 1024**3
TRIES = 3
TIMEOUT_S = 60.0
_FIRST_WAIT_S = 0.5
_URL = re.compile(r"[A-Za-z][A-Za-z0-9+.\-]+://")
_MAGIC = re.compile(r"[*?\[]")
#: Packages that fsspec needs for a scheme
_PACKAGES = {"s3": "s3fs", "s3a": "s3fs", "gs": "gcsfs", "gcs": "gcsfs", "http": "aiohttp", "https": "aiohttp"}
_PACKAGES |= {"az": "adlfs", "abfs": "adlfs", "abfss": "adlfs", "sftp": "paramiko", "ssh": "paramiko"}

Options = Mapping[str, Any]


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


# ---------------------------------------------------------------------------------------------------------------------
# Names as text


def shown(url: str) -> str:
    r"""The name as text that can be printed and stored anywhere, and from which `unshown` gets it back.

    Bytes that are no UTF-8 become \xNN, characters that do not print (line ends, controls, those that turn the
    direction of writing, lone surrogates) \n, \t, \r, \uNNNN or \UNNNNNNNN, and a backslash \\. All else stays, quotes
    and accents as they are: quoting is the business of JSON and CSV writers.
    """
    if url.isascii() and url.isprintable() and "\\" not in url:
        return url
    return "".join(map(_spelled, url))


_SHORT = {"\n": r"\n", "\r": r"\r", "\t": r"\t", "\\": r"\\"}
_LONG = {v: k for k, v in _SHORT.items()}


def _spelled(c: str) -> str:
    code = ord(c)
    if c in _SHORT:
        return _SHORT[c]
    if 0xDC80 <= code <= 0xDCFF:
        return f"\\x{code - 0xDC00:02x}"
    # unassigned characters stay out too: what a later Unicode makes of them is not known
    if c.isprintable():
        return c
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def unshown(text: str) -> str:
    """What `shown` was given."""

    def plain(m: re.Match[str]) -> str:
        token = m[0]
        if token in _LONG:
            return _LONG[token]
        return chr(int(token[2:], 16) + (0xDC00 if token[1] == "x" else 0))

    pattern = r"\\[nrt\\]|\\x[89a-f][0-9a-f]|\\u[0-9a-f]{4}|\\U[0-9a-f]{8}"
    return text if "\\" not in text else re.sub(pattern, plain, text)


def written_at(file: PhotoFile) -> datetime | None:
    """When a local file was last written, UTC; None for others, whose stores know only when they got it."""
    if is_url(file.url) or not file.stamp.isdigit():
        return None
    try:
        return datetime.fromtimestamp(int(file.stamp) / 1e9, UTC)
    except (ValueError, OverflowError, OSError):
        return None


def is_url(text: str) -> bool:
    """Is it scheme://..., and not a path (a drive's letter is no scheme)?"""
    return _URL.match(text) is not None


def is_photo_name(name: str) -> bool:
    """By its suffix, in any case; of a URL the query does not count."""
    return _suffix(name) in PHOTO_SUFFIXES


def _suffix(name: str) -> str:
    if is_url(name):
        name = re.split(r"[?#]", name, maxsplit=1)[0] if name.startswith(("http://", "https://")) else name
    return os.path.splitext(name)[1].lower()


def _junk(name: str) -> bool:
    return name.startswith((".", "~$")) or name.lower() in JUNK


def _order(name: str) -> bytes:
    return os.fsencode(name)


# ---------------------------------------------------------------------------------------------------------------------
# Listing


@dataclass(frozen=True, slots=True)
class _Walk:
    folder: bool
    files: Iterator[PhotoFile]


class Listing:
    """Photos of several paths, in the order of their names, each once. Iterate it (once); the counts grow as it goes.

    passed_over: files that are no photo by their suffix, by suffix. hidden: files and folders hidden or left behind by
    systems. troubles: what could not be read or found, which does not stop the rest.
    """

    def __init__(
        self,
        paths: Sequence[str | os.PathLike[str]],
        options: Options | None = None,
        note: Callable[[str], None] | None = None,
    ) -> None:
        self._note = note
        self.passed_over: Counter[str] = Counter()
        self.hidden = 0
        self.troubles: list[Fault] = []
        self._options = dict(options or {})
        # what came already: folders, and files that were named singly
        self._folders: set[tuple[int, int] | str] = set()
        self._single: set[tuple[int, int, str] | str] = set()
        given = sorted({_tidy(os.fspath(p)) for p in paths}, key=_order)
        if not given:
            raise InputError(Fault(file="PATH", found="nothing", wanted="a folder, a photo, a list of photos or a URL"))
        opened = [self._opened(text) for text in given]
        faults = [walk for walk in opened if isinstance(walk, Fault)]
        if faults:
            raise InputError(faults)
        # folders first: whether a single file lies in one of them is then known
        self._walks = sorted((w for w in opened if not isinstance(w, Fault)), key=lambda w: not w.folder)

    @property
    def n_passed_over(self) -> int:
        return self.passed_over.total()

    def __iter__(self) -> Iterator[PhotoFile]:
        walks, self._walks = self._walks, []
        told = 0
        for walk in walks:
            yield from walk.files
            if self._note is not None:
                for fault in self.troubles[told:]:
                    self._note(str(fault))
                told = len(self.troubles)

    def _opened(self, text: str) -> _Walk | Fault:
        """The photos of one path, or why there are none; nothing but the path itself is looked at yet."""
        if is_url(text):
            return self._opened_remote(text)
        try:
            status = os.stat(text)
        except OSError as err:
            found = sorted(glob.glob(text, recursive=True), key=_order) if _MAGIC.search(text) else []
            if found and not isinstance(err, PermissionError):
                return _Walk(False, (file for one in found for file in self._one(one)))
            return _fault(text, err)
        if stat.S_ISDIR(status.st_mode):
            try:
                os.scandir(text).close()
            except OSError as err:
                return _fault(text, err)
            return _Walk(True, self._folder(text))
        if _suffix(text) in LIST_SUFFIXES:
            return _Walk(False, self._list(text))
        return _Walk(False, self._file(text, status))

    def _one(self, text: str) -> Iterator[PhotoFile]:
        """As `_opened`, for one of many: its trouble does not stop the others, and a list in a list is no list."""
        if _suffix(text) in LIST_SUFFIXES and (is_url(text) or not os.path.isdir(text)):
            self.passed_over[_suffix(text)] += 1
            return
        walk = self._opened(text)
        if isinstance(walk, Fault):
            self.troubles.append(walk)
        else:
            yield from walk.files

    def _file(self, text: str, status: os.stat_result) -> Iterator[PhotoFile]:
        key = (status.st_dev, status.st_ino, os.path.basename(text))
        if not stat.S_ISREG(status.st_mode):
            self.troubles.append(Fault(file=shown(text), found="neither a file nor a folder", wanted="a photo"))
        elif not is_photo_name(text):
            self.passed_over[_suffix(text)] += 1
        elif key not in self._single and _folder_key(os.path.dirname(text) or ".") not in self._folders:
            self._single.add(key)
            yield PhotoFile(text, status.st_size, str(status.st_mtime_ns))

    def _folder(self, path: str) -> Iterator[PhotoFile]:
        """Depth first in the order of names; a folder reached again, by whatever link, is not walked again."""
        stack: list[Iterator[os.DirEntry[str]]] = [self._entries(path)]
        while stack:
            entry = next(stack[-1], None)
            if entry is None:
                stack.pop()
                continue
            if _junk(entry.name):
                self.hidden += 1
                continue
            try:
                if entry.is_dir():
                    stack.append(self._entries(entry.path))
                    continue
                if not is_photo_name(entry.name):
                    self.passed_over[_suffix(entry.name)] += 1
                    continue
                status = entry.stat()
            except OSError as err:  # a loop of links, a link to nowhere, a file that just went away
                self.troubles.append(_fault(entry.path, err))
                continue
            if not stat.S_ISREG(status.st_mode):
                self.passed_over[_suffix(entry.name)] += 1
            elif not self._single or (status.st_dev, status.st_ino, entry.name) not in self._single:
                yield PhotoFile(_slashes(entry.path), status.st_size, str(status.st_mtime_ns))

    def _entries(self, path: str) -> Iterator[os.DirEntry[str]]:
        try:
            key = _folder_key(path)
            if key in self._folders:
                return iter(())
            self._folders.add(key)
            with os.scandir(path) as entries:
                return iter(sorted(entries, key=lambda e: _order(e.name)))
        except OSError as err:
            self.troubles.append(_fault(path, err))
            return iter(())

    # -- lists

    def _list(self, text: str) -> Iterator[PhotoFile]:
        """Paths and URLs of a list, one a line (or ended by NUL bytes, as `find -print0` writes them).

        Relative ones count from the list's own folder, or else from the current one.
        """
        raw = fetch(PhotoFile(text, None, ""), options=self._options).removeprefix(b"\xef\xbb\xbf")
        by_nul = b"\0" in raw
        for line, piece in enumerate(raw.split(b"\0") if by_nul else raw.splitlines(), 1):
            name = piece.decode("utf-8", "surrogateescape")
            name = name if by_nul else name.strip()
            if not name or (name.startswith("#") and not by_nul):
                continue
            before = len(self.troubles)
            yield from self._one(self._beside(text, name))
            for k in range(before, len(self.troubles)):
                fault = self.troubles[k]
                found = f"{fault.file} ({fault.found})"
                self.troubles[k] = Fault(file=shown(text), line=line, found=found, wanted=fault.wanted)

    @staticmethod
    def _beside(text: str, name: str) -> str:
        if is_url(name):
            return name
        if is_url(text):
            return urllib.parse.urljoin(text, name) if text.startswith("http") else f"{text.rpartition('/')[0]}/{name}"
        beside = os.path.join(os.path.dirname(text), name)
        return beside if os.path.lexists(beside) or not os.path.lexists(name) else name

    # -- URLs

    def _opened_remote(self, url: str) -> _Walk | Fault:
        if (local := _local(url)) is not None:
            return self._opened(_tidy(local))
        try:
            fs, path = _file_system(url, self._options)
            if _suffix(url) in LIST_SUFFIXES:
                return _Walk(False, self._list(url))
            web = _protocol(url) in ("http", "https")
            if _MAGIC.search(path.replace("?", "") if web else path):
                found = _again(url, lambda: fs.glob(path, detail=True))
                if not found:
                    return Fault(file=shown(url), found="nothing that fits", wanted="a pattern that some photo fits")
                return _Walk(False, self._remote_all(fs, list(found.values())))
            if web and url.endswith("/"):
                return _Walk(True, self._remote_folder(fs, path))
            try:
                info = _again(url, lambda: fs.info(path))
            except FileNotFoundError:
                # no file and no folder, but perhaps the beginning of some names
                found = {} if web else _again(url, lambda: fs.glob(path + "*", detail=True))
                if not found:
                    raise
                return _Walk(False, self._remote_all(fs, list(found.values())))
        except InputError as err:
            return err.faults[0]
        except Exception as err:  # noqa: BLE001  every file system raises its own kinds; each is said
            return _fault(url, err)
        if info.get("type") == "directory":
            return _Walk(True, self._remote_folder(fs, path))
        return _Walk(False, self._remote_all(fs, [info]))

    def _remote_all(self, fs: Any, infos: list[dict[str, Any]]) -> Iterator[PhotoFile]:
        for info in sorted(infos, key=lambda i: _order(str(i["name"]))):
            if len(infos) > 1 and _junk(str(info["name"]).rstrip("/").rpartition("/")[2]):
                self.hidden += 1
            elif info.get("type") == "directory":
                yield from self._remote_folder(fs, info["name"])
            else:
                url = str(fs.unstrip_protocol(str(info["name"])))
                if url not in self._single and url.rpartition("/")[0] not in self._folders:
                    yield from self._remote_file(fs, info)
                    self._single.add(url)

    def _remote_folder(self, fs: Any, path: str) -> Iterator[PhotoFile]:
        """As `_folder`: one level's listing in memory at a time."""

        def level(where: str) -> Iterator[dict[str, Any]]:
            key = str(fs.unstrip_protocol(where)).rstrip("/")
            if key in self._folders:
                return iter(())
            self._folders.add(key)
            try:
                infos = _again(where, lambda: fs.ls(where, detail=True))
            except InputError as err:
                self.troubles.extend(err.faults)
                return iter(())
            except Exception as err:  # noqa: BLE001  every file system raises its own kinds; each is said
                self.troubles.append(_fault(str(fs.unstrip_protocol(where)), err))
                return iter(())
            # object stores list a folder's own marker inside it; web pages link upwards and elsewhere
            inside = where.rstrip("/") + "/"
            own = [i for i in infos if str(i["name"]).startswith(inside) and str(i["name"]).rstrip("/") + "/" != inside]
            return iter(sorted(own, key=lambda i: _order(str(i["name"]))))

        stack = [level(path)]
        while stack:
            info = next(stack[-1], None)
            if info is None:
                stack.pop()
                continue
            name = str(info["name"])
            if _junk(name.rstrip("/").rpartition("/")[2]):
                self.hidden += 1
            elif info.get("type") == "directory":
                stack.append(level(name))
            elif not self._single or str(fs.unstrip_protocol(name)) not in self._single:
                yield from self._remote_file(fs, info)

    def _remote_file(self, fs: Any, info: Mapping[str, Any]) -> Iterator[PhotoFile]:
        name = str(info["name"])
        url = str(fs.unstrip_protocol(name))
        if not is_photo_name(url):
            self.passed_over[_suffix(url)] += 1
            return
        stamp = _stamp(info)
        if not stamp and url.startswith("http"):  # a web page's list of links says nothing of the files
            try:
                info = _again(url, lambda: fs.info(name))
            except InputError as err:
                self.troubles.extend(err.faults)
                return
            except Exception as err:  # noqa: BLE001  every file system raises its own kinds; each is said
                self.troubles.append(_fault(url, err))
                return
            stamp = _stamp(info)
        size = info.get("size")
        yield PhotoFile(url, None if size is None else int(size), stamp)


def list_photos(
    paths: Sequence[str | os.PathLike[str]],
    options: Options | None = None,
    *,
    note: Callable[[str], None] | None = None,
) -> Listing:
    """List the photos of folders, single files, list files (.txt, .lst) and URLs; see `Listing`.

    Parameters
    ----------
    paths
        Folders are walked whole. A list holds a path or URL a line; '#' begins a remark. URLs are those of fsspec
        (file, s3, gs, http, ...): one photo, a folder, a pattern with * or the beginning of names.
    options
        Handed to fsspec's file system, e.g. {"anon": True} for an open bucket.
    note
        Told each trouble in words, a path at a time.

    Raises
    ------
    InputError
        A path that is not there or cannot be read (all such paths at once), or a missing package.
    """
    return Listing(paths, options, note)


def _folder_key(path: str) -> tuple[int, int] | str:
    """What a folder is, whatever way it is reached."""
    status = os.stat(path)
    return (status.st_dev, status.st_ino) if status.st_ino else os.path.realpath(path)


def _tidy(text: str) -> str:
    """A path without needless parts; '..' stays, which across a link is no needless part."""
    if is_url(text):
        return text
    return _slashes(os.fspath(Path(text)) if text else text)


def _slashes(path: str) -> str:
    return path.replace("\\", "/") if sys.platform == "win32" else path


def _stamp(info: Mapping[str, Any]) -> str:
    for key in ("ETag", "etag", "md5Hash", "content_md5", "Content-MD5", "Last-Modified", "LastModified"):
        if info.get(key):
            return str(info[key]).strip('"')
    for key in ("last_modified", "updated", "mtime", "created"):
        value = info.get(key)
        if value:
            return value.isoformat() if isinstance(value, datetime) else str(value)
    return ""


# ---------------------------------------------------------------------------------------------------------------------
# Bytes


def fetch(file: PhotoFile | str, *, options: Options | None = None) -> bytes:
    """The bytes of a photo. A connection that fails is tried TRIES times, with growing pauses.

    Raises
    ------
    InputError
        Not there, no access, no answer in time, a missing package, or more than MOST_BYTES.
    """
    url, size = (file, None) if isinstance(file, str) else (file.url, file.size)
    if size is not None and size > MOST_BYTES:
        raise InputError(_too_large(url, size))
    try:
        if (path := _local(url)) is not None:
            length = os.stat(path).st_size
            if length > MOST_BYTES:
                raise InputError(_too_large(url, length))
            return Path(path).read_bytes()
        fs, name = _file_system(url, dict(options or {}))
        return bytes(_again(url, lambda: fs.cat_file(name)))
    except InputError:
        raise
    except Exception as err:  # noqa: BLE001  every file system raises its own kinds; each is said
        raise InputError(_fault(url, err)) from None


@contextlib.contextmanager
def local_copy(file: PhotoFile | str, *, options: Options | None = None) -> Iterator[Path]:
    """A path at which the photo lies while the context lasts: a local one's own, else that of a copy named as it is.

    Raises InputError as `fetch`.
    """
    url = file if isinstance(file, str) else file.url
    path = _local(url)
    if path is not None:
        try:
            os.stat(path)
        except OSError as err:
            raise InputError(_fault(url, err)) from None
        yield Path(path)
        return
    data = fetch(file, options=options)
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


def _local(url: str) -> str | None:
    """The path of a local file or file:// URL, None for other URLs."""
    if not is_url(url):
        return url
    if _protocol(url) not in ("file", "local"):
        return None
    path = url.partition("://")[2].removeprefix("localhost")
    if re.match(r"/[A-Za-z]:", path):
        path = path[1:]
    # RFC 8089 spells a file's name with %20, people often do not
    return path if os.path.lexists(path) else urllib.parse.unquote(path, errors="surrogateescape")


def _protocol(url: str) -> str:
    return url.partition("://")[0].lower()


def _file_system(url: str, options: Options) -> tuple[Any, str]:
    """fsspec's file system for a URL, and the path within it. Raises InputError where a package is missing."""
    import fsspec

    protocol = _protocol(url)
    # another photo's listing must not be remembered as this one's
    settings: dict[str, Any] = {"use_listings_cache": False}
    if protocol in ("s3", "s3a"):
        settings["config_kwargs"] = {"connect_timeout": TIMEOUT_S / 4, "read_timeout": TIMEOUT_S}
    if protocol in ("http", "https") and "client_kwargs" not in options:
        try:
            import aiohttp
        except ImportError:
            raise InputError(_missing_package(url)) from None
        settings["client_kwargs"] = {"timeout": aiohttp.ClientTimeout(sock_connect=TIMEOUT_S / 4, sock_read=TIMEOUT_S)}
    try:
        kind = fsspec.get_filesystem_class(protocol)
        fs = kind(**(settings | dict(options)))
        return fs, str(kind._strip_protocol(url))
    except ImportError:
        raise InputError(_missing_package(url)) from None
    except ValueError as err:
        if "not known" in str(err).lower():
            wanted = "a path, or a URL with file, s3, gs, http or https"
            raise InputError(Fault(file=shown(url), found=f"the unknown scheme '{protocol}'", wanted=wanted)) from None
        raise


def _again(url: str, work: Any) -> Any:
    """Do it, and where the connection is at fault do it again."""
    wait = _FIRST_WAIT_S
    for attempt in range(1, TRIES + 1):
        try:
            return work()
        except Exception as err:
            cause = _cause(err)
            if _passing(cause) and attempt < TRIES:
                time.sleep(wait)
                wait *= 4.0
                continue
            if _passing(cause) or cause is not err:
                fault = _fault(url, cause, tried=attempt)
                if isinstance(cause, FileNotFoundError) or getattr(cause, "status", None) == 404:
                    raise FileNotFoundError(url) from None
                raise InputError(fault) from None
            raise
    raise AssertionError("unreachable")


def _cause(err: BaseException) -> BaseException:
    """fsspec's web file system calls every failure 'not found', its S3 one OSError; the reason lies behind."""
    behind = err.__cause__
    return behind if type(err) in (FileNotFoundError, OSError) and behind is not None else err


def _passing(err: BaseException) -> bool:
    """May it be gone in a second?"""
    status = getattr(err, "status", None)
    if isinstance(status, int):
        return status in (408, 425, 429) or status >= 500
    if isinstance(err, FileNotFoundError | PermissionError | ImportError):
        return False
    names = {c.__name__ for c in type(err).__mro__}
    return isinstance(err, TimeoutError | ConnectionError) or bool(
        names
        & {
            "FSTimeoutError",
            "ConnectionError",
            "ClientConnectionError",
            "ClientPayloadError",
            "HTTPClientError",
            "ServerTimeoutError",
        }
    )


def _fault(url: str, err: BaseException, tried: int = 0) -> Fault:
    """What went wrong, in words."""
    err = _cause(err)
    status, names = getattr(err, "status", None), {c.__name__ for c in type(err).__mro__}
    file = shown(url)
    remote = is_url(url) and _protocol(url) not in ("file", "local")
    if isinstance(err, InputError):
        return err.faults[0]
    if isinstance(err, ImportError):
        return _missing_package(url)
    response = getattr(err, "response", None)  # of S3's own error: its code says more than its kind
    code = response.get("Error", {}).get("Code", "") if isinstance(response, dict) else ""
    if isinstance(err, FileNotFoundError) or status == 404 or code in ("NoSuchBucket", "NoSuchKey", "404"):
        return Fault(file=file, found="nothing there", wanted="a folder, a photo, a list of photos or a URL")
    if names & {"NoCredentialsError", "PartialCredentialsError", "TokenRetrievalError", "ProfileNotFound"}:
        return Fault(file=file, found="no credentials for this store", wanted="the store's usual environment variables")
    refusals = ("AccessDenied", "InvalidAccessKeyId", "SignatureDoesNotMatch", "ExpiredToken", "403")
    if isinstance(err, PermissionError) or status in (401, 403) or code in refusals:
        return Fault(file=file, found="no access", wanted="the right to list and read it")
    if isinstance(err, TimeoutError) or "FSTimeoutError" in names:
        return Fault(file=file, found=f"no answer in time{_after(tried)}", wanted="a server that answers")
    if remote and _passing(err):
        return Fault(file=file, found=f"no connection ({_said(err)}){_after(tried)}", wanted="a server that answers")
    what = "a folder or file that cannot be read" if not remote else "an answer that cannot be used"
    said = (err.strerror or _said(err)) if isinstance(err, OSError) else _said(err)
    return Fault(file=file, found=f"{what} ({said})", wanted="one that can be read")


def _said(err: BaseException) -> str:
    text = " ".join(str(err).split())
    return shown(text[:200]) if text else type(err).__name__


def _after(tried: int) -> str:
    return f", after {tried} tries" if tried > 1 else ""


def _missing_package(url: str) -> Fault:
    package = _PACKAGES.get(_protocol(url), "its fsspec package")
    return Fault(
        file=shown(url), found=f"no support for {_protocol(url)} addresses", wanted=f"the package {package}, installed"
    )


def _too_large(url: str, size: int) -> Fault:
    return Fault(file=shown(url), found=f"{size / 1024**3:.1f} GiB", wanted=f"at most {MOST_BYTES / 1024**3:.0f} GiB")
