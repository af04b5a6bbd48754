"""Which words of which standard each figure follows, chosen by the standard's name. In own words, from memory."""

from typing import Literal, TypeAlias

__all__ = ["Standard", "definition"]

Standard: TypeAlias = Literal["IEC 61298-2:2008", "ISA-51.1-1979"]

_AVERAGE = "average curve (mean of mean upscale and mean downscale error)"
_SHARED = {
    "measured error": "largest of the mean upscale and the mean downscale errors, with its sign",
    "inaccuracy": "largest positive and largest negative error of any single reading",
    "non-repeatability": "largest spread between cycles at one input from one direction",
    "non-linearity, independent": f"{_AVERAGE} against the line that makes its largest deviation smallest",
    "non-linearity, terminal-based": f"{_AVERAGE} against the line through its two end points",
    "non-linearity, zero-based": (
        f"{_AVERAGE} against the line through its lower end point that makes the largest deviation smallest"
    ),
    "zero error": f"{_AVERAGE} at the lower end",
    "span error": f"{_AVERAGE} at the upper end less at the lower end",
}
_OF_STANDARD: dict[Standard, dict[str, str]] = {
    "IEC 61298-2:2008": {
        "hysteresis": "largest difference of downscale and upscale error at one input in one cycle, dead band included",
    },
    "ISA-51.1-1979": {
        "hysteresis": (
            "largest difference of downscale and upscale error at one input in one cycle, less the dead band there"
        ),
    },
}


def definition(figure: str, standard: Standard) -> str:
    """The definition of a figure, with the standard it is taken from.

    Args:
        figure: its name, such as "hysteresis".
        standard: name with edition.
    """
    return f"{standard} (from memory): {(_SHARED | _OF_STANDARD[standard])[figure]}"
