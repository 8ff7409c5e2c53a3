"""The pages: one module a user task, its template beside it by the same name.

A module with a ``router`` is served without being named anywhere else.
"""

import importlib
import pkgutil

from fastapi import APIRouter


def routers() -> list[APIRouter]:
    """Return the router of every page module, by module name."""
    modules = sorted(m.name for m in pkgutil.iter_modules(__path__))
    loaded = [importlib.import_module(f"{__name__}.{name}") for name in modules]
    return [m.router for m in loaded if hasattr(m, "router")]
