"""Tags and the findings about them, while one photo is being read."""

from __future__ import annotations

import math
import re

from PIL.ExifTags import GPS, Base

from photoaz.photo.exif import Tags, Value, value_of
from photoaz.photo.record import Finding, Severity


class Reader:
    """Gives tags' values out and gathers what there is to say about them. Tags are named as the Exif standard does."""

    def __init__(self, tags: Tags) -> None:
        self.tags = tags
        self.findings: list[Finding] = []

    def say(self, code: str, severity: Severity, tag: str, message: str, cost_deg: float | None = None) -> None:
        """Add a finding."""
        self.findings.append(Finding(code=code, severity=severity, tag=tag, message=message, cost_deg=cost_deg))

    def value(self, tag: Base | GPS) -> Value | None:
        """A tag's values as they are; None where it is missing or empty."""
        return value_of(self.tags, tag) or None

    def text(self, tag: Base | GPS) -> str | None:
        """A tag's text, from codes too; None where there is none."""
        value = self.value(tag)
        if value is None or isinstance(value, str):
            return value.strip("\x00 ") or None if value else None
        codes = [int(v) for v in value if math.isfinite(v) and 0 < v < 256]
        return bytes(codes).decode("latin-1").strip() or None

    def number(
        self, tag: Base | GPS, code: str, low: float = -math.inf, high: float = math.inf, unit: str = ""
    ) -> float | None:
        """One finite number from `low` to `high`.

        None, with a finding `<code>-not-a-number` or `<code>-out-of-range`, where something else is there.
        """
        value = self.value(tag)
        if value is None:
            return None
        number = number_in_text(value) if isinstance(value, str) else value[0]
        if number is None or not math.isfinite(number):
            text = f"the text '{value[:40]}', not a number" if isinstance(value, str) else ""
            held = text or "no number (denominator zero)"
            self.say(f"{code}-not-a-number", "unusable", tag.name, f"{tag.name} holds {held}.")
            return None
        if isinstance(value, str):
            said = f"{tag.name} is written as text ('{value}'); it was understood."
            self.say(f"{code}-as-text", "info", tag.name, said)
        if not low <= number <= high:
            said = f"{tag.name} is {number:.6g}{unit}, not {low:g} to {high:g}; it is not used."
            self.say(f"{code}-out-of-range", "unusable", tag.name, said)
            return None
        return number


def number_in_text(text: str) -> float | None:
    """A plain decimal number, with point or comma; None for any other text."""
    match = re.fullmatch(r"[+\-]?\d{1,12}(?:[.,]\d{1,12})?", text.strip())
    return float(match[0].replace(",", ".")) if match else None
