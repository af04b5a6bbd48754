"""A bench is proved instrument by instrument; one that fails does not keep the next from its turn."""

from pathlib import Path

import pytest

from instruments import benchfile
from instruments.benchcheck import check
from instruments.benchfile import load_bench
from instruments.datasheet import DataSheet, Stage, Tap
from instruments.errors import InstrumentError

SHEET = DataSheet(
    type="isolator",
    taps=(Tap(name="input", low=4, high=20, unit="mA"), Tap(name="output", low=4, high=20, unit="mA")),
    stages=(Stage(name="isolator", time_constant_s=0.1),),
)
BENCH = """bench: mine
backend: simulated
simulation: {}
instruments:
  source: {description: generic-scpi-source, resource: "TCPIP::127.0.0.1::1::SOCKET"}
  reader: {description: keyed-meter}
  meter: {description: generic-scpi-meter, resource: "GPIB0::7::INSTR"}
  spare: {description: keyed-meter}
taps:
  input: {set by: source, read by: reader}
  output: {read by: meter}
"""


def checked(folder, text):
    (folder / "bench.yaml").write_text(text, encoding="utf-8")
    return {each.instrument: each for each in check(load_bench(folder / "bench.yaml"), SHEET)}


def test_each_function_and_range_is_taken_and_read(tmp_path):
    found = checked(tmp_path, BENCH)
    assert [each.error for each in found.values()] == [None] * 4
    assert found["source"].identity == "LIVEZERO,SIMULATED SOURCE,0,0.1"
    assert found["source"].findings[0] == "identified, error queue empty"
    assert "current: 2 ranges taken, at its safe level of 0 mA, output off" in found["source"].findings
    assert any(each.startswith("current: 2 ranges taken, reads ") for each in found["meter"].findings)
    assert found["spare"].findings == ("set or read by a person: nothing to talk to", "wired to no tap")


def test_another_instrument_is_found_and_the_next_one_checked(tmp_path):
    found = checked(tmp_path, BENCH.replace('1::SOCKET"', '1::SOCKET", identity: COUNTER'))
    assert isinstance(found["source"].error, InstrumentError)
    assert 'identifies itself as "LIVEZERO,SIMULATED SOURCE' in found["source"].error.what
    assert found["source"].findings == ()
    assert found["meter"].error is None


def test_a_command_that_the_instrument_does_not_know_is_told_with_the_command(tmp_path):
    shipped = Path(benchfile.__file__).parent / "descriptions" / "generic-scpi-meter.yaml"
    own = shipped.read_text(encoding="utf-8").replace('"SENS:RES:NPLC 1"', '"SENS:RES:NPLCC 1"')
    (tmp_path / "own.yaml").write_text(own, encoding="utf-8")
    error = checked(tmp_path, BENCH.replace("generic-scpi-meter", "own.yaml"))["meter"].error
    assert error.what.startswith("reports -113, Undefined header")
    assert error.what.endswith("after CONF:RES 1.0000E+03 SENS:RES:NPLCC 1")


def test_a_safe_level_of_one_function_is_no_fault_of_the_others(tmp_path):
    found = checked(tmp_path, BENCH.replace('1::SOCKET"', '1::SOCKET", safe level: 4 mA'))
    assert found["source"].error is None
    assert "current: 2 ranges taken, at its safe level of 4 mA, output off" in found["source"].findings
    assert "voltage: 3 ranges taken, at its safe level of 0 V, output off" in found["source"].findings


def test_an_output_without_a_safe_level_is_not_touched(tmp_path):
    text = "instrument: x\nfunctions: {current: {sets: mA, set: 'SOUR:CURR {level}', ranges: [{range: 0 .. 24 mA}]}}\n"
    (tmp_path / "own.yaml").write_text(text, encoding="utf-8")
    found = checked(tmp_path, BENCH.replace("generic-scpi-source", "own.yaml"))
    assert found["source"].findings[-1] == "current: no safe level is known, so it was not touched"


def test_nothing_is_energised(tmp_path, monkeypatch):
    sent = []
    monkeypatch.setattr(
        "instruments.session.Session._told", lambda self, _start_s, command, *_, **__: sent.append((self.name, command))
    )
    checked(tmp_path, BENCH)
    assert ("source", "OUTP OFF") in sent
    assert not [command for _, command in sent if "OUTP ON" in command]
    assert sent.index(("source", "OUTP OFF")) < sent.index(("source", "*RST"))


@pytest.mark.parametrize("name", ["simulated", "by-hand"])
def test_a_shipped_bench_checks_out(name):
    taps = (("demand", 4, 20, "mA"), ("speed", 0, 1200, "rpm"), ("pulse", 0, 1200, "Hz"), ("returned", 4, 20, "mA"))
    chain = DataSheet(
        type="chain",
        taps=tuple(Tap(name=tap, low=low, high=high, unit=unit) for tap, low, high, unit in taps),
        stages=(Stage(name="drive"), Stage(name="gear", pulses_per_revolution=60.0), Stage(name="converter")),
    )
    path = Path(benchfile.__file__).parent / "benches" / f"{name}.yaml"
    assert [each.error for each in check(load_bench(path), chain) if each.error is not None] == []


def test_what_a_simulated_bench_has_for_other_units_is_no_fault():
    loaded = load_bench(Path(benchfile.__file__).parent / "benches" / "simulated.yaml")
    found = {each.instrument: each for each in check(loaded, SHEET)}
    assert [each.error for each in found.values()] == [None] * 5
    assert found["tachometer"].findings == (
        "wired to speed, which this unit does not have, so it is not simulated: nothing to talk to",
    )
    assert found["meter"].findings[0] == "identified, error queue empty"


def test_a_spare_of_a_simulated_bench_is_no_fault(tmp_path):
    spare = '  other: {description: generic-scpi-meter, resource: "GPIB0::9::INSTR"}\ntaps:'
    found = checked(tmp_path, BENCH.replace("taps:", spare))
    assert found["other"].error is None
    assert found["other"].findings == ("wired to no tap, so it is not simulated: nothing to talk to",)
