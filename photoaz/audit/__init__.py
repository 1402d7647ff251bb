"""Archives: listing, doubts, copies, places, the store, workers. Called, it audits: see `photoaz.api.audit`."""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import Any


class _AuditPackage(ModuleType):
    """`photoaz.audit(...)` is a public function, and this package has its name: so the package answers for it."""

    def __call__(self, *args: Any, **options: Any) -> Any:
        return import_module("photoaz.api").audit(*args, **options)


sys.modules[__name__].__class__ = _AuditPackage
