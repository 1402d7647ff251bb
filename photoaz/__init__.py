"""A second opinion on antenna azimuths from geotagged ground photos.

The names below are the public interface; what they need is imported when it is first asked for.

Examples
--------
>>> import photoaz
>>> sample = photoaz.sample_dir()  # photos and tables of an invented site
>>> site = photoaz.load_register(sample / "register.csv").site("QLB-014")
>>> result = photoaz.solve(site, sorted(sample.glob("*.jpg")), controls=sample / "controls.csv")
>>> antenna = result.antennas["QLB-014-A1"]
>>> print(f"{antenna.azimuth_true_deg:.0f}° ± {antenna.u95_deg:.0f}°", antenna.reading.agrees, antenna.budget[0].source)
23° ± 2° True edges in the photo
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from photoaz.api import audit, inspect, load_register, plan, solve
    from photoaz.present.notebook import site_html
    from photoaz.result import SiteResult
    from photoaz.sample import sample_dir

__all__ = ["SiteResult", "audit", "inspect", "load_register", "plan", "sample_dir", "site_html", "solve"]

_HOME = {"SiteResult": "photoaz.result", "sample_dir": "photoaz.sample", "site_html": "photoaz.present.notebook"}


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'photoaz' has no attribute '{name}'")
    if name == "audit":
        return import_module("photoaz.audit")  # the package, which can be called
    return getattr(import_module(_HOME.get(name, "photoaz.api")), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
