"""Tags and the findings about them, while one photo is being read."""

from __future__ import annotations

import math
import re
from typing import Literal

from photoaz.photo.exif import Tags, Value
from photoaz.photo.record import Finding

Severity = Literal["info", "weak", "unusable"]


class Reader:
    """Tags and the findings about them, while one photo is being read."""

    def __init__(self, tags: Tags) -> None:
        self.tags = tags
        self.findings: list[Finding] = []

    def say(self, code: str, severity: Severity, tag: str, message: str, cost_deg: float | None = None) -> None:
        self.findings.append(Finding(code=code, severity=severity, tag=tag, message=message, cost_deg=cost_deg))

    def has(self, group: str, tag: int) -> bool:
        value = self.tags.get((group, tag))
        return value is not None and len(value) > 0

    def text(self, group: str, tag: int) -> str | None:
        value = self.tags.get((group, tag))
        if value is None:
            return None
        if isinstance(value, str):
            return value.strip("\x00 ") or None
        codes = [int(v) for v in value if math.isfinite(v) and 0 < v < 256]
        return bytes(codes).decode("latin-1").strip() or None

    def number(self, group: str, tag: int, name: str, code: str) -> float | None:
        """One finite number, or None with a finding `<code>-not-a-number` where something else is there."""
        value = self.tags.get((group, tag))
        if value is None or len(value) == 0:
            return None
        if isinstance(value, str):
            number = number_in_text(value)
            if number is not None:
                self.say(f"{code}-as-text", "info", name, f"{name} is written as text ('{value}'); it was understood.")
                return number
            self.say(f"{code}-not-a-number", "unusable", name, f"{name} holds the text '{value[:40]}', not a number.")
            return None
        if not math.isfinite(value[0]):
            self.say(
                f"{code}-not-a-number", "unusable", name, f"{name} holds no number (a fraction with denominator zero)."
            )
            return None
        return value[0]


def first_number(value: Value | None) -> float | None:
    """The first of a tag's numbers; None where it holds text, nothing, or no finite number."""
    if not value or isinstance(value, str) or not math.isfinite(value[0]):
        return None
    return value[0]


def number_in_text(text: str) -> float | None:
    """A plain decimal number, with point or comma; None for any other text."""
    match = re.fullmatch(r"[+\-]?\d{1,12}(?:[.,]\d{1,12})?", text.strip())
    return float(match[0].replace(",", ".")) if match else None
