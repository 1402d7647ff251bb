"""Pose fields (Google's GPano schema) and names of tools in an XMP packet, read without following what it points to."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from xml.parsers import expat

GPANO = "http://ns.google.com/photos/1.0/panorama/"
_RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns# "
_BEARERS = (f"{_RDF}Description", f"{_RDF}li")
_MAX_BYTES = 2_000_000
#: The program that made the file, and those that worked on it since (XMP specification part 2, ISO 16684-1)
_CREATOR_TOOL = "http://ns.adobe.com/xap/1.0/ CreatorTool"
_SOFTWARE_AGENT = "http://ns.adobe.com/xap/1.0/sType/ResourceEvent# softwareAgent"


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

    def take(name: str, value: str) -> None:
        if name.startswith(GPANO + " "):
            fields.setdefault(name.rpartition(" ")[2], value)

    return fields, _parse(packet[start:], take)


def tools(packet: bytes) -> tuple[str, ...]:
    """Programs that the packet says made the file or worked on it, each once, as met; damage ends the list."""
    found: list[str] = []

    def take(name: str, value: str) -> None:
        if name in (_CREATOR_TOOL, _SOFTWARE_AGENT) and value and value not in found:
            found.append(value)

    if b"CreatorTool" in packet or b"softwareAgent" in packet:
        _parse(packet[max(packet.find(b"<"), 0) :], take)
    return tuple(found)


def _parse(packet: bytes, take: Callable[[str, str], None]) -> str | None:
    """Hand every attribute and every element of text alone to `take` (name, value); what went wrong, or None.

    Names are 'namespace name'. Attributes count on rdf:Description and rdf:li alone, where properties can stand.
    """
    text: list[str] = []
    inside: list[str] = []

    def begin(name: str, attributes: dict[str, str]) -> None:
        if name in _BEARERS:
            for key, value in attributes.items():
                take(key, value.strip())
        inside.append(name)
        text.clear()

    def end(name: str) -> None:
        if inside and inside.pop() == name and text:
            take(name, "".join(text).strip())
        text.clear()

    def characters(data: str) -> None:
        text.append(data)

    def doctype(*_: object) -> None:
        raise _RefusedError

    parser = expat.ParserCreate(namespace_separator=" ")
    parser.StartElementHandler = begin
    parser.EndElementHandler = end
    parser.CharacterDataHandler = characters
    parser.StartDoctypeDeclHandler = doctype
    try:
        parser.Parse(packet[:_MAX_BYTES].rstrip(b"\x00 \r\n\t"), True)
    except _RefusedError:
        return "the XMP packet has a document type declaration and was not read"
    except (expat.ExpatError, ValueError, UnicodeError) as err:
        return f"the XMP packet is damaged ({err})"
    return None
