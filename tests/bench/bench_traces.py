"""Traces of ten million samples, read and analysed by the command, and the noise of ten thousand readings.

python tests/bench/bench_traces.py
Wanted: at most 5 s and 400 MB for each file, at most 1 s for the readings; processor time, with OPENBLAS_NUM_THREADS=1.
Beside each time stands how many times that is of a fixed piece of work in numpy, since machines differ and are shared.
"""

import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from sequencer.diagnosis.noise.burst import noise_of

SAMPLES_N = 10_000_000
READINGS_N = 10_000
# VmHWM is of the process itself; ru_maxrss begins with that of the one which started it.
_CHILD = (
    "import sys, time; from sequencer import core; core.trace(sys.argv[1]);"
    "print(next(line.split()[1] for line in open('/proc/self/status') if line.startswith('VmHWM')),"
    "time.process_time())"
)


def waves() -> dict[str, np.ndarray]:
    """Pulses of 200 samples with noise, the same on strong hum, and noise alone; full scale is 1."""
    noise = np.random.default_rng(1).normal(0, 0.02, SAMPLES_N)
    pulses = np.where(np.arange(SAMPLES_N) % 200 < 100, 0.6, -0.6) + noise
    hum = 0.5 * np.sin(2 * np.pi * 50.02e-6 * np.arange(SAMPLES_N))
    return {"pulses": pulses, "pulses on hum": 0.4 * pulses + hum, "noise": noise}


def fixed_s() -> float:
    """Processor time of a fixed piece of work."""
    values = np.random.default_rng(0).normal(size=1_000_000)
    begun_s = time.process_time()
    for _ in range(5):
        np.fft.rfft(values[: 2**19])
        np.sort(values)
        np.exp(values)
    return time.process_time() - begun_s


def as_csv(path: Path, values: np.ndarray) -> None:
    """Times of seven digits, values of four places."""
    with path.open("w") as file:
        file.write("time [s],CH1 [V]\n")
        for start in range(0, len(values), 500_000):
            part = enumerate(values[start : start + 500_000].tolist(), start=start)
            file.write("".join(f"{number / 1e6:.7g},{value:.4f}\n" for number, value in part))


def as_wav(path: Path, data: bytes, code: int, width: int) -> None:
    """One channel, a million samples a second."""
    form = struct.pack("<HHIIHH", code, 1, 1_000_000, 1_000_000 * width, width, 8 * width)
    body = b"WAVEfmt " + struct.pack("<I", len(form)) + form + b"data" + struct.pack("<I", len(data)) + data
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)


def measure(name: str, path: Path) -> None:
    """Processor time, that of the start too, and memory of one file in a process of its own."""
    done = subprocess.run([sys.executable, "-c", _CHILD, str(path)], capture_output=True, text=True, check=True)
    held_kB, took_s = done.stdout.split()
    print(f"{name:28} {float(took_s):6.2f} s {float(took_s) / fixed_s():6.1f} {int(held_kB) * 1024 / 1e6:7.0f} MB")


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        for name, values in waves().items():
            path = Path(folder) / "trace.csv"
            as_csv(path, values)
            measure(f"{name}, CSV", path)
            path = Path(folder) / "trace.wav"
            as_wav(path, np.round(32767 * values).astype("<i2").tobytes(), 1, 2)
            measure(f"{name}, WAV of 16 bit", path)
            as_wav(path, values.astype("<f4").tobytes(), 3, 4)
            measure(f"{name}, WAV of 32 bit", path)
    rng = np.random.default_rng(2)
    t = np.arange(READINGS_N) * 0.02
    for name, y in {
        "white noise": rng.normal(12, 0.01, READINGS_N),
        "mains": 12 + 0.02 * np.sin(2 * np.pi * 50.3 * t) + rng.normal(0, 0.002, READINGS_N),
        "wander": 12 + np.cumsum(rng.normal(0, 0.001, READINGS_N)),
    }.items():
        begun_s = time.process_time()
        noise_of(y, t, unit="Hz", is_counted=True)
        took_s = time.process_time() - begun_s
        print(f"{READINGS_N} readings, {name:13} {took_s:6.2f} s {took_s / fixed_s():6.1f}")


if __name__ == "__main__":
    main()
