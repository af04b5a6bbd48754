"""An instrument with commands of its own on the simulated bench: the message says that it cannot be simulated."""

METER = """\
instrument: a meter with a language of its own (invented)
functions:
  current: {reads: mA, query: "READ OUT NOW", ranges: [{range: 0 .. 22 mA}]}
"""


def test_a_meter_with_commands_of_its_own_says_that_it_cannot_be_simulated(livezero, quick, tmp_path):
    (tmp_path / "meter.yaml").write_text(METER)
    bench = tmp_path / "quick.bench.yaml"
    own = bench.read_text().replace("meter: {description: generic-scpi-meter", "meter: {description: meter.yaml")
    bench.write_text(own)
    done = livezero("run", quick, "--bench", bench, "--serial", "X", cwd=tmp_path)
    assert done.returncode == 3
    assert "cannot be simulated" in done.stderr
