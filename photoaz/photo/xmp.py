"""The pose fields of an XMP packet (Google's GPano schema), read without following anything the packet points to."""

from __future__ import annotations

from collections.abc import Mapping
from xml.parsers import expat

GPANO = "http://ns.google.com/photos/1.0/panorama/"
_RDF_DESCRIPTION = "http://www.w3.org/1999/02/22-rdf-syntax-ns# Description"
_MAX_BYTES = 2_000_000


class _RefusedError(Exception):
    """A document type declaration: entities could be hidden in it, and no honest packet has one."""


def gpano_fields(packet: bytes) -> tuple[Mapping[str, str], str | None]:
    """GPano's fields by name, and what went wrong (None: nothing).

    Attributes and elements both count. What was read before damage is kept. A packet with a document type
    declaration is refused whole, so no entity, internal or external, is ever expanded.
    """
    start = packet.find(b"<")
    if start < 0 or GPANO.encode() not in packet:
        # UTF-16 packets hide the name; they are rare enough to be parsed just in case
        if b"\x00<" not in packet[:64] and b"<\x00" not in packet[:64]:
            return {}, None
        start = 0
    fields: dict[str, str] = {}
    text: list[str] = []
    inside: list[str] = []

    def begin(name: str, attributes: dict[str, str]) -> None:
        if name == _RDF_DESCRIPTION:
            for key, value in attributes.items():
                if key.startswith(GPANO + " "):
                    fields.setdefault(key.rpartition(" ")[2], value.strip())
        if name.startswith(GPANO + " "):
            inside.append(name)
            text.clear()

    def end(name: str) -> None:
        if inside and inside[-1] == name:
            inside.pop()
            fields.setdefault(name.rpartition(" ")[2], "".join(text).strip())

    def characters(data: str) -> None:
        if inside:
            text.append(data)

    def doctype(*_: object) -> None:
        raise _RefusedError

    parser = expat.ParserCreate(namespace_separator=" ")
    parser.StartElementHandler = begin
    parser.EndElementHandler = end
    parser.CharacterDataHandler = characters
    parser.StartDoctypeDeclHandler = doctype
    try:
        parser.Parse(packet[start:_MAX_BYTES].rstrip(b"\x00 \r\n\t"), True)
    except _RefusedError:
        return {}, "the XMP packet has a document type declaration and was not read"
    except (expat.ExpatError, ValueError, UnicodeError) as err:
        return fields, f"the XMP packet is damaged ({err})"
    return fields, None
