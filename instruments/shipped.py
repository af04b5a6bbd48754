"""Where the files that come with livezero lie: at the top of a checkout, or beside the code of an installed wheel."""

from pathlib import Path

__all__ = ["shipped"]

_HERE = Path(__file__).resolve().parent


def shipped(folder: str, *parts: str) -> Path:
    """Path below the shipped folder `sequences` or `shared`; it need not exist.

    Args:
        folder: "sequences" or "shared".
        parts: names below it.
    """
    installed = _HERE / "_shipped" / folder
    top = installed if installed.is_dir() else _HERE.parent / folder
    return top.joinpath(*parts)
