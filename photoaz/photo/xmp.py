"""Pose fields (Google's GPano schema) and names of tools in an XMP packet, read without following what it points to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from xml.parsers import expat

_GPANO = "http://ns.google.com/photos/1.0/panorama/ "
_RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns# "
_BEARERS = (f"{_RDF}Description", f"{_RDF}li")
_MAX_BYTES = 2_000_000
#: The program that made the file, and those that worked on it since (XMP specification part 2, ISO 16684-1)
_TOOLS = (
    "http://ns.adobe.com/xap/1.0/ CreatorTool",
    "http://ns.adobe.com/xap/1.0/sType/ResourceEvent# softwareAgent",
)
_WORDS = (_GPANO.encode().strip(), b"CreatorTool", b"softwareAgent")


class _RefusedError(Exception):
    """A document type declaration: entities could be hidden in it, and no honest packet has one."""


@dataclass(frozen=True, slots=True)
class Packet:
    """What is of use in an XMP packet. pose: GPano's fields by name; tools: programs, each once, as met.

    trouble: what went wrong with reading it, None where nothing did; what was read before damage is kept.
    """

    pose: Mapping[str, str] = field(default_factory=dict)
    tools: tuple[str, ...] = ()
    trouble: str | None = None


def read_xmp(packet: bytes) -> Packet:
    """Pose and tools of an XMP packet, from attributes and elements.

    A packet with a document type declaration is refused whole, so no entity, internal or external, is ever expanded.
    Attributes count on rdf:Description and rdf:li alone, where properties can stand.
    """
    pose: dict[str, str] = {}
    tools: dict[str, None] = {}
    text: list[str] = []
    inside: list[str] = []

    def take(name: str, value: str) -> None:
        if name.startswith(_GPANO):
            pose.setdefault(name.removeprefix(_GPANO), value)
        elif name in _TOOLS and value:
            tools.setdefault(value)

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

    def doctype(*_: object) -> None:
        raise _RefusedError

    utf16 = b"\x00<" in packet[:64] or b"<\x00" in packet[:64]  # hides the names; rare enough to be parsed just in case
    if not utf16 and not any(word in packet for word in _WORDS):
        return Packet()
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.StartElementHandler = begin
    parser.EndElementHandler = end
    parser.CharacterDataHandler = text.append
    parser.StartDoctypeDeclHandler = doctype
    trouble = None
    start = 0 if utf16 else max(packet.find(b"<"), 0)
    try:
        parser.Parse(packet[start:][:_MAX_BYTES].rstrip(b"\x00 \r\n\t"), True)
    except _RefusedError:
        return Packet(trouble="the XMP packet has a document type declaration and was not read")
    except (expat.ExpatError, ValueError, UnicodeError) as err:
        trouble = f"the XMP packet is damaged ({err})"
    return Packet(pose, tuple(tools), trouble)
