"""How addresses are spelled wherever they are kept or shown: without what opens them."""

from __future__ import annotations

import re

#: parameters of a query that carry a secret, by name; common practice of object stores and web servers, no source
_SECRET = re.compile(
    r"(?:.*[-_.])?(?:sig|signature|token|secret|passw(?:or)?d|pwd|auth|authorization|credentials?|jwt|sas"
    r"|api[-_]?key|access[-_]?key(?:[-_]?id)?|googleaccessid|session[-_]?id)"
    r"|x-(?:amz|goog)-.*|.*(?:token|secret|password)"
)
#: `key=` may name a file, which has a suffix or a folder; a key has neither
_KEY = re.compile(r"key=[^./]{16,}", re.IGNORECASE)
#: what belongs to a signature and changes with it: Azure's shared access, Amazon's and Google's older links
_SIGNED_WITH = frozenset(
    (
        *("se", "sp", "sv", "sr", "st", "spr", "sip", "skoid", "sktid", "skt", "ske", "sks", "skv", "ss", "srt"),
        *("expires", "policy", "key-pair-id"),
    )
)
# lengths are bounded: a text of a million letters is looked through in a second
_SCHEME = r"([a-z][a-z0-9+.\-]{0,30}://)"
_DATABASE = re.compile(r"((?:postgres|mysql|mariadb)[a-z0-9+]{0,30}://[^\s:/@]{0,300}):.{0,1000}@", re.IGNORECASE)
_USER = re.compile(_SCHEME + r"([^\s/?#:@]{0,300})(:?)[^\s/?#]{0,1000}@", re.IGNORECASE)
#: a colon begins a password, which may hold a slash by mistake, unless a port follows
_ODD = re.compile(_SCHEME + r"([^\s:/?#@\[\]]{0,300}):(?!\d{0,5}(?:[/?#\s]|$))\S{0,1000}@", re.IGNORECASE)
_QUERY = re.compile(r"([?#])([^?#\s'\"<>]*)")


def without_secrets(text: str) -> str:
    """An address, or a text with addresses in it, without passwords and signatures.

    A web address loses its user too, who may be a token; elsewhere the user stays, as a database is asked for by one.
    Of a query the parameters that carry a secret go, and those that change whenever it is signed anew: so a name
    stands for the same file tomorrow.
    """
    if "://" not in text:
        return text
    for pattern in (_DATABASE, _USER, _ODD):
        text = pattern.sub(_open_user, text)
    return _QUERY.sub(_open_query, text)


def _open_user(found: re.Match[str]) -> str:
    if found.re is _DATABASE:
        return f"{found[1]}@"
    return found[1] if found[1].lower() in ("http://", "https://") else f"{found[1]}{found[2]}@"


def _open_query(query: re.Match[str]) -> str:
    """A query, or what stands behind '#', without the parameters that nobody else may see."""
    named = [(one, one.partition("=")[0].lower()) for one in query[2].split("&")]
    secret = {name for one, name in named if "=" in one and (_SECRET.fullmatch(name[-300:]) or _KEY.fullmatch(one))}
    if any("sig" in name for name in secret):
        secret |= _SIGNED_WITH
    kept = "&".join(one for one, name in named if name not in secret)
    return query[0] if not secret else query[1] + kept if kept else ""
