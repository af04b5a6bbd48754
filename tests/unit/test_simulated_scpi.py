"""The instrument's side of SCPI, by the rules of the standard."""

import random

import pytest

from instruments.clock import VirtualClock
from instruments.datasheet import DataSheet, Stage, Tap
from instruments.simulated.bench import SimulatedBench
from instruments.simulated.instrument import SimulatedInstrument
from instruments.simulated.physics import Nature
from instruments.simulated.scpi import Arguments, Interpreter, ScpiError, Tree, error_text

QUIET = Nature(zero_pct=0, span_pct=0, hysteresis_pct=0, noise_pct=0, source_pct=0, source_noise_pct=0)


class Bench:
    """One instrument of each sort on a current isolator, a pulse rate and a speed."""

    def __init__(self):
        taps = (
            Tap(name="demand", low=4, high=20, unit="mA"),
            Tap(name="speed", low=0, high=1200, unit="rpm"),
            Tap(name="rate", low=0, high=1200, unit="Hz"),
            Tap(name="loop", low=4, high=20, unit="mA"),
        )
        stages = tuple(Stage(name=name) for name in ("drive", "pick-up", "converter"))
        wired = (
            SimulatedInstrument(
                name="calibrator", resource="GPIB0::1::INSTR", sets="demand", reads="loop", identity="A,B,1,0"
            ),
            SimulatedInstrument(name="counter", resource="GPIB0::2::INSTR", reads="rate"),
            SimulatedInstrument(name="tachometer", resource="ASRL1::INSTR", dialect="serial", reads="speed"),
        )
        self.clock = VirtualClock()
        sheet = DataSheet(type="loop", taps=taps, stages=stages)
        self.bench = SimulatedBench(sheet, wired, clock=self.clock, nature=QUIET, seed=1)

    def ask(self, message, name="calibrator"):
        line = self.bench.exchange(name, message).line
        return None if line is None else line.decode()

    def errors(self):
        return [int(entry.split(",")[0]) for entry in iter(lambda: self.ask("SYST:ERR?"), '0,"No error"')]


@pytest.fixture
def bench():
    return Bench()


@pytest.mark.parametrize(
    "header",
    [
        "SOUR:CURR",
        "source:current",
        "SOURce:CURRent:LEVel:IMMediate:AMPLitude",
        ":sour:curr:lev",
        "CURR:AMPL",
        "CURR",
        "SOUR1:CURR1",
    ],
)
def test_short_and_long_forms_and_optional_nodes_are_one_command(bench, header):
    bench.ask(f"{header} 0.0125")
    assert bench.errors() == []
    assert float(bench.ask("SOUR:CURR?")) == pytest.approx(0.0125)


@pytest.mark.parametrize("header", ["SOURC:CURR", "CURRE", "SOUR:LEV", "SOUR", "CURR:FOO", "VOLTAG", "READ"])
def test_what_lies_between_the_forms_is_undefined(bench, header):
    bench.ask(f"{header} 0.0125")
    assert bench.errors() == [-113]


@pytest.mark.parametrize(
    ("parameter", "level_A"),
    [
        ("12 MA", 0.012),
        ("12ma", 0.012),
        ("1.2E-2", 0.012),
        (".012", 0.012),
        ("+12000 uA", 0.012),
        ("0.012 A", 0.012),
        ("12 E-3", 0.012),
        ("MAX", 0.1),
        ("MINimum", -0.1),
        ("DEF", 0.0),
    ],
)
def test_a_number_is_read_with_its_unit(bench, parameter, level_A):
    bench.ask(f"CURR {parameter}")
    assert bench.errors() == []
    assert float(bench.ask("CURR?")) == pytest.approx(level_A, abs=1e-12)


@pytest.mark.parametrize(
    ("message", "codes"),
    [
        ("CURR 0.2", [-222]),
        ("CURR INF", [-222]),
        ("CURR NAN", [-222]),
        ("CURR 12 MV", [-131]),
        ("CURR 12 XA", [-131]),
        ("CURR 1.2.3", [-121]),
        ("CURR HIGH", [-141]),
        ('CURR "0.01"', [-104]),
        ("CURR", [-109]),
        ("CURR 0.01,0.02", [-108]),
        ("CURR 0.01,", [-103]),
        ("CURR 1E99999", [-123]),
        ("OUTP2 ON", [-114]),
        ("OUTP MAYBE", [-141]),
        ("*ESE 12 V", [-138]),
        ("*ESE 300", [-222]),
        ("*RST 1", [-108]),
        ("VERYLONGMNEMONIC 1", [-112]),
        ("CURR+1", [-111]),
        ("12 CURR", [-102]),
        ("C\xb5RR 1", [-101]),
        ('SENS:FUNC "CURR', [-151]),
        ("SENS:FUNC CURR", [-104]),
        ('SENS:FUNC "WATT"', [-224]),
        ("SOUR:FUNC WATT", [-224]),
        ("FETC?", [-230]),
        # A command error drops the rest of the message; an execution error does not.
        ("FOO;CURR 0.01", [-113]),
        ("CURR 1;CURR 2", [-222, -222]),
    ],
)
def test_a_mistake_is_reported_by_its_standard_number(bench, message, codes):
    assert bench.ask(message) is None
    assert bench.errors() == codes


def test_megahertz_and_megohm_are_mega_and_all_other_m_are_milli():
    read = Arguments(("1 MHZ", "1 MOHM", "1 MV", "1 MAV")).number
    assert [read(i, unit=unit, low=0, high=1e9, default=0) for i, unit in enumerate(("HZ", "OHM", "V", "V"))] == [
        1e6,
        1e6,
        1e-3,
        1e6,
    ]


def test_a_semicolon_keeps_the_node_a_colon_resets_it_and_a_common_command_leaves_it(bench):
    assert bench.ask("SOUR:CURR:RANG 0.1;RANG?;*OPC?;LIM?;:SYST:VERS?") == "+1.00000000E-01;1;+1.00000000E-01;1999.0"
    assert bench.errors() == []
    assert bench.ask("SYST:ERR:COUN?;VERS?") == "0"  # the node is SYST:ERR now
    assert bench.errors() == [-113]


def test_replies_of_one_message_are_joined_and_quotes_are_not_split():
    tree = Tree()
    tree.add("DISPlay:TEXT?", lambda arguments: arguments.texts[0])
    interpreter = Interpreter(tree, identity="X", reset=lambda: None)
    assert interpreter.handle("DISP:TEXT? \"a;b,c\";*IDN?;:DISP:TEXT? 'd;e'") == "\"a;b,c\";X;'d;e'"
    assert interpreter.handle("DISP:TEXT? (@1,2)") == "(@1,2)"


def test_the_error_queue_is_first_in_first_out_and_overflows_with_its_own_entry(bench):
    for _ in range(25):
        bench.ask("FOO")
    assert bench.ask("SYST:ERR:COUN?") == "20"
    assert bench.errors() == [*[-113] * 19, -350]
    bench.ask("FOO")
    bench.ask("CURR 5")
    assert bench.ask("SYST:ERR:ALL?") == '-113,"Undefined header",-222,"Data out of range"'
    bench.ask("FOO;*CLS")
    bench.ask("*CLS")
    assert bench.ask("SYST:ERR:NEXT?") == '0,"No error"'


def test_the_status_registers_tell_the_class_of_an_error(bench):
    assert bench.ask("*ESR?") == "128"  # power on
    bench.ask("*ESE 32;*SRE 32")
    bench.ask("FOO")
    assert bench.ask("*STB?") == "100"  # error queue 4, event summary 32, master 64
    bench.ask("CURR 5")
    bench.ask("*OPC")
    assert bench.ask("*ESR?;*ESR?") == "49;0"
    assert bench.ask("*ESE?;*SRE?;*OPC?;*TST?") == "32;32;1;0"


def test_an_error_text_is_that_of_the_standard_and_keeps_to_255_characters():
    assert error_text(-222) == '-222,"Data out of range"'
    assert error_text(-240, 'a "b"') == "-240,\"Hardware error;a 'b'\""
    assert len(error_text(-240, "x" * 400)) == 5 + 1 + 255 + 1


def test_reset_switches_the_output_off_and_the_level_to_nothing(bench):
    bench.ask("CURR 12 MA;:OUTP ON")
    assert bench.ask("OUTP?;:CURR?") == "1;+1.20000000E-02"
    bench.ask("*RST")
    assert bench.ask("OUTP?;:CURR?") == "0;+0.00000000E+00"
    assert float(bench.ask("MEAS:CURR? 0.1")) == pytest.approx(
        4.02e-3, abs=1e-6
    )  # at rest, and the first reading is off


def test_a_limit_holds_until_it_is_widened(bench):
    bench.ask("CURR:LIM 22 MA;:CURR:LIM:LOW 0")
    bench.ask("CURR 23 MA")
    bench.ask("CURR -1 MA")
    bench.ask("CURR 20 MA")
    bench.ask("CURR:LIM 10 MA")
    assert bench.errors() == [-222, -222, -221]
    assert bench.ask("CURR? MAX;:CURR? MIN;:CURR?") == "+2.20000000E-02;+0.00000000E+00;+2.00000000E-02"


def test_a_fixed_range_bounds_the_level(bench):
    bench.ask("CURR:RANG 25 MA")
    bench.ask("CURR 30 MA")
    assert bench.errors() == [-222]
    bench.ask("CURR:RANG:AUTO ON;:CURR 30 MA")
    assert bench.errors() == []


def test_a_reading_takes_its_aperture_and_the_first_after_a_range_change_is_off(bench):
    bench.ask("CURR 12 MA;:OUTP ON;:CONF:CURR 0.1;:SENS:CURR:NPLC 10")
    begin_s = bench.clock.now()
    readings = [float(bench.ask("READ?")) for _ in range(4)]
    assert bench.clock.now() - begin_s == pytest.approx(0.8)
    assert readings[0] == pytest.approx(12.02e-3, abs=1e-6)
    assert readings[2:] == pytest.approx([12e-3] * 2, abs=6e-7)
    assert bench.ask("FETC?") == bench.ask("FETC?")
    assert bench.ask("CONF?;SENS:FUNC?") == '"CURR 1.000000E-01";"CURR"'


def test_more_than_1_2_of_the_range_is_sent_as_overload(bench):
    bench.ask("CURR 11.9 MA;:OUTP ON;:SENS:CURR:RANG 0.01;:SENS:FUNC 'CURR'")
    assert float(bench.ask("READ?")) < 0.0121
    bench.ask("CURR 12.1 MA")
    assert bench.ask("READ?") == "+9.90000000E+37"


def test_a_meter_that_is_not_set_to_what_is_wired_reads_about_nothing(bench):
    bench.ask("CURR 12 MA;:OUTP ON;:CONF:VOLT 10")
    bench.ask("READ?")
    assert abs(float(bench.ask("READ?"))) < 2e-4


def test_several_samples_come_in_one_reply(bench):
    bench.ask("CONF:CURR;:SAMP:COUN 3")
    assert len(bench.ask("READ?").split(",")) == 3


def test_a_reciprocal_counter_resolves_and_a_direct_one_counts_whole_pulses(bench):
    bench.ask("CURR 8.001 MA;:OUTP ON")  # 25.00625 % of 1200 Hz: 300.075 Hz
    bench.ask("CONF:FREQ;:SENS:FREQ:APER 0.5", "counter")
    assert float(bench.ask("READ?", "counter")) == pytest.approx(300.075, abs=0.01)
    bench.ask("SENS:FREQ:MODE DIR", "counter")
    readings = {float(bench.ask("READ?", "counter")) for _ in range(200)}
    assert readings == {300.0, 302.0}


def test_a_counter_without_pulses_says_nothing_after_its_time_out(bench):
    bench.ask("CONF:FREQ", "counter")
    begin_s = bench.clock.now()
    assert float(bench.ask("READ?", "counter")) == 0
    assert bench.clock.now() - begin_s == pytest.approx(1.1)


def test_a_half_that_is_not_wired_is_not_there(bench):
    assert bench.ask("CURR 0.01", "counter") is None
    assert bench.ask("SYST:ERR?", "counter").startswith("-113")


@pytest.mark.parametrize(
    ("line", "reply"),
    [("R", "+0600.0 RPM"), ("v", "LIVEZERO,SIMULATED,0,0.1"), ("S 3", "E4"), ("O1", "E4"), ("X", "E1"), ("", None)],
)
def test_the_serial_dialect_answers_in_lines(bench, line, reply):
    bench.ask("CURR 12 MA;:OUTP ON")
    assert bench.ask(line, "tachometer") == reply


def test_a_serial_source_sets_switches_and_refuses():
    taps = (Tap(name="in", low=0, high=20, unit="mA"), Tap(name="out", low=0, high=20, unit="mA"))
    spec = SimulatedInstrument(name="source", resource="ASRL1::INSTR", dialect="serial", sets="in")
    sheet = DataSheet(type="i", taps=taps, stages=(Stage(name="unit"),))
    bench = SimulatedBench(sheet, (spec,), clock=VirtualClock(), nature=QUIET)

    def ask(line):
        return bench.exchange("source", line).line.decode()

    talk = [ask(line) for line in ("S 12.000", "O1", "S?", "O?", "S 26", "S nan", "S x", "E?", "E?", "R")]
    assert talk == ["OK", "OK", "+12.000 MA", "1", "E3", "E3", "E2", "2", "0", "E4"]
    assert bench.plant.signal(1, 1.0) == pytest.approx(12)
    assert ask("Z") == "OK"
    assert bench.plant.signal(1, 2.0) == 0


def test_too_many_parameters_are_refused_by_arguments_themselves():
    with pytest.raises(ScpiError) as caught:
        Arguments(("1", "2")).expect(0, 1)
    assert caught.value.code == -108


def test_no_message_whatever_raises_and_every_command_still_works_after_it(bench):
    rng = random.Random(1)
    parts = [
        "SOUR",
        "CURR",
        ":",
        ";",
        "?",
        " ",
        ",",
        "'",
        '"',
        "(",
        ")",
        "1E400",
        "-1e-400",
        "MAX",
        "*",
        "*ESE",
        "OUTP",
        "#",
        "12 MA",
    ]
    parts += [
        "SENS",
        "FUNC",
        "READ?",
        "CONF",
        "FREQ",
        "RANG",
        "AUTO",
        "\x00",
        "\xb5",
        "\xdf",
        "LIM",
        "NAN",
        "SAMP:COUN",
        "",
        "\t",
        "R",
        "S ",
    ]
    for _ in range(3000):
        message = "".join(rng.choice(parts) for _ in range(rng.randint(1, 9)))
        for name in ("calibrator", "counter", "tachometer"):
            bench.ask(message, name)
    assert bench.ask("*CLS;*RST;*IDN?;:SYST:ERR?") == 'A,B,1,0;0,"No error"'
