"""Records as plain values for JSON, rounded by their names, and back."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from functools import cache
from typing import Any, get_args

from photoaz.result.by_id import ById
from photoaz.result.verdicts import Impact

#: figures between 0 and 1 and sums of squares: four significant digits
_SIGNIFICANT = frozenset({"quality", "no_fault", "chi2", "p", "deg2", "weight_estimate", "cause_odds"})
_SIGNIFICANT |= {"consumer_risk", "producer_risk", "w"}
#: azimuths, which are 0 and not 360 when rounded up to it
_AZIMUTHS = ("azimuth_true_deg", "heading_true_deg", "designed_deg", "corrected_deg")
_DECIMALS = {"en": 6, "zeta": 6, "lat_deg": 7, "lon_deg": 7, "cost": 2, "loss_avoided": 2}
_DECIMALS |= {"site_lat_deg": 7, "site_lon_deg": 7, "reading_en": 6, "downtilt_reading_en": 6}
_DECIMALS |= {"expected_loss_now": 2, "expected_loss_after": 2, "pixel": 2, "risk": 12}
#: decibels, degrees, metres; decibels need three, because pages show one: rounded from two it could be another one
_USUAL = 3


def plain(value: Any, name: str = "") -> Any:
    """A frozen record of the results, or of a plan, as JSON has it: mappings, lists, text and rounded numbers.

    name : of the field that it is the value of, which says how it is rounded. Raises TypeError for what JSON lacks.
    """
    if isinstance(value, float):
        return _rounded(value, name)
    if value is None or isinstance(value, (str, int)):
        return value
    if is_dataclass(value):
        out = {f.name.removesuffix("_"): plain(getattr(value, f.name), f.name) for f in fields(value)}
        if "impact_db" in out and out["impact_db"] is None:
            out["impact_db"] = {"boresight": None, "edge": None}
        return out
    if isinstance(value, Mapping):
        return {str(k): plain(v, name) for k, v in value.items()}
    if isinstance(value, (date, datetime)):
        return value.isoformat()
    if isinstance(value, Sequence):
        return [plain(v, name) for v in value]
    raise TypeError(f"{name}: no JSON of a {type(value).__name__}")


def _rounded(value: float, name: str) -> float | None:
    if not math.isfinite(value):
        return None
    if name in _SIGNIFICANT or name.startswith(("p_", "reading_p_")) or name.endswith(("probability", "share")):
        return float(f"{value:.4g}")
    decimals = 2 if name.endswith("_px") else _DECIMALS.get(name, _USUAL)
    rounded = round(float(value), decimals) + 0.0  # no -0.0
    return rounded % 360.0 if name.endswith(_AZIMUTHS) else rounded


def _reserved(kind: Any) -> tuple[str, ...]:
    """Fields of a record whose JSON names Python reserves."""
    return tuple(f.name for f in fields(kind) if f.name.endswith("_")) if is_dataclass(kind) else ()


@cache
def _reader() -> Any:
    from cattrs.gen import make_dict_structure_fn, override
    from cattrs.preconf.json import make_converter

    converter = make_converter()

    def _renamed(kind: Any) -> Any:
        names: dict[str, Any] = {name: override(rename=name.removesuffix("_")) for name in _reserved(kind)}
        return make_dict_structure_fn(kind, converter, **names)

    converter.register_structure_hook_factory(lambda t: bool(_reserved(t)), _renamed)
    converter.register_structure_hook_func(
        lambda t: getattr(t, "__origin__", None) is ById,
        lambda values, t: ById(converter.structure(v, get_args(t)[0]) for v in values),
    )
    impact = converter.get_structure_hook(Impact)
    converter.register_structure_hook_func(
        lambda t: t == (Impact | None),
        lambda value, _t: None if value is None or value.get("boresight") is None else impact(value, Impact),
    )
    return converter


def read_records(values: Any, of: Any) -> Any:
    """Plain values as `plain` gives them, read back into records. of: their type, such as `tuple[Turn, ...]`.

    Raises ValueError, with the places, where they are none.
    """
    from cattrs import transform_error

    try:
        return _reader().structure(values, of)
    except Exception as e:  # cattrs has a kind for each
        raise ValueError("; ".join(transform_error(e, path="it"))) from e
