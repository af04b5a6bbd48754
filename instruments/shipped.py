"""Where the files that come with livezero lie: at the top of a checkout, or beside the code of an installed wheel."""

from pathlib import Path

__all__ = ["guides", "shipped"]

_HERE = Path(__file__).resolve().parent


def shipped(folder: str, *parts: str) -> Path:
    """Path below the shipped folder `sequences`, `shared` or `results`; it need not exist.

    Args:
        folder: "sequences", "shared" or "results".
        parts: names below it.
    """
    installed = _HERE / "_shipped" / folder
    top = installed if installed.is_dir() else _HERE.parent / folder
    return top.joinpath(*parts)


def guides() -> dict[str, Path]:
    """The guides that come along, by what each is about."""
    return {
        "commands, exit status, Python": _HERE.parent / "sequencer" / "README.md",
        "sequences and type sheets": shipped("sequences", "README.md"),
        "instruments and benches": _HERE / "README.md",
        "figures, uncertainty, verdicts": shipped("shared", "README.md"),
        "records, history, reports": shipped("results", "README.md"),
    }
