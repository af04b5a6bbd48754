"""The libraries that only documents need, which an installed livezero may lack."""

import importlib
from types import ModuleType

from instruments.errors import InputError

__all__ = ["needed"]


def needed(name: str, *, what: str) -> ModuleType:
    """A library of the extra `documents`; raises InputError with how to install it."""
    try:
        return importlib.import_module(name)
    except ImportError as error:
        raise InputError(
            f'{what} needs the package "{name}", which is not installed',
            todo='python -m pip install "livezero[documents]"',
        ) from error
