"""Whatever stands in a file: a document or an InputError, never a traceback."""

import contextlib
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from instruments.benchmodel import BenchFile
from instruments.description import Description
from instruments.errors import InputError
from instruments.yamlfile import parse, read

HERE = Path("any.yaml")
SCRAPS = st.lists(
    st.sampled_from(
        [
            "a",
            "b",
            ":",
            ": ",
            "- ",
            "\n",
            "\n  ",
            "[",
            "]",
            "{",
            "}",
            ",",
            "'",
            '"',
            "&x",
            "*x",
            "!!",
            "|",
            ">",
            "#",
            "? ",
            "---",
            "%",
            "\t",
            "\r",
            "4 .. 20 mA",
            "1",
            "@",
            "`",
            "<<",
            "\\x",
            "\ufeff",
            "\x85",
            "\u2028",
            "é",
        ]
    ),
    max_size=30,
).map("".join)
KEYS = st.sampled_from(
    [
        "instrument",
        "kind",
        "functions",
        "current",
        "sets",
        "reads",
        "ranges",
        "range",
        "select",
        "set",
        "query",
        "serial",
        "bench",
        "instruments",
        "taps",
        "set by",
        "read by",
        "limits",
        "safe level",
        "simulation",
        "faults",
        "timeout",
        "x",
    ]
)
VALUES = st.recursive(
    st.sampled_from(["", "mA", "rpm", "0 .. 1 mA", "5 s", "remote", "keyed", "{level}", "{", "x", "1", "-1", "nan"]),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(KEYS, inner, max_size=4)),
    max_leaves=12,
)


def written(value, indent=0):
    """A value as YAML in block style."""
    if isinstance(value, dict) and value:
        return "".join(f"\n{' ' * indent}{key}: {written(each, indent + 2)}" for key, each in value.items())
    if isinstance(value, list) and value:
        return "".join(f"\n{' ' * indent}- {written(each, indent + 2)}" for each in value)
    return {"{}": "{}", "[]": "[]"}.get(str(value), f'"{value}"')


def fault_of(text, model):
    try:
        parse(text, HERE).into(model)
    except InputError as error:
        return error
    return None


@settings(deadline=2000)
@given(text=st.one_of(st.text(), st.text(st.characters()), SCRAPS))
def test_any_text_is_a_document_or_an_input_error(text):
    with contextlib.suppress(InputError):
        document = parse(text, HERE)
        assert all(line >= 1 and column >= 1 for line, column in document.places.values())


@settings(deadline=2000)
@given(text=st.one_of(SCRAPS, VALUES.map(written)))
def test_any_document_is_a_model_or_an_input_error_with_a_place(text):
    for model in (Description, BenchFile):
        error = fault_of(text, model)
        if error is not None:
            assert error.where.startswith("any.yaml")
            assert all(line.isprintable() for line in error.lines)


@settings(deadline=2000)
@given(raw=st.binary(max_size=200))
def test_any_bytes_are_a_document_or_an_input_error(tmp_path_factory, raw):
    path = tmp_path_factory.mktemp("any") / "any.yaml"
    path.write_bytes(raw)
    with contextlib.suppress(InputError):
        read(path)
