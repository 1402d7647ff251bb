"""Names of files: as text that can be printed and stored anywhere, and what they say of what is in the file."""

from __future__ import annotations

import os
import re

from photoaz.addresses import without_secrets

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
_URL = re.compile(r"[A-Za-z][A-Za-z0-9+.\-]+://")
_SHORT = {"\n": r"\n", "\r": r"\r", "\t": r"\t", "\\": r"\\"}
_LONG = {v: k for k, v in _SHORT.items()}


def shown(url: str) -> str:
    r"""The name as text that can be printed and stored anywhere, and from which `unshown` gets it back.

    Only passwords and signatures of an address do not come back: they are left out, see `without_secrets`.
    Bytes that are no UTF-8 become \xNN, characters that do not print (line ends, controls, those that turn the
    direction of writing, lone surrogates) \n, \t, \r, \uNNNN or \UNNNNNNNN, and a backslash \\. All else stays, quotes
    and accents as they are: quoting is the business of JSON and CSV writers.
    """
    url = without_secrets(url)
    if url.isascii() and url.isprintable() and "\\" not in url:
        return url
    return "".join(map(_spelled, url))


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
    """What `shown` was given, without secrets."""

    def plain(m: re.Match[str]) -> str:
        token = m[0]
        if token in _LONG:
            return _LONG[token]
        return chr(int(token[2:], 16) + (0xDC00 if token[1] == "x" else 0))

    pattern = r"\\[nrt\\]|\\x[89a-f][0-9a-f]|\\u[0-9a-f]{4}|\\U[0-9a-f]{8}"
    return text if "\\" not in text else re.sub(pattern, plain, text)


def is_url(text: str) -> bool:
    """Is it scheme://..., and not a path (a drive's letter is no scheme)?"""
    return _URL.match(text) is not None


def protocol(url: str) -> str:
    """The scheme of a URL, in small letters."""
    return url.partition("://")[0].lower()


def suffix(name: str) -> str:
    """'.jpg', in small letters; '' where there is none. Of a web address the query does not count."""
    if name.startswith(("http://", "https://")):
        name = re.split(r"[?#]", name, maxsplit=1)[0]
    return os.path.splitext(name)[1].lower()


def is_junk(name: str) -> bool:
    """Is it the name of something hidden, or left behind by a system?"""
    return name.startswith((".", "~$")) or name.lower() in JUNK
