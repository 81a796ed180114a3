"""leakcheck: find the light that leaves a lit scale model where it should not.

    off = leakcheck.read_photo("heron_off.jpg")
    on = leakcheck.read_photo("heron_on.jpg")
    result = leakcheck.check(off, on)
    print(result.tight, len(result.leaks))

Each name below is loaded when it is first used: `leakcheck --help` must not wait for OpenCV.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from leakcheck.check import Check, ExposureMatch, Faintest, Limit, PhotoFacts, check
    from leakcheck.diagnose import Leak
    from leakcheck.errors import LeakcheckError
    from leakcheck.openings import Opening, Openings, read_openings
    from leakcheck.photo import Exposure, Photo, read_photo
    from leakcheck.register import Registration, register
    from leakcheck.settings import Settings

__version__ = "0.1.0"

__all__ = [
    "Check",
    "Exposure",
    "ExposureMatch",
    "Faintest",
    "Leak",
    "LeakcheckError",
    "Limit",
    "Opening",
    "Openings",
    "Photo",
    "PhotoFacts",
    "Registration",
    "Settings",
    "__version__",
    "check",
    "read_openings",
    "read_photo",
    "register",
]

_MODULE_OF = {
    "Check": "check",
    "Exposure": "photo",
    "ExposureMatch": "check",
    "Faintest": "check",
    "Leak": "diagnose",
    "LeakcheckError": "errors",
    "Limit": "check",
    "Opening": "openings",
    "Openings": "openings",
    "Photo": "photo",
    "PhotoFacts": "check",
    "Registration": "register",
    "Settings": "settings",
    "check": "check",
    "read_openings": "openings",
    "read_photo": "photo",
    "register": "register",
}


def __getattr__(name: str) -> Any:
    """Load the module that a public name lives in, at its first use."""
    if name not in _MODULE_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f"{__name__}.{_MODULE_OF[name]}"), name)
    setattr(sys.modules[__name__], name, value)
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})


class _Package(ModuleType):
    """Keeps `leakcheck.check` the function, although a submodule has the same name.

    Python sets an attribute of the package to each submodule that it has loaded. For `check`
    and `register` that would hide the function, or not, by the order of the imports.
    """

    def __setattr__(self, name: str, value: object) -> None:
        if isinstance(value, ModuleType) and _MODULE_OF.get(name) == name:
            value = getattr(value, name, value)
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
