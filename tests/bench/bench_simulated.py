"""Speed of the simulated bench, as ratios to things measured in the same run: python tests/bench/bench_simulated.py."""

import socket
import threading
import time
from typing import Any, cast

import pyvisa

from instruments.clock import RealClock, VirtualClock
from instruments.datasheet import DataSheet, Stage, Tap
from instruments.simulated.bench import SimulatedBench
from instruments.simulated.instrument import SimulatedInstrument
from instruments.simulated.server import serve
from instruments.simulated.visa import resource_manager

TAPS = (Tap(name="in", low=4, high=20, unit="mA"), Tap(name="out", low=4, high=20, unit="mA"))
SHEET = DataSheet(type="isolator", taps=TAPS, stages=(Stage(name="unit", time_constant_s=0.5, dead_time_s=0.1),))
WIRED = (
    SimulatedInstrument(name="source", resource="TCPIP::127.0.0.1::5025::SOCKET", sets="in"),
    SimulatedInstrument(name="meter", resource="TCPIP::127.0.0.1::5026::SOCKET", reads="out"),
)
ENDS = {"read_termination": "\n", "write_termination": "\n"}


def us_each(act, count_n=5000):
    best_s = float("inf")
    for _ in range(3):
        begin_s = time.perf_counter()
        for _ in range(count_n):
            act()
        best_s = min(best_s, time.perf_counter() - begin_s)
    return best_s / count_n * 1e6


def main() -> None:
    unit_us = us_each(lambda: float(f"{1.2345e-2:+.8E}"), 100_000)
    print(f"1 = {unit_us:.3f} us, a float written as +1.23E-02 and read back")
    clock = VirtualClock()
    bench = SimulatedBench(SHEET, WIRED, clock=clock)
    manager = resource_manager(bench)
    source, meter = (cast(Any, manager.open_resource(spec.resource, **ENDS)) for spec in WIRED)
    source.write("CURR 12 MA;:OUTP ON")
    meter.write("CONF:CURR 0.1")

    def plant():
        begin_s = clock.now()
        clock.sleep(0.02)
        bench.plant.seen(1, begin_s, clock.now())

    rows = [
        ("plant, one reading", us_each(plant)),
        ("exchange, OUTP?", us_each(lambda: bench.exchange("source", "OUTP?"))),
        ("exchange, READ?", us_each(lambda: bench.exchange("meter", "READ?"))),
        ("VISA in process, OUTP?", us_each(lambda: source.query("OUTP?"))),
        ("VISA in process, READ?", us_each(lambda: meter.query("READ?"))),
    ]
    begin_s = time.perf_counter()
    for step in range(66):
        source.write(f"CURR {4 + step % 11 * 1.6} MA")
        for _ in range(100):
            meter.query("READ?")
            clock.sleep(0.1)
    rows.append(("run of 66 points, 6600 readings, a reading", (time.perf_counter() - begin_s) / 6600 * 1e6))
    with serve(SimulatedBench(SHEET, WIRED, clock=RealClock())) as served:
        real = cast(Any, pyvisa.ResourceManager("@py").open_resource(served.resources["source"], **ENDS))
        rows.append(("VISA over TCP, OUTP?", us_each(lambda: real.query("OUTP?"), 1000)))
        real.close()
    rows.append(("echo over TCP, bare", echo_us()))
    for name, each_us in rows:
        print(f"{name:45s} {each_us:8.1f} us {each_us / unit_us:8.0f}")


def echo_us():
    listener = socket.create_server(("127.0.0.1", 0))

    def echo():
        client, _ = listener.accept()
        with client:
            while data := client.recv(100):
                client.sendall(data)

    thread = threading.Thread(target=echo, daemon=True)
    thread.start()
    with socket.create_connection(listener.getsockname()) as client:

        def once():
            client.sendall(b"OUTP?\n")
            client.recv(100)

        each_us = us_each(once, 1000)
    thread.join(5)
    listener.close()
    return each_us


if __name__ == "__main__":
    main()
