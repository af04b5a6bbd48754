"""YAML as text data: each fault with its place, all at once, and nothing in a file that acts."""

import time
from pathlib import Path

import pytest
from pydantic import Field

from instruments.errors import InputError, nearest
from instruments.fields import DurationField, FractionField, LevelField, SpanField, ToleranceField
from instruments.filemodel import FileModel
from instruments.units import magnitude
from instruments.yamlfile import load, parse, read


class Part(FileModel):
    name: str
    size: LevelField | None = None


class Sheet(FileModel):
    type: str
    output_range: SpanField
    time_constant: DurationField = 0.0
    tolerance: ToleranceField | None = None
    damping: FractionField = 0.0
    cycles: int = Field(1, ge=1, le=50)
    is_live: bool = False
    parts: tuple[Part, ...] = ()
    by_name: dict[str, Part] = Field(default_factory=dict)


HERE = Path("sheet.yaml")
GOOD = "type: wort\noutput range: 4 .. 20 mA\n"


def faults_of(text):
    with pytest.raises(InputError, match=r"sheet\.yaml") as caught:
        parse(text, HERE).into(Sheet)
    return [caught.value, *caught.value.others]


def test_a_file_becomes_a_model(tmp_path):
    path = tmp_path / "sheet.yaml"
    path.write_text(GOOD + "time constant: 50 ms\nparts:\n  - {name: a, size: 12 mA}\n", encoding="utf-8")
    sheet = load(path, Sheet)
    assert (sheet.output_range.low, sheet.output_range.high) == (4, 20)
    assert sheet.time_constant == pytest.approx(0.05)
    assert magnitude(sheet.parts[0].size, "A") == pytest.approx(0.012)


def test_a_model_that_is_written_out_reads_the_same_again():
    sheet = parse(GOOD + "tolerance: 0.5 mA + 0.1 % of span\nby name: {x: {name: y, size: 1.5 V}}\n", HERE).into(Sheet)
    assert Sheet.model_validate_json(sheet.model_dump_json(by_alias=True)) == sheet


@pytest.mark.parametrize(
    "word",
    [
        "on",
        "no",
        "yes",
        "off",
        "true",
        "null",
        "~",
        "1:30",
        "010",
        "1e3",
        "0x1F",
        "2026-01-05",
        ".inf",
        "1_000",
        "=",
        "<<",
    ],
)
def test_what_yaml_would_turn_into_something_else_stays_text(word):
    assert parse(f"type: {word}", HERE).content == {"type": word}
    assert parse(f"{word}: 1", HERE).content == {word: "1"}


def test_every_fault_of_a_file_comes_at_once_in_its_order_with_place_and_remedy():
    faults = faults_of(
        "typ: wort\n"  # 1: not a key
        "output range: 4-20\n"  # 2: no unit
        "time constant: 5 mA\n"  # 3: another dimension
        "cycles: 99\n"  # 4: too many
        "parts:\n"
        "  - name: a\n"
        "    size: 12 furlong\n"  # 7
        "  - nam: b\n"  # 8
    )
    assert [fault.where for fault in faults] == [
        "sheet.yaml:1:1",
        "sheet.yaml:2:1",
        "sheet.yaml:3:1",
        "sheet.yaml:4:1",
        "sheet.yaml:7:5",
        "sheet.yaml:8:5",
    ]
    assert [fault.what for fault in faults] == [
        '"typ" is not a key here',
        'output range: range "4-20" has no unit',
        'time constant: "5 mA" is not in s',
        'cycles: "99" cannot stand here',
        'parts.1.size: "furlong" is not a unit',
        '"parts.2.nam" is not a key here',
    ]
    assert faults[0].todo == 'write "type: wort"'  # which would be missing else
    assert faults[1].allowed == 'two numbers and a unit, such as "4 .. 20 mA"'
    assert faults[2].todo == "give it in s"
    assert faults[3].allowed == "less than or equal to 50"
    assert faults[5].todo == 'write "name: b"'


@pytest.mark.parametrize(
    ("line", "what", "allowed"),
    [
        ("cycles: two", 'cycles: "two" cannot stand here', "a whole number"),
        ("is live: perhaps", 'is live: "perhaps" cannot stand here', "true or false"),
        ("time constant: [1 s]", "time constant: a list or a group of keys where one value belongs", ""),
        ("time constant:", 'time constant: "" is not a number with a unit', 'such as "12 s"'),
        ("time constant: -1 s", 'time constant: "-1 s" is a negative time', "zero or more"),
        ("parts: here", 'parts: "here" cannot stand here', 'a list, each item after "- "'),
        ("parts: [here]", 'parts.1: "here" cannot stand here', 'a group of keys, each as "key: value": name, size'),
        ("by name: []", "by name: a list cannot stand here", 'a group of keys, each as "key: value"'),
        ("by name: {x: {name: a: b}}", None, None),
        ("tolerance: 0.2 %", 'tolerance: "0.2 %" does not say of what', None),
        ("damping: 3 mA", 'damping: "3 mA" is not in %', None),
    ],
)
def test_a_wrong_value_is_told_in_words_of_the_file(line, what, allowed):
    faults = faults_of(GOOD + line + "\n")
    assert len(faults) == 1
    assert faults[0].where.startswith("sheet.yaml:3:")
    if what is not None:
        assert faults[0].what == what
    if allowed is not None:
        assert faults[0].allowed == allowed


def test_text_where_a_group_belongs_at_the_top_is_told_without_words_of_the_program():
    faults = faults_of("just text")
    assert faults[0].what == '"just text" cannot stand here'
    assert faults[0].allowed.startswith('a group of keys, each as "key: value": by name, cycles')


@pytest.mark.parametrize(
    ("text", "what", "where"),
    [
        ("a: 1\nb: 2\na: 3\n", '"a" is given twice', "3:1"),
        ("a:\n\tb: 1\n", "is not YAML", "2:1"),
        ("a: &x 1\nb: *x\n", "anchors and aliases are not used here", "1:4"),
        ("a: !!python/object/apply:os.system ['true']\n", "tags are not used here", "1:4"),
        ("a: !!str 1\n", "tags are not used here", "1:4"),
        ("? [a]\n: 1\n", "a key must be a word", "1:3"),
        ("a: 1\n---\nb: 2\n", "is not YAML", "2:1"),
        ("a: 'open\n", "is not YAML", "2:1"),
        ("a: b: c\n", "is not YAML", "1:5"),
        ("a: 1\nb: \x07\n", r'holds the control character "\\x07"', "2:4"),
        ("a: \ud800\n", "holds the control character", "1:4"),
        ("[" * 40 + "]" * 40, "is nested too deeply", "1:25"),
        ("- " * 40 + "a", "is nested too deeply", "1:49"),
    ],
    ids=[
        "duplicate key",
        "tab",
        "alias",
        "object",
        "tag",
        "list as key",
        "two documents",
        "open quote",
        "two colons",
        "bell",
        "surrogate",
        "flow nesting",
        "block nesting",
    ],
)
def test_what_a_file_of_data_does_not_need_is_refused_where_it_stands(text, what, where):
    with pytest.raises(InputError, match=what) as caught:
        parse(text, HERE)
    assert caught.value.where == f"sheet.yaml:{where}"


@pytest.mark.parametrize("text", ["", "# nothing\n", "\n\n"])
def test_an_empty_file_says_so(text):
    with pytest.raises(InputError, match="is empty"):
        parse(text, HERE)


def test_an_alias_bomb_does_not_grow():
    bomb = "a: &a [x]\n" + "".join(
        f"{b}: &{b} [*{a}, *{a}, *{a}]\n" for a, b in zip("abcdefgh", "bcdefghi", strict=True)
    )
    with pytest.raises(InputError, match="anchors and aliases are not used here"):
        parse(bomb, HERE)


@pytest.mark.parametrize(
    ("raw", "first"),
    [
        (b"\xef\xbb\xbftype: a\n", (1, 1)),  # byte order mark of an editor
        (b"type: a\r\n", (1, 1)),
        (b"\r\n\r\ntype: a\r\n", (3, 1)),
        (b"\rtype: a\r", (2, 1)),
    ],
)
def test_line_ends_and_byte_order_mark_of_any_editor_are_taken(tmp_path, raw, first):
    path = tmp_path / "sheet.yaml"
    path.write_bytes(raw)
    document = read(path)
    assert document.content == {"type": "a"}
    assert document.places["type",] == first


@pytest.mark.parametrize(
    ("raw", "what"),
    [
        (b"type: caf\xe9\n", "is not UTF-8 text"),
        (b"\x00\x01\x02", "control character"),
        ("type: a".encode("utf-16"), "is not UTF-8 text"),
        (b"a: " + b"b" * 1_100_000, "is too large"),
        (("a: " + "é" * 600_000).encode(), "is too large"),
    ],
    ids=["latin-1", "binary", "utf-16", "huge", "huge, cut through a letter"],
)
def test_a_file_that_is_no_yaml_text_is_refused(tmp_path, raw, what):
    path = tmp_path / "sheet.yaml"
    path.write_bytes(raw)
    with pytest.raises(InputError, match=what):
        read(path)


@pytest.mark.parametrize("name", ["absent.yaml", "", "x" * 5000, "a\x00b"], ids=["absent", "folder", "long", "NUL"])
def test_what_cannot_be_read_is_an_input_error(tmp_path, name):
    with pytest.raises(InputError, match=r"cannot be read|is not the name of a file"):
        read(tmp_path / name)


def test_a_file_of_the_largest_size_is_read_in_bounded_time():
    begin_s = time.perf_counter()
    parse("".join(f"k{number}: v\n" for number in range(40_000)), HERE)
    assert time.perf_counter() - begin_s < 10


def test_a_place_inside_what_is_not_there_is_the_nearest_around_it():
    document = parse("a:\n  b: 1\n", HERE)
    assert document.where("a", "b") == "sheet.yaml:2:3"
    assert document.where("a", "c", 3) == "sheet.yaml:1:1"
    assert document.where("z") == "sheet.yaml:1:1"


@pytest.mark.parametrize(
    ("word", "guess"),
    [
        ("output_range", "output range"),
        ("Output-Range", "output range"),
        ("TYPE", "type"),
        ("outputrang", "output range"),
        ("xyz", ""),
        ("o" * 1_000_000, ""),
    ],
    ids=["underscore", "hyphen", "capitals", "slip", "nothing near", "huge"],
)
def test_the_nearest_right_spelling_is_offered(word, guess):
    assert nearest(word, ["type", "output range"]) == guess


def test_an_error_never_repaints_the_screen_or_floods_it():
    faults = faults_of(GOOD + f'"cycles": "\\e[2J{"9" * 5000}"\n')
    assert all(line.isprintable() and len(line) < 200 for line in faults[0].lines)


def test_wrong_keys_are_looked_up_to_a_bound_and_the_rest_is_counted():
    wrong = "".join(f"ouput range {number}: 1\n" for number in range(5000))
    found = faults_of(GOOD + wrong)
    assert len(found) == 101
    assert found[0].todo == 'write "output range: 1"'
    assert found[-1].what == "and 4900 more errors"
