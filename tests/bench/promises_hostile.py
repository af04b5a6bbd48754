"""Hostile input, as promises that can be counted. Used by bench_promises.py, and by tests/unit/test_texts.py.

The promise: never another exception than one of ours, which says what and where; no file beside the results; no
command that a value broke out of; no text that acts on what shows it. Seeded, so that a loss can be found again.
"""

import contextlib
import csv
import io
import json
import math
import random
import re
import shutil
import time
import traceback
import warnings
import wave
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from functools import partial
from html.parser import HTMLParser
from itertools import product
from pathlib import Path
from typing import Any, TypeAlias, cast

import yaml

import instruments.session
import instruments.visaline
from instruments import scpi
from instruments.benchfile import load_bench
from instruments.commands import render
from instruments.description import DESCRIPTIONS, Description
from instruments.errors import InputError, LivezeroError
from instruments.shipped import shipped
from instruments.texts import as_cell, as_json, from_cell, visible
from instruments.units import quantity, span, terms
from instruments.yamlfile import parse
from sequencer import core
from sequencer.diagnosis.compared import Side
from sequencer.diagnosis.comparison import compare
from sequencer.diagnosis.waveform import as_json as trace_document
from sequencer.inputs.files import load_sequence
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.jobs.interrupted import kept_plan, rest_of
from sequencer.journal.lines import run_lines
from sequencer.journal.writer import Journal, entries
from sequencer.planning.plan import plan
from sequencer.readings.csv_import import from_csv
from sequencer.readings.table import tidy, write_csv
from sequencer.record.digest import sealed_digest
from sequencer.record.layout import ADDENDA, DIGEST, INPUTS, JOURNAL
from sequencer.reports import side_by_side
from sequencer.reports.html import html
from sequencer.reports.json_document import comparison_document
from sequencer.reports.terminal import comparison_text, plan_text, summary, trace_text

Found: TypeAlias = tuple[int, list[str]]

SEED = 1
TEXTS = (
    "<script>alert(1)</script>",
    "\"><img src=x onerror=alert(1)>' onload='x",
    "&lt;b&gt;&amp;",
    "]]></title></style></svg>",
    "{{ 7 * 7 }}{% raw %}",
    "{value.__class__}{0}%s%n${x}",
    "=cmd|' /C calc'!A0",
    "+1+1",
    "@SUM(A1)",
    "-1+2",
    "\t=1+1",
    "\r=1+1",
    '","=1+1',
    "\x1b[2J\x1b]0;title\x07",
    "\x9b31m",
    "all is\rwell",
    "a\b\b\bb",
    "\u202egnp.exe",
    "\u2066\u2069\u200f\u200b\ufeffx",
    "\u2028two\u2029lines\x85",
    "nul\0nul",
    "\udfff\ud800",
    "../../../tmp/x",
    "/etc/passwd",
    "C:\\CON",
    "NUL.txt",
    "CON",
    ". .. ~ $HOME `id` ;rm",
    "x" * 300,
    "\u0301" * 60,
    "OUTP ON;*RST\nOUTP ON",
    "[bold red]x[/]",
    "\U000e0041\U0001f600",
)
NUMBERS = (
    *("nan", "inf", "-inf", "-0", "0", "1e308", "-1e308", "1e400", "1e9999999", "5e-324", "1e-320", "1e-30", "1e30"),
    *("9" * 400, "9" * 5000, "1e9", "1000000000", "-1", "0.1", "1e-12", "٣", "0x10", "1_000", "1,5", ""),
)
_UNITS = ("", " mA", " Hz", " %", " s", " V", " degC", " m**9999999", " m**9**9**9", " mA**-1", " % of span", "\0", ";")
_REPLIES = (
    *("", " ", "\0", "\x1b[2J", "nan", "inf", "-inf", "9.9E37", "9.91E37", "-9.9E37", "1e400", "-0", "5e-324", "1e308"),
    *(
        "1.0,2.0",
        "+4.0E+00;*RST",
        "0x10",
        "٣",
        "\xff\xfe\xb5",
        "4.0\n4.0",
        "A" * 300,
        "4" * 5000,
        '-222,"Data',
        '0,"No',
    ),
)
_HOSTILE = re.compile(
    r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b-\u200f\u202a-\u202e\u2028\u2029\u2060-\u206f\ufeff\ud800-\udfff]"
)


def _broken(attempt: Callable[[], object]) -> str:
    """What came out if it was neither a result nor an error of ours that says something; else ""."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            attempt()
    except LivezeroError as error:
        is_told = error.what and not any(_HOSTILE.search(line) for line in error.lines)
        return "" if is_told else f"an error that says {error.lines}"
    except Exception as error:  # noqa: BLE001  what is counted
        at = traceback.extract_tb(error.__traceback__)[-1]
        return visible(f"{type(error).__name__} in {Path(at.filename).name}:{at.lineno}: {error}"[:200])
    return ""


def _count(cases: Iterable[Callable[[], object]]) -> Found:
    outcomes = [_broken(each) for each in cases]
    return len(outcomes), [f"case {number}: {what}" for number, what in enumerate(outcomes) if what]


RESUMED = {
    "kind": "resumed",
    "date": "2026-03-02T10:00:00+00:00",
    "gap_s": 720.0,
    "cycle": 1,
    "from_point": 1,
    "is_new_simulation": True,
    "operator": "A. Cellarman",
    "torn": "",
    "versions": {},
}


def small(folder: Path, *, serial: str = "GF-104", operator: str = "", captures: bool = False) -> core.RunResult:
    """A short run on the simulated bench, with its record in `folder`."""
    capture = ", {capture: {at: [50 %], readings: 40}}" if captures else ""
    (folder / "s.yaml").write_text(
        f"sequence: short\ntype sheet: {shipped('sequences', 'types', 'pulse-to-current.yaml')}\n"
        f"steps: [{{traverse: {{points: 3, cycles: 1, readings: 2}}}}{capture}]\n",
        encoding="utf-8",
    )
    planned = core.plan(str(folder / "s.yaml"), "simulated")
    return core.run(planned, serial=serial, operator_name=operator, results=folder / "results")


# -- numbers and units -----------------------------------------------------------------------------------------------


def _numbers_and_units(_: Path) -> Found:
    def cases() -> Iterator[Callable[[], object]]:
        for text in (f"{number}{unit}" for number in (*NUMBERS, *TEXTS) for unit in _UNITS):
            yield lambda text=text: quantity(text)
            yield lambda text=text: span(f"{text} .. 20 mA")
            yield lambda text=text: span(f"0 .. {text}")
            yield lambda text=text: terms(text, bases=("span", "reading"))

    return _count(cases())


# -- files of YAML ---------------------------------------------------------------------------------------------------


def _places(content: Any, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    yield at
    items = content.items() if isinstance(content, dict) else enumerate(content) if isinstance(content, list) else ()
    for key, each in items:
        yield from _places(each, (*at, key))


def _changed(content: Any, at: tuple[Any, ...], value: Any) -> Any:
    if not at:
        return value
    copied = content.copy()
    copied[at[0]] = _changed(content[at[0]], at[1:], value)
    return copied


def mutants(text: str, *, tries: int, seed: int) -> Iterator[str]:
    """A YAML file changed at one place each time: a hostile value, key, list, or nesting in place of what stands."""
    # Kept as text, as livezero reads it.
    content = yaml.load(text, Loader=yaml.BaseLoader)
    places = list(_places(content))
    chosen = random.Random(seed)
    units = [unit for unit in _UNITS if unit.isprintable()]
    for _ in range(tries):
        at = chosen.choice(places)
        value: Any = chosen.choice(
            [
                chosen.choice(TEXTS),
                chosen.choice(NUMBERS) + chosen.choice(units),
                f"{chosen.choice(NUMBERS)} .. {chosen.choice(NUMBERS)}{chosen.choice(units)}",
                chosen.choice(NUMBERS),
                [chosen.choice(NUMBERS)] * 3,
                {chosen.choice(TEXTS): chosen.choice(NUMBERS)},
                {},
                [],
                "",
            ]
        )
        with contextlib.suppress(yaml.YAMLError, UnicodeError):
            yield yaml.safe_dump(_changed(content, at, value), sort_keys=False, allow_unicode=chosen.random() < 0.5)


def files(kind: str, tries: int, folder: Path) -> Found:
    """Shipped files of a kind, changed at one place each time, loaded and planned with."""
    folders = {
        "sequence": shipped("sequences"),
        "type": shipped("sequences", "types"),
        "bench": core.BENCHES,
        "instrument": DESCRIPTIONS,
    }
    sources = sorted(folders[kind].glob("*.yaml"))

    def cases() -> Iterator[Callable[[], object]]:
        for number, source in enumerate(sources):
            for text in mutants(source.read_text(encoding="utf-8"), tries=tries // len(sources), seed=SEED + number):
                yield lambda text=text: _use(kind, text, folder)

    return _count(cases())


def _use(kind: str, text: str, folder: Path) -> None:
    """What a user would do with the file: load it, plan with it, look at the plan."""
    path = folder / "made.yaml"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    if kind == "instrument":
        parse(path.read_bytes().decode("utf-8", "replace"), path).into(Description)
        return
    if kind == "bench":
        loaded = load_bench(path)
        for name in ("pulse-to-current", "glycol-pump-loop"):
            with contextlib.suppress(LivezeroError):
                plan_text(plan(core.load(name), loaded))
        return
    if kind == "sequence":
        text_of = path.read_text(encoding="utf-8").replace("type sheet: ", f"type sheet: {shipped('sequences')}/", 1)
        path.write_text(text_of, encoding="utf-8")
        found = load_sequence(str(path))
    else:
        sheet = parse(path.read_text(encoding="utf-8"), path).into(TypeSheet)
        found = replace(core.load("pulse-to-current"), sheet=sheet)
    for bench in ("simulated", "by-hand"):
        with contextlib.suppress(LivezeroError):
            planned = plan(found, core.load_bench(bench))
            plan_text(planned)
            as_json(core.plan_document(planned))
            cast(Any, planned)._repr_html_()


def _bytes_as_yaml(folder: Path) -> Found:
    forms = [
        b"a: &x [1]\nb: *x\n",
        b"a: &a [" + b"*a," * 1000 + b"]\n",
        b"!!python/object/apply:os.system [id]\n",
        b"[" * 100_000,
        b"{a: " * 5_000,
        b"- " * 50_000,
        b"a: " + b"9" * 900_000,
        b"\xff\xfea\x00:\x00",
        "\ufeffbench: x".encode(),
        b"\xef\xbb\xbf\xef\xbb\xbfbench: x",
        b"bench: x\r\nbackend: y\rtaps: z\n\x85",
        b"\0" * 2_000_000,
        b"? ? ? ? a",
        b"%YAML 9.9\n---\n",
        b"a: |\n" + b" x\n" * 100_000,
        b"<<: {a: b}",
    ]

    def cases() -> Iterator[Callable[[], object]]:
        path = folder / "bytes.yaml"
        for raw in forms:
            for load in (core.load_bench, core.load, core.load_type):
                yield lambda raw=raw, load=load: (path.write_bytes(raw), load(str(path)))
        for name in ("x" * 5000, "\0", "/dev/zero", str(folder), "/dev/null"):
            for load in (core.load_bench, core.load, core.load_type):
                yield lambda name=name, load=load: load(name)

    return _count(cases())


# -- readings by hand ------------------------------------------------------------------------------------------------


def _made_to_take_long(folder: Path) -> Found:
    """No table takes longer than a plain one of as many rows as may stand in one, both in one run."""
    sheet = core.load_type("pulse-to-current").datasheet()
    forms = [
        b"x(" + b" " * 15_000 + b"](,output\n0,4\n",
        b"input" + b"[(" * 7_000 + b",output\n0,4\n",
        b"input,output\n0," + b"9" * 19_000 + b"x\n",
        b"input,output\n0,5 a" + b" " * 19_000 + b"b\n",
        b"input,output\n0,5 mA**9**9**9**9\n",
        b"input,output [m*9**9**9**9]\n0,5\n",
        b"a" * 40_000_000,
        b"\0" * 1_000_000,
        b"input,output\n" + b'"' * 19_000 + b",4\n",
    ]

    path = folder / "hand.csv"

    def took_s(raw: bytes) -> float:
        path.write_bytes(raw)
        begin_s = time.process_time()
        with contextlib.suppress(LivezeroError):
            from_csv(path, sheet)
        return time.process_time() - begin_s

    plain_s = took_s(b"input,output\n" + b"0,4\n1000,20\n" * 9_000)
    shares = [took_s(raw) / plain_s for raw in forms]
    return len(forms), [
        f"{raw[:20]!r}: {share:.1f} times" for raw, share in zip(forms, shares, strict=True) if share > 2
    ]


def tables_by_hand(folder: Path, tries: int = 600) -> Found:
    """Tables with cells, line ends and encodings that no one expects."""
    chosen = random.Random(SEED)
    sheet = core.load_type("pulse-to-current").datasheet()
    plain = "injected [Hz],returned [mA]\n0,4\n500,12\n1000,20\n500,12\n0,4\n"

    def cases() -> Iterator[Callable[[], object]]:
        path = folder / "hand.csv"
        for _ in range(tries):
            cells = [line.split(",") for line in plain.splitlines()]
            for _ in range(chosen.randint(1, 3)):
                row = chosen.randrange(len(cells))
                cells[row][chosen.randrange(2)] = chosen.choice([*TEXTS, *NUMBERS])
            ends = chosen.choice(["\n", "\r\n", "\r", "\x85", "\u2028"])
            coded = chosen.choice(["utf-8", "utf-8-sig", "utf-16", "utf-32", "cp1252"])
            raw = ends.join(",".join(row) for row in cells).encode(coded, "replace")
            yield lambda raw=raw: (path.write_bytes(raw), summary(core.by_hand(path, "pulse-to-current"), colour=False))
        yield lambda: from_csv(Path("/dev/zero"), sheet)
        yield lambda: from_csv(folder, sheet)
        yield lambda: from_csv(Path("a\0b"), sheet)

    return _count(cases())


# -- traces ----------------------------------------------------------------------------------------------------------


def _wav(*, channels: int = 1, width: int = 2, rate_Hz: int = 8000, samples: bytes = b"\0\1" * 400) -> bytes:
    held = io.BytesIO()
    with wave.open(held, "wb") as file:
        file.setnchannels(channels)
        file.setsampwidth(width)
        file.setframerate(rate_Hz)
        file.writeframes(samples)
    return held.getvalue()


def _traces_altered(chosen: random.Random, tries: int) -> Iterator[tuple[str, bytes]]:
    pulses = "".join(f"{number * 1e-4:.4f},{5 * (number // 5 % 2)}\n" for number in range(200))
    plain = f"time [s],pickup [V]\n{pulses}"
    wavs = [_wav(), _wav(channels=2, width=1), _wav(width=3, samples=b"\0\1\2" * 300), _wav(width=4)]
    for number in range(tries):
        if number % 2:
            raw = bytearray(chosen.choice(wavs))
            for _ in range(chosen.randint(1, 4)):
                raw[chosen.randrange(48)] = chosen.randrange(256)
            yield "t.wav", bytes(raw[: chosen.choice([len(raw), len(raw), chosen.randrange(len(raw))])])
            continue
        cells = [line.split(",") for line in plain.splitlines()]
        for _ in range(chosen.randint(1, 3)):
            row = chosen.choice([0, chosen.randrange(len(cells))])
            cells[row][chosen.randrange(2)] = chosen.choice([*TEXTS, *NUMBERS])
        coded = chosen.choice(["utf-8", "utf-8-sig", "utf-16", "cp1252"])
        divider = chosen.choice([",", ",", ";", "\t", " "])
        yield "t.csv", "\n".join(divider.join(row) for row in cells).encode(coded, "replace")


def traces(folder: Path, tries: int = 300) -> Found:
    """Traces with a hostile cell or byte, headers that say what is not so, files without an end."""
    forms = (b"", b"RIFF", b"\0" * 100_000, b"9" * 1_000_000, b"1,2\n" * 3, b"0,0\n" + b"1e308,-1e308\n" * 50)
    paths = ("/dev/zero", str(folder), "a\0b.csv", "a\0b.wav", str(folder / "none.wav"), str(folder / "endless.wav"))
    (folder / "endless.wav").symlink_to("/dev/zero")

    def used(name: str, raw: bytes) -> None:
        (folder / name).write_bytes(raw)
        found = core.trace(folder / name, pulses_per_revolution=10)
        assert is_tame_line(trace_text(found, name))
        as_json(trace_document(found))

    def cases() -> Iterator[Callable[[], object]]:
        altered = _traces_altered(random.Random(SEED), tries)
        for name, raw in (*altered, *product(("t.wav", "t.csv"), forms)):
            yield lambda name=name, raw=raw: used(name, raw)
        for path in paths:
            yield lambda path=path: core.trace(path)

    return _count(cases())


# -- records ---------------------------------------------------------------------------------------------------------


_VALUES = (None, True, -1, 0, 1e308, 10**400, "", "x", [], {}, [[]], {"a": None}, "nan", *TEXTS)


def damaged_records(folder: Path, tries: int = 500) -> Found:
    """Records with everything a journal can hold, one value of it altered, the chain forged so that it holds."""
    chosen = random.Random(SEED)
    whole = small(folder, captures=True).record.folder
    core.remark(whole, "the cover was off", by="A. Cellarman")
    core.correct(whole, point=1, tap="", reading=1, to="4.001 mA", by="A. Cellarman", why="misread")
    kept = {name: list(entries(whole / name)) for name in (JOURNAL, ADDENDA)}
    lines = [line for line in kept[JOURNAL] if line["kind"] not in {"exchange", "closed"}]
    kept[JOURNAL] = [*lines, RESUMED, *(line for line in kept[JOURNAL] if line["kind"] == "closed")]
    copy = folder / "results" / "copy"
    shutil.copytree(whole, copy)
    for path in copy.rglob("*"):
        path.chmod(0o755)
    digest = (copy / DIGEST).read_bytes()

    def forged(name: str, changed: list[Any], *, is_sealed: bool) -> None:
        for each, written in (kept | {name: changed}).items():
            (copy / each).unlink(missing_ok=True)
            with Journal(copy / each, seed="" if each == JOURNAL else sealed_digest(whole)) as journal:
                for line in written:
                    journal.write(line["kind"], sync=False, **{key: line[key] for key in line if key != "kind"})
        (copy / DIGEST).unlink(missing_ok=True)
        if is_sealed:
            (copy / DIGEST).write_bytes(digest)
        else:
            core.cut_off(copy.parent)
            with contextlib.suppress(LivezeroError):
                list(run_lines(copy / JOURNAL))  # as a run that is resumed begins
                rest_of(copy, kept_plan(copy), list(run_lines(copy / JOURNAL)))
        core.verify(copy)
        _look_at(copy)

    def cases() -> Iterator[Callable[[], object]]:
        for _ in range(tries):
            name = chosen.choice([JOURNAL, JOURNAL, JOURNAL, ADDENDA])
            found = kept[name]
            number = chosen.choice([0, 0, 0, len(found) - 1, chosen.randrange(len(found))])
            at = chosen.choice([each for each in _places(found[number]) if each and each != ("kind",)])
            changed = [*found]
            changed[number] = _changed(found[number], at, chosen.choice(_VALUES))
            is_sealed = chosen.random() < 0.5
            yield lambda name=name, changed=changed, is_sealed=is_sealed: forged(name, changed, is_sealed=is_sealed)
        yield lambda: forged(JOURNAL, [], is_sealed=True)
        forms = (b"", b"{", b"[]", b"[" * 100_000, b"\xff\xfe", b'{"sha256": {}}', b"NaN", b"1\n2\n", b'{"kind": []}\n')
        damaged = list(product((DIGEST, ADDENDA, "inputs/type.yaml", JOURNAL), forms))
        for name, raw in chosen.sample(damaged, min(tries, len(damaged))):
            yield lambda name=name, raw=raw: ((copy / name).write_bytes(raw), core.verify(copy), _look_at(copy))

    return _count(cases())


def salvaged_records(folder: Path, tries: int = 200) -> Found:
    """Journals with bytes overwritten, taken out or put in anywhere: no reading is salvaged that was none."""
    chosen = random.Random(SEED)
    whole = small(folder, captures=True).record.folder
    text = (whole / JOURNAL).read_bytes()
    begin = text.index(b"\n")  # without its first line there is nothing to judge by
    told = {as_json(line) for line in entries(whole / JOURNAL) if line["kind"] == "reading"}

    def broken(number: int) -> str:
        damaged = bytearray(text)
        for _ in range(chosen.randint(1, 5)):
            at = chosen.randrange(begin, len(damaged))
            damaged[at : at + chosen.randint(0, 300)] = chosen.randbytes(chosen.randint(0, 300))
        copy = folder / "salvaged" / f"{number}"
        shutil.copytree(whole / INPUTS, copy / INPUTS)
        (copy / JOURNAL).write_bytes(damaged)
        new = core.salvage(copy).record
        found = {as_json(line) for line in entries(new.folder / JOURNAL) if line["kind"] == "reading"}
        if found - told:
            return f"case {number}: a reading that was none"
        is_pass = new.evaluation is not None and new.evaluation.verdict.result == "pass"
        return f"case {number}: passed without all readings" if is_pass and found != told else ""

    return tries, [what for what in map(broken, range(tries)) if what]


def _look_at(folder: Path) -> None:
    content = core.load_record(folder).content
    html(content)
    summary(content, colour=False)
    as_json(core.document(content))
    if content.evaluation is not None:
        cast(Any, content.evaluation)._repr_html_()


def _links_in_records(folder: Path) -> Found:
    """A report written through a link that somebody left, and files that have no end."""
    whole = small(folder).record.folder
    outside = folder / "outside.txt"
    lost = []
    for name in ("report.html", "figures.json", "readings.csv"):
        outside.write_text("mine", encoding="utf-8")
        (whole / name).unlink()
        (whole / name).symlink_to(outside)
        lost.append(_broken(lambda: core.report(whole)))
        lost.append("" if outside.read_text(encoding="utf-8") == "mine" else f"{name}: written through")
    (whole / "inputs" / "loop").symlink_to(whole)
    (whole / "zero").symlink_to("/dev/zero")
    lost.append(_broken(lambda: core.report(whole)))
    return 4, [what for what in lost if what]


def _serials_and_names(folder: Path) -> Found:
    """Nothing is written beside the folder of the results, whatever the unit is called; nothing is a formula."""
    lost = []
    for number, text in enumerate(TEXTS):
        inner = folder / str(number) / "inner"
        inner.mkdir(parents=True)
        try:
            result = small(inner, serial=text, operator=text)
        except InputError:
            continue
        except Exception as error:  # noqa: BLE001  what is counted
            lost.append(visible(f"{text!r}: {error!r}"))
            continue
        kept = result.record.folder
        is_inside = kept.resolve().parent == (inner / "results").resolve() and len(kept.name) < 150
        is_portable = re.fullmatch(r"[A-Za-z0-9._-]+", kept.name) and not kept.name.endswith(".")
        beside = {path.name for path in inner.iterdir()} - {"results", "s.yaml"}
        beside |= {path.name for path in inner.parent.iterdir()} - {"inner"}
        is_held = all(not _is_formula(cell) for row in _csv(kept / "readings.csv") for cell in row)
        if not (is_inside and is_portable and is_held and not beside):
            lost.append(visible(f"{text!r}: {kept.name}, {beside}"))
    return len(TEXTS), lost


def _csv(path: Path) -> list[list[str]]:
    return list(csv.reader(io.StringIO(path.read_text(encoding="utf-8"), newline="")))


def _is_formula(cell: str) -> bool:
    """As a spreadsheet takes it: it begins as one, and is no number."""
    if cell.lstrip()[:1] not in {"=", "+", "-", "@"} and cell[:1] not in {"\t", "\r"}:
        return False
    try:
        return not math.isfinite(float(cell))
    except ValueError:
        return True


# -- texts on their way out ------------------------------------------------------------------------------------------


# Each of its own kind; a page is made with a text in all of them at once.
FIELDS = ("serial", "type", "sequence", "operator", "reason", "advice", "bench", "folder")


def is_tame_page(page: str, plain: str) -> bool:
    """True if a page has the tags of the page of a plain text, and no letter that acts."""
    return _tags(page) == _tags(plain) and _HOSTILE.search(page) is None


def _tags(page: str) -> list[tuple[str, tuple[str, ...]]]:
    """Every tag with the names of its attributes, as a browser would read them."""
    found: list[tuple[str, tuple[str, ...]]] = []

    class Reader(HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            found.append((tag, tuple(name for name, _ in attrs)))

        def handle_endtag(self, tag: str) -> None:
            found.append((f"/{tag}", ()))

    Reader().feed(page)
    return found


def is_tame_line(shown: str) -> bool:
    """True if what goes to a terminal holds no letter that acts, but ends of lines."""
    return _HOSTILE.search(shown.replace("\n", "")) is None and "\x1b" not in shown


def told(content: Any, text: str) -> Any:
    """A content with a text in every field that holds one from outside."""
    lines = [replace(each, name=text, what=text, identity=text, use=text) for each in content.instruments]
    found = replace(content.evaluation, type=text, tolerance=text, standard=text)
    lists = {"remarks": (text,), "cautions": (text,), "instruments": tuple(lines), "evaluation": found}
    return replace(content, **dict.fromkeys(FIELDS, text), **lists)


def shown(content: Any, other: Any) -> tuple[list[str], list[str]]:
    """All pages, and all else that is shown, of a content, alone and beside another."""
    sheet = core.load_type("pulse-to-current")
    compared = compare(*(Side(content=each, sheet=sheet, sequence_digest="") for each in (other, content)))
    documents = (core.document(content), comparison_document(compared))
    return [html(content), side_by_side.html(compared)], [
        summary(content, colour=False),
        comparison_text(compared),
        *(as_json(each, indent=1) for each in documents),
    ]


def _texts_shown(folder: Path) -> Found:
    content = small(folder).record.content
    plain, _ = shown(told(content, "plain"), content)
    lost = []
    for text in TEXTS:
        try:
            pages, lines = shown(told(content, text), content)
        except Exception as error:  # noqa: BLE001  what is counted
            lost.append(visible(f"{text!r}: {error!r}"))
            continue
        tame = [*map(is_tame_page, pages, plain), *map(is_tame_line, lines)]
        lost += [visible(f"{text!r}: shown {number}") for number, is_tame in enumerate(tame) if not is_tame]
    return 6 * len(TEXTS), lost


def _cells(folder: Path) -> Found:
    lost = []
    texts = [*TEXTS, "-1.5", "+1.5E-03", "-", "'=x", "''", "'", "-inf", " =1", "\uff1d1"]
    for text in texts:
        table = tidy([{"serial": text, "tap": text, "raw": text, "value": -1.5}])
        write_csv(table, folder / "t.csv")
        row = dict(zip(*_csv(folder / "t.csv"), strict=True))
        back = from_cell(as_cell(text))
        is_tame = not _is_formula(row["raw"]) and row["value"] == "-1.5" and is_tame_line(visible(text))
        if not is_tame or back != from_cell(as_cell(back)):
            lost.append(visible(f"{text!r}: {row['raw']}"))
    return len(texts), lost


# -- what goes over a line -------------------------------------------------------------------------------------------


def _commands(_: Path) -> Found:
    """A level never breaks out of its field: what is sent is the command with one number in it."""
    tried, lost = 0, []
    forms = ("SOUR:CURR {level}", "SOUR:CURR {level:.6E};*WAI", "V{level:+07.3f}", "{level:g}")
    number_only = re.compile(r" *[+-]?[0-9.]+(E[+-]?[0-9]+)?|[+-]?0*(inf|nan|INF|NAN)", re.IGNORECASE)
    for form in forms:
        before, after = re.split(r"\{.*?\}", form)
        for number in (0.0, -0.0, 1e308, -1e308, 5e-324, 1e-320, math.nan, math.inf, 1.5):
            sent = render(form, level=number)
            tried += 1
            if not number_only.fullmatch(sent.removeprefix(before).removesuffix(after)):
                lost.append(f"{form}: {sent}")
    text = "instrument: x\nfunctions: {current: {sets: mA, set: %s, ranges: [{range: 0 .. 1 mA}]}}\n"
    fields = ("level.__class__", "level!r", "0", "", "{level}", "level:{level}", "range", "level:99999f")
    commands = (*(f"CURR {{{each}}}" for each in fields), "CURR {level}\nOUTP ON", "CURR {level}\0", "CURR {level}µ")
    for command in commands:
        tried += 1
        try:
            parse(text % json.dumps(command), Path("x.yaml")).into(Description)
            lost.append(f"{command!r} was taken")
        except InputError:
            pass
    return tried, lost


class _Liar:
    """A line to an instrument that answers one kind of query with something of its own."""

    def __init__(self, line: Any, query: str, reply: str) -> None:
        self._line, self._query, self._reply, self._is_asked = line, query, reply, False

    def __getattr__(self, name: str) -> Any:
        return getattr(self._line, name)

    def write(self, message: str) -> int:
        """As the line; remembers what was asked."""
        self._is_asked = message.startswith(self._query)
        return int(self._line.write(message))

    def read(self) -> str:
        """The lie, or what the line says."""
        said = str(self._line.read())
        return self._reply if self._is_asked else said


def lying_instruments(folder: Path, every: int = 1) -> Found:
    """A run on a bench that lies ends with an outcome; whatever else, its error is ours."""

    def cases() -> Iterator[Callable[[], object]]:
        queries = ("*IDN?", "SYST:ERR", "READ", "MEAS", "FETC", "SOUR")
        for query, reply in list(product(queries, (*_REPLIES, *TEXTS[:20], "4" * 900_000)))[::every]:
            yield lambda query=query, reply=reply: lied(query, reply)

    def lied(query: str, reply: str) -> None:
        original = instruments.session.Session._open

        def opened(session: instruments.session.Session) -> Any:
            return _Liar(original(session), query, reply)

        instruments.session.Session._open = opened  # type: ignore[method-assign]
        try:
            found = small(folder)
            assert found.outcome.status in {"complete", "bench fault", "not safe"}
            _look_at(found.record.folder)
        finally:
            instruments.session.Session._open = original  # type: ignore[method-assign]

    return _count(cases())


def _numbers_in_replies(_: Path) -> Found:
    pattern = scpi.reply_pattern("{value}")
    chosen = random.Random(SEED)

    def cases() -> Iterator[Callable[[], object]]:
        for _ in range(3000):
            reply = "".join(chosen.choice("0123456789+-.eE INFANO;,\n\0\xff") for _ in range(chosen.randint(0, 30)))
            yield lambda reply=reply: scpi.number(reply, pattern, where="meter", command="READ?")
            yield lambda reply=reply: scpi.error_entry(reply, where="meter", command="SYST:ERR?")

    return _count(cases())


def _endless_reply(_: Path) -> Found:
    """A line that never ends its reply is given up after a bounded number of bytes."""
    from pyvisa.constants import InterfaceType, StatusCode

    class Library:
        taken_n = 0

        def read(self, session: int, count: int) -> tuple[bytes, StatusCode]:
            del session
            self.taken_n += count
            assert self.taken_n < 10_000_000
            return b"4" * count, StatusCode.success_max_count_read

    class Resource:
        visalib, session, chunk_size, read_termination = Library(), 1, 20_480, "\n"
        resource_class, interface_type, timeout = "SOCKET", InterfaceType.tcpip, 1000.0

        def set_visa_attribute(self, *_: object) -> None:
            """Fulfils a resource."""

        @staticmethod
        def ignore_warning(*codes: StatusCode) -> contextlib.nullcontext[None]:
            del codes
            return contextlib.nullcontext()

    line = instruments.visaline.BoundedLine(Resource(), encoding="latin-1")  # type: ignore[arg-type]
    try:
        line.read()
    except OSError:
        return 1, []
    return 1, ["it was read to an end it has not"]


ROWS: dict[str, Callable[[Path], Found]] = {
    "hostile input: numbers, units, ranges, tolerances": _numbers_and_units,
    "hostile input: sequences": partial(files, "sequence", 300),
    "hostile input: type sheets": partial(files, "type", 600),
    "hostile input: bench files": partial(files, "bench", 300),
    "hostile input: instrument descriptions": partial(files, "instrument", 1000),
    "hostile input: bytes that are no YAML": _bytes_as_yaml,
    "hostile input: tables taken by hand": tables_by_hand,
    "hostile input: tables made to take long": _made_to_take_long,
    "hostile input: traces, CSV and WAV": traces,
    "hostile input: altered records": damaged_records,
    "damaged journals: salvaged": salvaged_records,
    "hostile input: records with links out of them": _links_in_records,
    "hostile input: serials": _serials_and_names,
    "hostile input: texts on page, terminal, as JSON": _texts_shown,
    "hostile input: texts in cells of CSV": _cells,
    "hostile input: levels in commands": _commands,
    "hostile input: replies that are no numbers": _numbers_in_replies,
    "hostile input: instruments that lie": lying_instruments,
    "hostile input: a reply without an end": _endless_reply,
}
