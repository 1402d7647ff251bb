"""Tags and the findings about them, while one photo is being read."""

from __future__ import annotations

import functools
import math
import re
import tomllib
from collections.abc import Mapping
from importlib import resources
from typing import Any

from PIL.ExifTags import GPS, Base

from photoaz.photo.exif import Tags, Value, value_of
from photoaz.photo.record import Finding, Severity


@functools.cache
def _findings() -> Mapping[str, Mapping[str, Any]]:
    return tomllib.loads((resources.files("photoaz.photo") / "findings.toml").read_text(encoding="utf-8"))


class Reader:
    """Gives tags' values out and gathers what there is to say about them. Tags are named as the Exif standard does."""

    def __init__(self, tags: Tags) -> None:
        self.tags = tags
        self.findings: list[Finding] = []

    def say(
        self,
        words: str,
        *,
        code: str | None = None,
        severity: Severity | None = None,
        tag: str | None = None,
        cost_deg: float | None = None,
        **told: Any,
    ) -> None:
        """Add a finding. words: its name in `findings.toml`, which has whatever is not given; told: put into them."""
        known = _findings()[words]
        tag = tag or known["tag"]
        finding = Finding(
            code=code or known.get("code", words),
            severity=severity or known["severity"],
            tag=tag,
            message=known["says"].format(tag=tag, **told),
            cost_deg=cost_deg,
        )
        self.findings.append(finding)

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
            words, text = ("text-not-a-number", value[:40]) if isinstance(value, str) else ("not-a-number", "")
            self.say(words, code=f"{code}-not-a-number", tag=tag.name, text=text)
            return None
        if isinstance(value, str):
            self.say("as-text", code=f"{code}-as-text", tag=tag.name, text=value)
        if not low <= number <= high:
            out: dict[str, Any] = {"number": number, "unit": unit, "low": low, "high": high}
            self.say("out-of-range", code=f"{code}-out-of-range", tag=tag.name, **out)
            return None
        return number


def number_in_text(text: str) -> float | None:
    """A plain decimal number, with point or comma; None for any other text."""
    match = re.fullmatch(r"[+\-]?\d{1,12}(?:[.,]\d{1,12})?", text.strip())
    return float(match[0].replace(",", ".")) if match else None
