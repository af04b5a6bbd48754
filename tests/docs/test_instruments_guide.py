"""The guide to instruments: its descriptions load, and its list of keys is that of the schema."""

import re
from pathlib import Path

import pytest

from instruments import certificate
from instruments.benchmodel import BenchFile
from instruments.description import Description
from instruments.yamlfile import parse

GUIDE = Path(__file__).parents[2] / "instruments" / "README.md"
TEXT = GUIDE.read_text(encoding="utf-8")
BLOCKS = re.findall(r"```yaml\n(.*?)```", TEXT, re.DOTALL)


@pytest.mark.parametrize("block", BLOCKS, ids=[each.split("(")[0].split(":")[1].strip() for each in BLOCKS])
def test_each_description_loads(block):
    found = parse(block, GUIDE).into(Description)
    assert Description.model_validate_json(found.model_dump_json(by_alias=True)) == found


def groups():
    """Each group of keys by its name, in the order of the schema, with the model's own first."""
    schema = Description.model_json_schema(by_alias=True)
    yield "description", schema
    yield from sorted(schema["$defs"].items())


def example(value):
    if isinstance(value, list):
        return "[" + ", ".join(map(example, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key}: {example(each)}" for key, each in value.items()) + "}"
    return str(value)


def key_of(name):
    """The key that a group of keys stands at."""
    if name == "description":
        return name
    places = (spec for _, group in groups() for spec in group["properties"].items())
    return next(key for key, spec in places if f"#/$defs/{name}'" in str(spec))


def lines():
    for name, group in groups():
        yield f"### {key_of(name)}\n\n{group['description'].splitlines()[0]}\n"
        for key, spec in group["properties"].items():
            yield f"- `{key}`: {spec['description']}, such as `{example(spec['examples'][0])}`"
        yield ""


@pytest.mark.parametrize("model", [Description, BenchFile])
def test_every_key_has_a_description_and_an_example(model):
    schema = model.model_json_schema(by_alias=True)
    # What is certified of an instrument has a guide and a schema of its own.
    own = [schema, *(each for name, each in schema["$defs"].items() if not hasattr(certificate, name))]
    assert len(own) > 5
    bare = [
        key
        for group in own
        for key, spec in group.get("properties", {}).items()
        if not (spec.get("description") and spec.get("examples"))
    ]
    assert bare == []


def test_the_keys_of_the_guide_are_those_of_the_schema():
    assert TEXT[TEXT.index("### description") :].split() == "\n".join(lines()).split()


def test_the_examples_of_patterns_and_commands_are_what_the_schema_takes():
    function = {"sets": "mA", "set": "S {level}", "ranges": [{"range": "0 .. 20 mA"}], "off": "O0"}
    for name, group in groups():
        if name not in {"OutputQuery", "ErrorQuery", "Stable"}:
            continue
        given = {key: spec["examples"][0] for key, spec in group["properties"].items()}
        key = {"OutputQuery": "output query", "Stable": "stable"}.get(name)
        document = {"instrument": "x", "functions": {"f": function | ({key: given} if key else {})}}
        Description.model_validate(document | ({} if key else {"error query": given}))
