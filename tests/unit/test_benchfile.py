"""The bench file: what hangs where; every fault at once, with its place."""

from pathlib import Path

import pytest

from instruments import benchfile
from instruments.benchfile import load_bench
from instruments.errors import InputError
from instruments.units import show

SHIPPED = sorted((Path(benchfile.__file__).parent / "benches").glob("*.yaml"))
GOOD = """bench: mine
backend: "@py"
instruments:
  source: {description: generic-scpi-source, resource: "TCPIP::127.0.0.1::1::SOCKET", limits: 0 .. 22 mA}
  meter: {description: generic-scpi-meter, resource: "TCPIP::127.0.0.1::2::SOCKET"}
taps:
  input: {set by: source}
  output: {read by: meter}
"""


def loaded(folder, text):
    path = folder / "bench.yaml"
    path.write_text(text, encoding="utf-8")
    return load_bench(path)


def faults_of(folder, text):
    with pytest.raises(InputError, match=r"bench\.yaml:\d+:\d+") as caught:
        loaded(folder, text)
    return [caught.value, *caught.value.others]


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_every_shipped_bench_loads_with_its_descriptions(path):
    bench = load_bench(path)
    assert set(bench.descriptions) == set(bench.file.instruments)


def test_a_bench_names_instruments_and_what_they_are_wired_to(tmp_path):
    bench = loaded(tmp_path, GOOD)
    assert bench.file.taps["input"].set_by == "source"
    assert bench.descriptions["meter"].instrument == "generic SCPI-1999 meter"
    assert bench.where("taps", "output") == f"{tmp_path / 'bench.yaml'}:8:3"
    assert not bench.file.is_simulated


@pytest.mark.parametrize(
    ("old", "new", "what", "place", "todo"),
    [
        ("set by: source", "set by: sorce", 'this bench has no instrument "sorce"', "7:11", 'write "source"'),
        (
            "read by: meter",
            "read by: meter, read function: curent",
            'instrument "meter" has no function "curent"',
            "8:28",
            'write "current"',
        ),
        (
            "generic-scpi-meter",
            "generic-scpi-metre",
            'there is no instrument description "generic-scpi-metre"',
            "5:11",
            'write "generic-scpi-meter"',
        ),
        (
            ', resource: "TCPIP::127.0.0.1::2::SOCKET"',
            "",
            '"resource" is missing of instrument "meter"',
            "5:3",
            "add it",
        ),
        ("127.0.0.1::2", "127.0.0.1::1", '"source" and "meter" have one resource', "5:44", ""),
        ("0 .. 22 mA", "0 .. 22 s", '"source" sets nothing that 0 .. 22 s could be', "4:87", ""),
        ("limits: 0 .. 22 mA", "safe level: 3 rpm", '"source" sets nothing that 3 rpm could be', "4:87", ""),
        (
            "set by: source",
            "set by: source, red by: meter",
            '"taps.input.red by" is not a key here',
            "7:27",
            'write "read by: meter"',
        ),
        ("{set by: source}", "{}", "taps.input: the keys do not fit together", "7:3", ""),
        ('"@py"', "simulated", 'backend "simulated" needs "simulation"', "2:1", ""),
        (
            "0 .. 22 mA",
            "4-20",
            'instruments.source.limits: range "4-20" has no unit',
            "4:87",
            "add the unit from the data plate",
        ),
    ],
)
def test_a_fault_is_told_with_its_place_and_remedy(tmp_path, old, new, what, place, todo):
    assert old in GOOD
    faults = faults_of(tmp_path, GOOD.replace(old, new))
    assert [fault.what for fault in faults] == [what]
    assert faults[0].where == f"{tmp_path / 'bench.yaml'}:{place}"
    assert faults[0].todo.startswith(todo)


@pytest.mark.parametrize(
    ("faults", "what", "todo"),
    [
        (
            '["stuck output, level=50 %"]',
            'simulation.faults.1: "stuck output, level=50 %" cannot stand here',
            'write "{fault: stuck output, level: 50 %}"',
        ),
        ("stuck output", 'simulation.faults: "stuck output" cannot stand here', 'write "- {fault: stuck output}"'),
        ("[stuck output=50 %]", 'simulation.faults.1: "stuck output=50 %" cannot stand here', ""),
        ("[{stuck output: 50 %}]", 'simulation.faults.1: "fault" is missing', ""),
    ],
)
def test_a_simulated_fault_as_the_command_line_takes_it_is_answered_with_the_line_to_write(
    tmp_path, faults, what, todo
):
    (fault,) = faults_of(tmp_path, GOOD.replace('"@py"', "simulated") + f"simulation: {{faults: {faults}}}\n")
    assert (fault.what, fault.todo) == (what, todo)
    assert "{fault: span error, span: 0.8 %}" in fault.allowed


def test_faults_between_files_come_all_at_once(tmp_path):
    text = GOOD.replace("generic-scpi-meter", "nothing-like-it").replace("set by: source", "set by: sorce")
    assert [fault.what for fault in faults_of(tmp_path, text)] == [
        'there is no instrument description "nothing-like-it"',
        'this bench has no instrument "sorce"',
    ]


def test_a_fault_in_a_description_names_the_file_of_the_description(tmp_path):
    (tmp_path / "own.yaml").write_text("instrument: x\ntimeout: soon\nkind: remot\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"own\.yaml:2:1") as caught:
        loaded(tmp_path, GOOD.replace("generic-scpi-meter", "own.yaml"))
    assert [fault.where.rpartition("own.yaml:")[2] for fault in (caught.value, *caught.value.others)] == ["2:1", "3:1"]
    (tmp_path / "own.yaml").write_text("instrument: x\nfunctions: {}\n", encoding="utf-8")
    with pytest.raises(InputError, match='"functions" that set or read'):
        loaded(tmp_path, GOOD.replace("generic-scpi-meter", "own.yaml"))


def test_a_bench_read_by_hand_needs_no_resource(tmp_path):
    bench = loaded(
        tmp_path, "bench: hand\ninstruments: {m: {description: keyed-meter}}\ntaps: {output: {read by: m}}\n"
    )
    assert bench.descriptions["m"].kind == "keyed"


def test_the_safe_level_of_the_bench_goes_before_that_of_the_description(tmp_path):
    bench = loaded(tmp_path, GOOD.replace("limits: 0 .. 22 mA", "safe level: 4 mA"))
    assert show(bench.safe_level("source", "current")) == "4 mA"
    assert show(bench.safe_level("source", "voltage")) == "0 V"  # 4 mA says nothing of it
    assert bench.safe_level("meter", "current") is None


def test_only_a_simulated_bench_takes_a_seed_and_faults(tmp_path):
    with pytest.raises(InputError, match="this bench is real") as caught:
        loaded(tmp_path, GOOD).with_simulation(seed=2, faults=())
    assert caught.value.where.endswith(":2:1")
    simulated = loaded(tmp_path, GOOD.replace('"@py"', "simulated") + "simulation: {seed: 7}\n")
    other = simulated.with_simulation(seed=None, faults=({"fault": "span error"},))
    assert (other.file.simulation.seed, other.file.simulation.faults) == (7, ({"fault": "span error"},))
    assert simulated.file.simulation.faults == ()
