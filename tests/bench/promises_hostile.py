"""Hostile input, as promises that can be counted: each row tries many cases and says how many broke the promise.

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
import sys
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from dataclasses import replace
from html.parser import HTMLParser
from itertools import product
from pathlib import Path
from typing import Any

import yaml

import instruments.session
from instruments import scpi
from instruments.benchfile import load_bench
from instruments.description import Description, render
from instruments.errors import InputError, LivezeroError
from instruments.shipped import shipped
from instruments.texts import as_cell, as_json, from_cell, visible
from instruments.units import quantity, span, terms
from instruments.yamlfile import parse
from sequencer import core
from sequencer.byhand import from_csv
from sequencer.models import TypeSheet, load_sequence
from sequencer.planning import plan
from sequencer.readings import tidy, write_csv
from sequencer.reports.html import html
from sequencer.reports.terminal import plan_text, summary

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


def _fails(attempt: Callable[[], object]) -> bool:
    """True if something else came out than a result or an error of ours that says something."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            attempt()
    except LivezeroError as error:
        return not error.what or any(_HOSTILE.search(line) for line in error.lines)
    except Exception as error:  # noqa: BLE001  what is counted
        if "-v" in sys.argv:
            print(f"{type(error).__name__}: {error}"[:300], file=sys.stderr)
            import traceback

            traceback.print_exc(limit=-3)
        return True
    return False


def _count(cases: Iterator[Callable[[], object]] | list[Callable[[], object]]) -> tuple[int, int]:
    outcomes = [_fails(each) for each in cases]
    return len(outcomes), sum(outcomes)


@contextlib.contextmanager
def _folder() -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp())
    try:
        yield folder
    finally:
        for path in folder.rglob("*"):
            if not path.is_symlink():
                path.chmod(0o755)
        shutil.rmtree(folder)


def small(folder: Path, *, serial: str = "GF-104", operator: str = "") -> core.RunResult:
    """A short run on the simulated bench, with its record in `folder`."""
    (folder / "s.yaml").write_text(
        f"sequence: short\ntype sheet: {shipped('sequences', 'types', 'pulse-to-current.yaml')}\n"
        "steps: [{traverse: {points: 3, cycles: 1, readings: 2}}]\n",
        encoding="utf-8",
    )
    planned = core.plan(str(folder / "s.yaml"), "simulated")
    return core.run(planned, serial=serial, operator_name=operator, results=folder / "results")


# -- numbers and units -----------------------------------------------------------------------------------------------


def _numbers_and_units() -> tuple[int, int]:
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


def files(kind: str, tries: int) -> tuple[int, int]:
    folders = {
        "sequence": shipped("sequences"),
        "type": shipped("sequences", "types"),
        "bench": core.BENCHES,
        "instrument": core.DESCRIPTIONS,
    }
    sources = sorted(folders[kind].glob("*.yaml"))

    def cases(folder: Path) -> Iterator[Callable[[], object]]:
        for number, source in enumerate(sources):
            for text in mutants(source.read_text(encoding="utf-8"), tries=tries // len(sources), seed=SEED + number):
                yield lambda text=text: _use(kind, text, folder)

    with _folder() as folder:
        return _count(cases(folder))


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
            planned._repr_html_()


def _bytes_as_yaml() -> tuple[int, int]:
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

    def cases(folder: Path) -> Iterator[Callable[[], object]]:
        path = folder / "bytes.yaml"
        for raw in forms:
            for load in (core.load_bench, core.load, core.load_type):
                yield lambda raw=raw, load=load: (path.write_bytes(raw), load(str(path)))
        for name in ("x" * 5000, "\0", "/dev/zero", str(folder), "/dev/null"):
            for load in (core.load_bench, core.load, core.load_type):
                yield lambda name=name, load=load: load(name)

    with _folder() as folder:
        return _count(cases(folder))


# -- readings by hand ------------------------------------------------------------------------------------------------


def _made_to_take_long() -> tuple[int, int]:
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

    def took_s(path: Path, raw: bytes) -> float:
        path.write_bytes(raw)
        begin_s = time.process_time()
        with contextlib.suppress(LivezeroError):
            from_csv(path, sheet)
        return time.process_time() - begin_s

    with _folder() as folder:
        path = folder / "hand.csv"
        plain_s = took_s(path, b"input,output\n" + b"0,4\n1000,20\n" * 9_000)
        return len(forms), sum(took_s(path, raw) > 2 * plain_s for raw in forms)


def _by_hand() -> tuple[int, int]:
    chosen = random.Random(SEED)
    sheet = core.load_type("pulse-to-current").datasheet()
    plain = "injected [Hz],returned [mA]\n0,4\n500,12\n1000,20\n500,12\n0,4\n"

    def cases(folder: Path) -> Iterator[Callable[[], object]]:
        path = folder / "hand.csv"
        for _ in range(600):
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

    with _folder() as folder:
        return _count(cases(folder))


# -- records ---------------------------------------------------------------------------------------------------------


_VALUES = (None, True, -1, 0, 1e308, 10**400, "", "x", [], {}, [[]], {"a": None}, "nan", *TEXTS)


def damaged_records(tries: int = 500) -> tuple[int, int]:
    chosen = random.Random(SEED)
    with _folder() as folder:
        whole = small(folder).record.folder
        lines = [json.loads(line) for line in (whole / "journal.jsonl").read_text(encoding="utf-8").splitlines()]
        lines = [line for line in lines if line["kind"] != "exchange"]
        copy = folder / "results" / "copy"
        shutil.copytree(whole, copy)
        for path in copy.rglob("*"):
            path.chmod(0o755)

        def opened(changed: list[Any]) -> None:
            text = "".join(json.dumps(line) + "\n" for line in changed)
            (copy / "journal.jsonl").write_text(text, encoding="utf-8")
            _look_at(copy)

        def cases() -> Iterator[Callable[[], object]]:
            for _ in range(tries):
                number = chosen.choice([0, 0, 0, len(lines) - 1, chosen.randrange(len(lines))])
                at = chosen.choice([each for each in _places(lines[number]) if each])
                changed = [*lines]
                changed[number] = _changed(lines[number], at, chosen.choice(_VALUES))
                yield lambda changed=changed: opened(changed)
            yield lambda: opened([])
            yield lambda: opened([1, 2])
            for name in ("digest.json", "inputs/type.yaml", "journal.jsonl"):
                for raw in (b"", b"{", b"[]", b"[" * 100_000, b"\xff\xfe", b'{"sha256": {}}', b"NaN"):
                    yield lambda name=name, raw=raw: ((copy / name).write_bytes(raw), _look_at(copy))

        return _count(cases())


def _look_at(folder: Path) -> None:
    content = core.load_record(folder).content
    html(content)
    summary(content, colour=False)
    as_json(core.document(content))
    if content.evaluation is not None:
        content.evaluation._repr_html_()


def _links_in_records() -> tuple[int, int]:
    """A report written through a link that somebody left, and files that have no end."""
    with _folder() as folder:
        whole = small(folder).record.folder
        outside = folder / "outside.txt"
        lost = 0
        for name in ("report.html", "figures.json", "readings.csv"):
            outside.write_text("mine", encoding="utf-8")
            (whole / name).unlink()
            (whole / name).symlink_to(outside)
            lost += _fails(lambda: core.report(whole)) or outside.read_text(encoding="utf-8") != "mine"
        (whole / "inputs" / "loop").symlink_to(whole)
        (whole / "zero").symlink_to("/dev/zero")
        lost += _fails(lambda: core.report(whole))
        return 4, lost


def _serials_and_names() -> tuple[int, int]:
    """Nothing is written beside the folder of the results, whatever the unit is called; nothing is a formula."""
    lost = 0
    for text in TEXTS:
        with _folder() as folder:
            outside = set(folder.parent.iterdir())
            try:
                result = small(folder / ".", serial=text, operator=text)
            except InputError:
                continue
            except Exception:  # noqa: BLE001  what is counted
                lost += 1
                continue
            kept = result.record.folder
            is_inside = kept.resolve().parent == (folder / "results").resolve() and len(kept.name) < 150
            is_portable = re.fullmatch(r"[A-Za-z0-9._-]+", kept.name) and not kept.name.endswith(".")
            beside = {path.name for path in folder.iterdir()} - {"results", "s.yaml"}
            is_held = all(not _is_formula(cell) for row in _csv(kept / "readings.csv") for cell in row)
            # A second, unrelated program may write to the same temporary folder.
            stray = [path for path in set(folder.parent.iterdir()) - outside if path.name in {"x", "x.txt"}]
            lost += not (is_inside and is_portable and is_held and not beside and not stray)
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


def told(content: Any, field: str, text: str) -> Any:
    """A content with a text in one of its fields."""
    if field == "remarks":
        return replace(content, remarks=(text,))
    if field == "cautions":
        return replace(content, cautions=(text,))
    if field == "instruments":
        lines = [replace(each, name=text, what=text, identity=text, use=text) for each in content.instruments]
        return replace(content, instruments=tuple(lines))
    if field == "evaluation":
        found = content.evaluation
        return replace(content, evaluation=replace(found, type=text, tolerance=text, standard=text))
    return replace(content, **{field: text})


def _texts_shown() -> tuple[int, int]:
    tried = lost = 0
    with _folder() as folder:
        content = small(folder).record.content
        for field in (*FIELDS, "remarks", "cautions", "instruments", "evaluation"):
            plain = html(told(content, field, "plain"))
            for text in TEXTS:
                changed = told(content, field, text)
                tried += 3
                try:
                    lost += not is_tame_page(html(changed), plain)
                    lost += not is_tame_line(summary(changed, colour=False))
                    lost += not is_tame_line(as_json(core.document(changed), indent=1))
                except Exception:  # noqa: BLE001  what is counted
                    lost += 3
    return tried, lost


def _cells() -> tuple[int, int]:
    lost = 0
    texts = [*TEXTS, "-1.5", "+1.5E-03", "-", "'=x", "''", "'", "-inf", " =1", "\uff1d1"]
    with _folder() as folder:
        for text in texts:
            table = tidy([{"serial": text, "tap": text, "raw": text, "value": -1.5}])
            write_csv(table, folder / "t.csv")
            row = dict(zip(*_csv(folder / "t.csv"), strict=True))
            lost += (
                _is_formula(row["raw"])
                or row["value"] != "-1.5"
                or from_cell(as_cell(text)) != from_cell(as_cell(from_cell(as_cell(text))))
            )
            lost += not is_tame_line(visible(text))
    return len(texts), lost


# -- what goes over a line -------------------------------------------------------------------------------------------


def _commands() -> tuple[int, int]:
    """A level never breaks out of its field: what is sent is the command with one number in it."""
    tried = lost = 0
    forms = ("SOUR:CURR {level}", "SOUR:CURR {level:.6E};*WAI", "V{level:+07.3f}", "{level:g}")
    for form in forms:
        before, after = re.split(r"\{.*?\}", form)
        for number in (0.0, -0.0, 1e308, -1e308, 5e-324, 1e-320, math.nan, math.inf, 1.5):
            sent = render(form, level=number)
            inside = sent.removeprefix(before).removesuffix(after)
            tried += 1
            lost += (
                re.fullmatch(r" *[+-]?[0-9.]+(E[+-]?[0-9]+)?|[+-]?0*(inf|nan|INF|NAN)", inside, re.IGNORECASE) is None
            )
    text = "instrument: x\nfunctions: {current: {sets: mA, set: %s, ranges: [{range: 0 .. 1 mA}]}}\n"
    fields = (
        "{level.__class__}",
        "{level!r}",
        "{0}",
        "{}",
        "{{level}}",
        "{level:{level}}",
        "{range}",
        "{level:99999f}",
    )
    for command in (*(f"CURR {each}" for each in fields), "CURR {level}\nOUTP ON", "CURR {level}\0", "CURR {level}µ"):
        tried += 1
        try:
            parse(text % json.dumps(command), Path("x.yaml")).into(Description)
            lost += 1
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


def lying_instruments(every: int = 1) -> tuple[int, int]:
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
            with _folder() as folder:
                found = small(folder)
                assert found.outcome.status in {"complete", "bench fault", "not safe"}
                _look_at(found.record.folder)
        finally:
            instruments.session.Session._open = original  # type: ignore[method-assign]

    return _count(cases())


def _numbers_in_replies() -> tuple[int, int]:
    pattern = scpi.reply_pattern("{value}")
    chosen = random.Random(SEED)

    def cases() -> Iterator[Callable[[], object]]:
        for _ in range(3000):
            reply = "".join(chosen.choice("0123456789+-.eE INFANO;,\n\0\xff") for _ in range(chosen.randint(0, 30)))
            yield lambda reply=reply: scpi.number(reply, pattern, where="meter", command="READ?")
            yield lambda reply=reply: scpi.error_entry(reply, where="meter", command="SYST:ERR?")

    return _count(cases())


def _endless_reply() -> tuple[int, int]:
    """A line that never ends its reply is given up after a bounded number of bytes."""
    from pyvisa.constants import StatusCode

    class Library:
        taken_n = 0

        def read(self, session: int, count: int) -> tuple[bytes, StatusCode]:
            del session
            self.taken_n += count
            assert self.taken_n < 10_000_000
            return b"4" * count, StatusCode.success_max_count_read

    class Resource:
        visalib, session, chunk_size, read_termination = Library(), 1, 20_480, "\n"

        @staticmethod
        def ignore_warning(*codes: StatusCode) -> contextlib.nullcontext[None]:
            del codes
            return contextlib.nullcontext()

    line = instruments.session.BoundedLine(Resource(), encoding="latin-1")  # type: ignore[arg-type]
    try:
        line.read()
    except OSError:
        return 1, 0
    return 1, 1


rows: list[tuple[str, Callable[[], tuple[int, int]]]] = [
    ("numbers, units, ranges, tolerances as text", _numbers_and_units),
    ("sequence with a hostile value", lambda: files("sequence", 300)),
    ("type sheet with a hostile value", lambda: files("type", 600)),
    ("bench file with a hostile value", lambda: files("bench", 300)),
    ("instrument description with a hostile value", lambda: files("instrument", 1000)),
    ("bytes that are no YAML, or too much of it", _bytes_as_yaml),
    ("readings by hand with hostile cells and encodings", _by_hand),
    ("tables by hand that are made to take long", _made_to_take_long),
    ("record with altered or missing lines and files", damaged_records),
    ("record with links out of it", _links_in_records),
    ("hostile serials: no file beside the results", _serials_and_names),
    ("hostile texts on a page, a terminal, as JSON", _texts_shown),
    ("hostile texts as cells of CSV", _cells),
    ("commands that a value could break out of", _commands),
    ("replies that are no numbers", _numbers_in_replies),
    ("runs on instruments that lie", lying_instruments),
    ("a reply without an end", _endless_reply),
]


if __name__ == "__main__":
    only = [each for each in sys.argv[1:] if each != "-v"]
    for name, row in rows:
        if not only or any(each in name for each in only):
            tried, lost = row()
            print(f"{name:52} {tried:6} tried {lost:5} lost", flush=True)
