"""A record that is sealed: any change to it is found and named; what is added stands beside it."""

import hashlib
import json
import shutil

import pytest

from instruments.errors import InputError, RecordError
from sequencer import core
from sequencer.journal.writer import chain_faults

BY = "A. Cellarman"


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """A record that is sealed; copied, never used itself."""
    folder = tmp_path_factory.mktemp("kept")
    return core.run(core.plan("pulse-to-current", "simulated"), serial="GF-104", results=folder).record.folder


@pytest.fixture
def record(kept, tmp_path):
    folder = tmp_path / "record"
    shutil.copytree(kept, folder)
    for path in folder.rglob("*"):
        if path.is_file():
            path.chmod(0o644)
    return folder


def lines_of(record):
    return (record / "journal.jsonl").read_text(encoding="utf-8").splitlines()


def write_lines(record, lines):
    (record / "journal.jsonl").write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")


def reading_at(lines, number=50):
    return [at for at, line in enumerate(lines) if line.startswith('{"kind": "reading"')][number]


def changed_line(record):
    lines = lines_of(record)
    at = reading_at(lines)
    lines[at] = lines[at].replace('"value": ', '"value": 1', 1)
    write_lines(record, lines)


def line_taken_out(record):
    lines = lines_of(record)
    del lines[reading_at(lines)]
    write_lines(record, lines)


def line_put_in(record):
    lines = lines_of(record)
    lines.insert(reading_at(lines), '{"kind": "remark", "text": "all well"}')
    write_lines(record, lines)


def line_repeated(record):
    lines = lines_of(record)
    lines.insert(reading_at(lines), lines[reading_at(lines)])
    write_lines(record, lines)


def end_cut_off(record):
    write_lines(record, lines_of(record)[:-3])


def digest_forged(record):
    """A figure is changed, and the digest made to fit: only computing the figures again shows it."""
    path = record / "figures.json"
    found = json.loads(path.read_text(encoding="utf-8"))
    figure = next(each for each in found["figures"] if each["name"] == "hysteresis")
    figure["value"] /= 2
    path.write_text(json.dumps(found), encoding="utf-8")
    digest = json.loads((record / "digest.json").read_text())
    digest["files"]["figures.json"] = hashlib.sha256(path.read_bytes()).hexdigest()
    together = "".join(f"{each}  {name}\n" for name, each in digest["files"].items())
    digest["sha256"] = hashlib.sha256(together.encode()).hexdigest()
    (record / "digest.json").write_text(json.dumps(digest))


def test_a_record_as_it_was_sealed_is_intact(record):
    found = core.verify(record)
    assert found.is_intact
    assert found.findings == ()
    assert found.sha256 == json.loads((record / "digest.json").read_text())["sha256"]
    assert found.lines_n == len(lines_of(record))
    assert core.load_record(record).content.alterations == ()


@pytest.mark.parametrize(
    ("alter", "says"),
    [
        (changed_line, r"journal.jsonl:{at}: was changed (reading 1 at point 12, tap"),
        (line_taken_out, "journal.jsonl: line {at} is missing"),
        (line_put_in, "journal.jsonl:{at}: was added, or its chain was taken out (remark)"),
        (line_repeated, "journal.jsonl:{next}: was added, or moved (reading 1 at point 12"),
        (end_cut_off, "journal.jsonl: lines were taken off, or put to, its end"),
        (lambda record: (record / "inputs" / "type.yaml").write_text("type: x"), "inputs/type.yaml: was changed"),
        (lambda record: (record / "readings.csv").unlink(), "readings.csv: is missing"),
        (lambda record: (record / "inputs" / "more.yaml").write_text(""), "inputs/more.yaml: was added"),
        (lambda record: (record / "digest.json").write_text("{}"), "is not a digest"),
        (digest_forged, "figures.json: figures[hysteresis].value is "),
    ],
)
def test_what_was_altered_is_found_and_named(record, alter, says):
    at = reading_at(lines_of(record)) + 1
    alter(record)
    found = core.verify(record)
    assert not found.is_intact
    named = says.format(at=at, next=at + 1)
    assert any(named in each for each in found.findings), found.findings


def test_a_record_that_is_not_sealed_is_not_called_intact(record):
    (record / "digest.json").unlink()
    (record / "unsealed").touch()  # as it lies there until it is sealed
    found = core.verify(record)
    assert (found.is_intact, found.sha256, found.findings) == (False, "", ())


@pytest.mark.parametrize("alter", [changed_line, line_taken_out], ids=["changed", "taken out"])
def test_the_report_of_an_altered_record_says_so_first(record, alter):
    alter(record)
    core.report(record)
    page = (record / "report.html").read_text(encoding="utf-8")
    assert page.index("ALTERED SINCE IT WAS SEALED") < page.index("<h1>")
    from sequencer.reports.terminal import summary

    assert summary(core.load_record(record).content, colour=False).startswith("ALTERED SINCE IT WAS SEALED: journal")


def test_a_remark_stands_beside_the_record_and_in_the_report(record):
    before = {path: path.read_bytes() for path in record.rglob("*") if path.is_file() and path.suffix != ".html"}
    core.remark(record, "The cover was off <while> it ran.", by=BY)
    core.remark(record, "Ambient 24 °C.", by=BY)
    assert all(path.read_bytes() == whole for path, whole in before.items())
    found = core.verify(record)
    assert (found.is_intact, found.added_n) == (True, 2)
    core.report(record)
    page = (record / "report.html").read_text(encoding="utf-8")
    assert f"UTC, {BY}: The cover was off &lt;while&gt; it ran." in page


def test_a_correction_is_judged_with_and_what_was_read_stays(record):
    read = core.load_record(record).readings
    place = (read["number"] == 9) & (read["tap"] == "output")
    mean = read[place]["value"].mean()
    was = float(read[place & (read["reading"] == 2)]["value"].iloc[0])
    core.correct(record, point=9, tap="", reading=2, to="7.5 mA", by=BY, why="figures transposed")
    found = core.load_record(record)
    at_point = found.evaluation.visits.query("setpoint_pct == 20 and direction == 'up' and cycle == 1")
    # By hand: the mean of five readings moves by a fifth of the correction.
    assert float(at_point["output"].iloc[0]) == pytest.approx(mean + (7.5 - was) / 5, abs=1e-9)
    rows = found.readings[
        (found.readings["number"] == 9) & (found.readings["reading"] == 2) & (found.readings["tap"] == "output")
    ]
    assert list(rows["value"]) == [was, 7.5]
    assert list(rows["correction"]) == [0, 1]
    assert rows["note"].iloc[1] == f"corrected by {BY}: figures transposed"
    assert core.verify(record).is_intact
    told = f'{BY}: reading 2 at point 9, tap "output": 7.5 mA in place of {was:.9g}: figures transposed'
    assert any(each.endswith(told) for each in found.content.remarks)
    assert "the verdict as sealed, without the corrections: pass" in found.content.remarks
    assert found.evaluation.verdict.result != "pass"


def test_a_correction_can_be_corrected(record):
    for level in ("7.25 mA", "0.0072 A"):
        core.correct(record, point=9, tap="output", reading=2, to=level, by=BY, why="typing slip")
    rows = core.load_record(record).readings.query("number == 9 and tap == 'output' and reading == 2")
    assert list(rows["correction"]) == [0, 1, 2]
    assert rows["value"].iloc[-1] == pytest.approx(7.2)


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"point": 999}, 'there is no reading 1 at point 999, tap "output"'),
        ({"tap": "outlet"}, 'there is no reading 1 at point 9, tap "outlet"'),
        ({"reading": 6}, "there is no reading 6 at point 9"),
        ({"to": "7.2 V"}, '"7.2 V" is not in mA'),
        ({"to": "7.2"}, '"7.2" has no unit'),
        ({"by": " "}, "a correction without a name"),
        ({"why": ""}, "a correction without a text"),
    ],
)
def test_a_correction_of_nothing_is_refused(record, given, says):
    with pytest.raises(InputError, match=says):
        core.correct(record, **({"point": 9, "tap": "", "reading": 1, "to": "7.2 mA", "by": BY, "why": "slip"} | given))
    assert not (record / "addenda.jsonl").exists()


def test_nothing_is_corrected_in_an_altered_record(record):
    changed_line(record)
    with pytest.raises(RecordError, match="the record was altered"):
        core.correct(record, point=9, tap="", reading=1, to="7.2 mA", by=BY, why="slip")


def test_nothing_is_added_to_a_record_that_is_not_sealed(record):
    (record / "digest.json").unlink()
    with pytest.raises(RecordError, match="is not sealed yet\n  do: livezero resume"):
        core.remark(record, "too early", by=BY)


def test_a_remark_that_was_altered_or_moved_to_another_record_is_found(record):
    core.remark(record, "The cover was off.", by=BY)
    core.remark(record, "Ambient 24 degC.", by=BY)
    path = record / "addenda.jsonl"
    whole = path.read_text()
    path.write_text(whole.replace("was off", "was on"))
    assert core.verify(record).findings == ("addenda.jsonl:1: was changed (remark)",)
    path.write_text(whole.splitlines(keepends=True)[1])
    assert core.verify(record).findings == ("addenda.jsonl: line 1 is missing",)
    path.write_text(whole)
    assert core.verify(record).is_intact
    assert chain_faults(path, seed="of another record") == ("addenda.jsonl:1: was changed (remark)",)


def test_what_is_no_record_is_an_error(tmp_path):
    with pytest.raises(RecordError, match="there is no journal in it"):
        core.verify(tmp_path)


def test_a_correction_that_looks_like_a_slip_itself_is_refused_where_nobody_can_be_asked(record):
    with pytest.raises(InputError, match=r"72.5 mA where about 7.2 mA is expected: decimal point\? 7.25 mA") as refused:
        core.correct(record, point=9, tap="", reading=2, to="72.5 mA", by=BY, why="typo")
    assert "--confirm" in refused.value.todo
    assert core.verify(record).added_n == 0


@pytest.mark.parametrize("is_meant", [True, False])
def test_a_correction_that_looks_like_a_slip_is_asked_about(record, is_meant):
    asked = []

    def answer(question):
        asked.append(question)
        return is_meant

    arguments = {"point": 9, "tap": "", "reading": 2, "to": "27.5 mA", "by": BY, "why": "typo", "is_meant": answer}
    if is_meant:
        assert core.correct(record, **arguments)["signal"] == 27.5
    else:
        with pytest.raises(InputError, match="nothing was corrected"):
            core.correct(record, **arguments)
    assert asked[0].endswith("Is it meant?")
    assert core.verify(record).added_n == int(is_meant)


def test_the_old_and_the_new_value_of_a_correction_are_printed(record):
    from click.testing import CliRunner

    from sequencer.cli.command import cli

    place = ["correct", str(record), "typo", "--point", "9", "--reading", "2", "--by", BY, "--to"]
    refused = CliRunner().invoke(cli, [*place, "72.5 mA"])
    assert refused.exit_code == 2
    was = float(
        core.load_record(record).readings.query("number == 9 and reading == 2 and tap == 'output'")["value"].iloc[0]
    )
    done = CliRunner().invoke(cli, [*place, "72.5 mA", "--confirm"])
    assert done.exit_code == 0
    assert f'corrected reading 2 at point 9, tap "output": {was:g} mA is now 72.5 mA' in done.stderr
