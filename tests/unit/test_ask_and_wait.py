"""Steps that move nothing: a question to the operator, with or without a picture, and a time that passes."""

import io
import shutil
import struct
import zlib

import pytest
from rich.console import Console

from instruments.errors import AbsentError, InputError
from instruments.simulated.bench import Mishap
from sequencer import core
from sequencer.inputs.files import load_sequence
from sequencer.jobs.interrupted import kept_plan, rest_of
from sequencer.journal.writer import entries
from sequencer.planning.plan import plan
from sequencer.reports.live import LiveView
from sequencer.running.events import PointBegun, Waited, event_document

BEFORE = "  - exercise: {cycles: 1}\n  - traverse: {points: 5, cycles: 2, readings: 2}\n"
SEQUENCE = """\
  - ask: {text: Is the unit clamped?, picture: clamp.png}
  - wait: {for: 10 min, because: the unit warms up}
  - exercise: {cycles: 1}
  - ask: {text: What does its display show?, answer: number, unit: Hz, output: on}
  - traverse: {points: 3, cycles: 2, readings: 2}
  - ask: {text: How does it look?, answer: text}
"""


def png():
    """A picture of one red pixel, as the PNG specification has it: signature, header, data, end."""

    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", 1, 1, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(b"\0\xff\0\0"))
        + chunk(b"IEND", b"")
    )


@pytest.fixture
def asking(small, tmp_path):
    """The plan of the small unit with these steps, a picture beside it."""

    def made(steps=SEQUENCE):
        (tmp_path / "files").mkdir(exist_ok=True)
        (tmp_path / "files" / "clamp.png").write_bytes(png())
        return small(sequence={BEFORE: steps})

    return made


def lines_of(folder, kind):
    return [line for line in entries(folder / "journal.jsonl") if line["kind"] == kind]


def test_it_is_asked_in_its_place_and_the_answers_are_kept(asking, answers, tmp_path):
    asked = answers("yes", "1,5 kHz", "no dents")
    done = core.run(asking(), serial="GF-104", results=tmp_path, operator=asked)
    assert (done.outcome.status, done.evaluation.verdict.result) == ("complete", "pass")
    first, number, text = asked.questions
    assert first.text == f"picture: {tmp_path / 'files' / 'clamp.png'}\nIs the unit clamped?"
    assert (number.text, number.unit, text.kind) == ("What does its display show? in Hz", "Hz", "text")
    kept = [(line["step"], line["answer"], line["value"]) for line in lines_of(done.record.folder, "answer")]
    assert kept == [(1, "yes", None), (4, "1,5 kHz", 1500.0), (6, "no dents", None)]
    found = done.record.content.steps["ask"]
    assert [(each.step, each.answer, each.value) for each in found] == kept
    picture = done.record.folder / "inputs" / "pictures" / "1-clamp.png"
    assert picture.read_bytes() == found[0].picture.data == png()
    page = (done.record.folder / "report.html").read_text(encoding="utf-8")
    assert '<img src="data:image/png;base64,' in page
    assert "img-src data:" in page
    assert core.verify(done.record.folder).is_intact
    (folder, *_) = [line for line in lines_of(done.record.folder, "remark") if "waited" in line["text"]]
    assert folder["text"] == "waited 600 s: the unit warms up"


def test_the_output_is_off_while_it_is_asked_unless_it_is_to_stay(asking, run, answers):
    states = []

    def output(found):
        return (float(found.ask("source", "OUTP?")), float(found.ask("source", "SOUR:FREQ?")))

    made = {}
    asked = answers(
        lambda _: states.append(output(made["run"])) or "yes",
        lambda _: states.append(output(made["run"])) or "7",
        lambda _: states.append(output(made["run"])) or "fine",
    )
    run(asking(), operator=asked, on_exchange=lambda _, found: made.setdefault("run", found))
    # Before the first point, off; at 0 % after the exercise, on; after the traverse off again.
    assert [on for on, _ in states] == [0, 1, 0]


def test_while_it_waits_the_input_stands_and_time_passes(asking, run):
    traverse = "traverse: {points: [0 %, 100 %], cycles: 1, direction: up, readings: 2}"
    planned = asking(f"  - {traverse}\n  - wait: {{for: 90 s}}\n")
    assert planned.points[-1].setpoint.frac == 1.0
    assert planned.points[-1].estimate_s == 90
    found = run(planned)
    waited = found.events("Waited")
    assert [each.left_s for each in (waited[0], waited[-1])] == pytest.approx([90, 0])
    assert len(waited) == 91  # once a second, and at its end
    at_s = {line["kind"]: line["at_s"] for line in found.lines if "at_s" in line}
    assert at_s["visited"] - max(line["at_s"] for line in found.lines if line["kind"] == "reading") >= 90
    assert found.outcome.status == "complete"
    # 100 % was set last before it: nothing was sent to the source in between but questions.
    between = found.log[found.log.index(waited[0]) : found.log.index(waited[-1])]
    sent = [each.sent for each in between if hasattr(each, "sent")]
    assert sent
    assert all(each.endswith("?") for each in sent)


def test_an_answer_that_is_none_is_asked_again(asking, answers, tmp_path):
    steps = f"{BEFORE}  - ask: {{text: How many threads show?, answer: number, output: on}}\n"
    asked = answers("many", "", "3 Hz", "?", "back", "4")
    done = core.run(asking(steps), serial="GF-104", results=tmp_path, operator=asked)
    assert [line["value"] for line in lines_of(done.record.folder, "answer")] == [4.0]
    said = [question.text.splitlines()[0] for question in asked.questions[1:]]
    assert said[0] == '"many" is no number: type a number, back, ?, or stop'
    assert said[3] == "type a number, back, ?, or stop"


@pytest.mark.parametrize(
    ("answer", "reason"),
    [
        pytest.param("no", "answered with no: Is the unit clamped?", id="no"),
        pytest.param("stop", "stopped by the operator", id="stop"),
        pytest.param(AbsentError("no operator is present to answer"), "no operator is present", id="nobody there"),
    ],
)
def test_what_is_not_confirmed_ends_the_run_with_the_outputs_safe(asking, run, answers, answer, reason):
    found = run(asking(), operator=answers(answer))
    assert found.outcome.status == "interrupted"
    assert reason in found.outcome.reason
    assert found.is_safe()
    assert not found.record.readings.shape[0]


def test_ctrl_c_ends_a_wait_with_the_outputs_safe(asking, run):
    def stop(event, _):
        if isinstance(event, Waited) and event.left_s < 300:
            raise KeyboardInterrupt("Ctrl-C")

    found = run(asking(), on_event=stop)
    assert (found.outcome.status, found.is_safe()) == ("interrupted", True)
    assert "at point 2 of" in found.outcome.reason


def test_a_communication_that_is_lost_in_a_wait_begins_it_anew(asking, run):
    planned = asking("  - traverse: {points: 3, cycles: 1, readings: 2}\n  - wait: {for: 60 s}\n")
    whole = run(planned)
    first, *_ = whole.events("Waited")
    before_n = sum(getattr(each, "instrument", "") == "source" for each in whole.log[: whole.log.index(first)])
    found = run(planned, wrong=[Mishap(kind="dropped", instrument="source", at_exchange=before_n + 3)])
    waited = found.events("Waited")
    assert found.outcome.status == "complete"
    assert sum(each.left_s == pytest.approx(60) for each in waited) == 2
    assert [line["attempt"] for line in found.lines if line["kind"] == "visited"] == [2]


@pytest.mark.parametrize(
    ("steps", "place", "says"),
    [
        ("ask:", "6:5", '"text" is missing'),
        ("ask: {text: x, answer: maybe}", "6:20", "'yes', 'number' or 'text'"),
        ("ask: {text: x, unit: mA}", "6:5", '"unit" beside "answer: number"'),
        ("ask: {text: x, answer: number, unit: mB}", "6:36", "mB"),
        ("ask: {text: x, output: stays}", "6:20", "'off' or 'on'"),
        ("ask: {text: x, picture: nowhere.png}", "6:20", 'the picture "nowhere.png" cannot be read'),
        ("ask: {text: x, picture: small.type.yaml}", "6:20", "a PNG or JPEG file"),
        ("wait:", "6:5", '"for" is missing'),
        ("wait: {for: 0 s}", "6:12", "greater than 0"),
        ("wait: {for: 10}", "6:12", "unit"),
        ("wait: {for: 10 mA}", "6:12", "is not in s"),
        ("wait: {for: 30 d}", "6:12", "is too long a time"),
    ],
)
def test_what_cannot_be_asked_or_waited_for_is_refused_with_its_place(asking, steps, place, says):
    with pytest.raises(InputError) as refused:
        asking(f"  - {steps}\n{BEFORE}")
    assert says in str(refused.value)
    assert refused.value.where.endswith(f"small.yaml:{place}")


@pytest.fixture
def cut(asking, answers, tmp_path):
    """The record of a run with questions, cut off after so many of its lines of a kind; its files are gone."""

    def made(kind, count):
        whole = core.run(asking(), serial="GF-104", results=tmp_path / "w", operator=answers("yes", "50", "fine"))
        folder = tmp_path / "cut"
        shutil.copytree(whole.record.folder / "inputs", folder / "inputs")
        lines = (whole.record.folder / "journal.jsonl").read_bytes().splitlines(keepends=True)
        at = [number for number, line in enumerate(lines) if line.startswith(b'{"kind": "%s"' % kind.encode())]
        (folder / "journal.jsonl").write_bytes(b"".join(lines[: at[count - 1] + 1]))
        shutil.rmtree(tmp_path / "files")
        return folder

    return made


@pytest.mark.parametrize(
    ("kind", "count", "points", "asked_n"),
    [
        # 1 ask, 2 wait, 3-4 exercise, 5 ask for a number, 6-18 the traverse of two cycles, the second from 12, 19 ask
        pytest.param("visited", 1, [1, 2, 3, 4, 5, *range(6, 17)], 3, id="in the wait"),
        pytest.param("answer", 2, [1, 2, 3, 4, 5], 3, id="answered, not yet passed"),
        pytest.param("reading", 10, [1, 2, 3, 4], 2, id="in the traverse: a number that was answered stands"),
        pytest.param("visited", 3, [1, 2, 3, 4], 2, id="before the traverse"),
    ],
)
def test_a_run_that_is_gone_on_with_asks_for_what_must_be_so_and_not_for_what_was_told(
    cut, answers, kind, count, points, asked_n
):
    folder = cut(kind, count)
    rest = rest_of(folder, kept_plan(folder), list(entries(folder / "journal.jsonl")))
    numbers = [each.number for each in rest.points]
    assert numbers[: len(points)] == points
    asked = answers("yes", *(["50"] if asked_n == 3 else []), "fine")
    done = core.resume(folder, operator=asked)
    assert (done.outcome.status, done.evaluation.verdict.result) == ("complete", "pass")
    assert len(asked.questions) == asked_n
    assert asked.questions[0].text.startswith(f"picture: {folder / 'inputs' / 'pictures' / '1-clamp.png'}\n")
    assert [each.answer for each in done.record.content.steps["ask"]] == ["yes", "50", "fine"]
    assert core.verify(folder).is_intact


def test_a_run_that_was_cut_off_at_its_last_question_asks_it(cut, answers):
    folder = cut("visited", 3)
    whole = folder.parent / "w"
    lines = (next(whole.iterdir()) / "journal.jsonl").read_bytes().splitlines(keepends=True)
    last = max(number for number, line in enumerate(lines) if line.startswith(b'{"kind": "reading"'))
    (folder / "journal.jsonl").write_bytes(b"".join(lines[: last + 1]))
    asked = answers("yes", "fine")
    done = core.resume(folder, operator=asked)
    assert [each.text.splitlines()[-1] for each in asked.questions] == ["Is the unit clamped?", "How does it look?"]
    assert (done.outcome.status, done.evaluation.verdict.result) == ("complete", "pass")


def test_the_live_view_counts_down_and_a_pipe_gets_one_line(asking):
    planned = asking()
    point = planned.points[1]
    shown = io.StringIO()
    view = LiveView(planned, Console(file=shown, force_terminal=False))
    view(PointBegun(point=point, attempt=1))
    for left_s in (600.0, 599.0, 65.0):
        view(Waited(point=point, left_s=left_s))
    block = "\n".join(str(each) for each in view.block().renderables)
    assert "point 2: wait: waiting, 1 min 5 s left: the unit warms up" in block
    assert shown.getvalue() == ""
    view(Waited(point=point, left_s=0.0))
    assert shown.getvalue() == f"2/{len(planned.points)} wait: waited 10 min\n"
    assert event_document(Waited(point=point, left_s=65.0))["left_s"] == 65.0


def test_a_picture_of_an_included_sequence_lies_beside_that(tmp_path, small):
    bench = small().bench
    inner = tmp_path / "inner"
    inner.mkdir()
    (inner / "clamp.png").write_bytes(png())
    (inner / "clamped.yaml").write_text("sequence: c\ntype sheet: t\nsteps:\n  - ask: {text: x, picture: clamp.png}\n")
    path = tmp_path / "files" / "small.yaml"
    path.write_text(path.read_text() + "  - include: ../inner/clamped.yaml\n")
    loaded = load_sequence(str(path))
    assert loaded.pictures[3].path.resolve() == (inner / "clamp.png").resolve()
    assert plan(loaded, bench).points[-1].setpoint.ask == "x"
