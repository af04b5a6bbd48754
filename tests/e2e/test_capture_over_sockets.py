"""A person looks for noise: a capture with the drive off and on, over real sockets; a trace of an oscilloscope."""

import json

import numpy as np


def test_the_noise_of_a_drive_is_found_over_real_sockets(livezero, served, quick, tmp_path):
    text = quick.read_text()
    quick.write_text(f"{text}  - capture: {{at: 60 %, readings: 60, drive: off and on}}\n")
    with served(quick, cwd=tmp_path, bench=tmp_path / "quick.bench.yaml", faults=["inverter pickup"]) as bench:
        done = livezero("run", quick, "--bench", bench, "--serial", "Q-1", "--confirm", "--json", cwd=tmp_path)
    told = json.loads(done.stdout)
    assert told["status"] == "complete", done.stderr
    (capture,) = told["captures"]
    off, on = capture["bursts"]
    assert (off["drive"], on["drive"]) == ("off", "on")
    assert off["readings_n"] == on["readings_n"] == 60
    assert on["kinds"][0]["kind"] == "bursts to one side"
    assert off["kinds"][0]["kind"] != "bursts to one side"
    assert capture["drive_ratio"] > 5
    assert any("comes from the drive" in each for each in capture["words"])


def test_a_trace_of_a_pickup_is_told_by_the_command(livezero, tmp_path):
    # 12 pulses a revolution, the sixth missing: 11 of 12 are counted.
    number = np.arange(24_000) // 20
    values = np.where((np.arange(24_000) % 20 < 8) & (number % 12 != 5), 4.8, 0.2)
    rows = "".join(f"{1e3 * index / 20_000:.2f};{value:.2f}\n".replace(".", ",") for index, value in enumerate(values))
    (tmp_path / "pickup.csv").write_text(f"Time [ms];Pickup [V]\n{rows}", encoding="utf-8")
    done = livezero("trace", "pickup.csv", "--pulses-per-revolution", "12", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    text = " ".join(done.stdout.split())
    assert "pulse train: 1000 Hz" in text
    assert "duty 40 %" in text
    assert "missing once in 12 pulses" in text
    assert "8.3 % low" in text
