"""A type sheet of no more than its ranges and its tolerance, for a unit that has none."""

from pathlib import Path

from instruments.yamlfile import Document
from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["stated_type"]


def stated_type(*, input: str, output: str, tolerance: str) -> TypeSheet:  # noqa: A002  as the keys of a type sheet
    """The sheet of a linear unit.

    Args:
        input: range of the input, "0 .. 60 Hz".
        output: range of the output, "4 .. 20 mA".
        tolerance: "0.5 % of span".

    Raises:
        InputError: with the option that is at fault.

    Example:
        >>> sheet = sequencer.stated_type(input="0 .. 60 Hz", output="4 .. 20 mA", tolerance="0.5 % of span")
        >>> sheet.datasheet().taps[-1].span
        16.0
    """
    content: dict[str, object] = {
        "type": f"{input} to {output}",
        "input": {"range": input},
        "output": {"range": output},
        "tolerance": tolerance,
    }
    options: dict[tuple[int | str, ...], str] = {(key,): f"--{key}" for key in content if key != "type"}
    return Document(path=Path("the options"), text="", content=content, places={}, elsewhere=options).into(TypeSheet)
