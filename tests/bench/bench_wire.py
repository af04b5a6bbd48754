"""What goes over the wire: messages a reading, and an exchange beside that of a bare pyvisa loop that sends the same.

    python tests/bench/bench_wire.py

The instruments are a process of their own at the loopback address, which answers at once, so that nothing but the two
ends and the line between them is measured. Bare pyvisa and livezero take turns, on two lines to one instrument; each
figure is the median of the turns, and of their ratios. Messages are counted over a whole run of two taps on the
served simulated bench, by its journal: from the first level on, those of settling beside those that are kept.
"""

import json
import subprocess
import sys
import tempfile
import time
from collections import Counter
from functools import partial
from pathlib import Path
from statistics import median
from typing import Any

import pyvisa

from instruments.clock import RealClock
from instruments.described import DescribedInstrument, DescribedReceiver, DescribedSource
from instruments.description import find_description
from instruments.line import opened_line
from instruments.units import quantity
from sequencer import core

MOST_PER_EXCHANGE, MOST_MESSAGES = 1.15, 1.5
TURNS_N, EXCHANGES_N = 31, 100
ANSWERING = r"""
import socket, threading

def talk(line):
    level, held = "+0.0000000E+00", b""
    line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    own = {"*ESR?": "0", "SYST:ERR?": '+0,"No error"', "READ?": "+1.20000000E-02", "*IDN?": "INVENTED,BOTH,0,1",
           "*OPC?": "1", "OUTP?": "0"}
    while chunk := line.recv(4096):
        held += chunk
        *messages, held = held.split(b"\n")
        for message in messages:
            answers = []
            for each in message.decode().split(";"):
                each = each.removeprefix(":")
                if each.startswith("SOUR:CURR "):
                    level = each[10:]
                elif each == "SOUR:CURR?":
                    answers.append(level)
                elif each in own:
                    answers.append(own[each])
            if answers:
                line.sendall(";".join(answers).encode() + b"\n")

with socket.create_server(("127.0.0.1", 0)) as listener:
    print(listener.getsockname()[1], flush=True)
    while True:
        threading.Thread(target=talk, args=(listener.accept()[0],), daemon=True).start()
"""


class Yes:
    """Confirms every caution."""

    def ask(self, _question):
        return "yes"


def per_call_us(call, times_n=EXCHANGES_N):
    begin_s = time.perf_counter()
    for _ in range(times_n):
        call()
    return 1e6 * (time.perf_counter() - begin_s) / times_n


def instrument(manager, resource, name):
    description = find_description(name, beside=Path())
    clock = RealClock()
    session = opened_line("own", resource, description, manager, clock, lambda _: None)
    opened = DescribedInstrument(name="own", description=description, session=session, expected_identity="")
    opened.meet()
    opened.set_up()
    return opened


def measured(resource):
    """Medians of an exchange in us by what was sent: bare pyvisa, session, driver; and of session to bare."""
    manager = pyvisa.ResourceManager("@py")
    bare: Any = manager.open_resource(resource, write_termination="\n", read_termination="\n")
    source, meter = (instrument(manager, resource, f"generic-scpi-{each}") for each in ("source", "meter"))
    driver = DescribedSource(
        instrument=source, function="current", limits=(), safe_level=quantity("0 mA"), clock=RealClock()
    )
    driver._spec = driver._spec.model_copy(update={"settling": 0.0})
    reader = DescribedReceiver(instrument=meter, function="current", clock=RealClock())
    reader._hasty_n = 2  # an instrument that answers at once, and is not doubted
    meter.active = reader
    levels = [quantity(f"{each} mA") for each in (8, 12)]
    for each in levels:
        driver.set(each)
    read, setting = "READ?;*ESR?", "SOUR:CURR 1.2000000E-02;:SYST:ERR?;:SOUR:CURR?;*ESR?"
    ways = {
        "a reading and the event status": (read, meter.session, lambda: (reader.read(), reader.check())),
        "a level, error queue, level and event status": (setting, source.session, lambda: driver.set(levels[1])),
    }
    found = {}
    for what, (message, session, drive) in ways.items():
        turns = [
            [per_call_us(each) for each in (partial(bare.query, message), partial(session.query, message), drive)]
            for _ in range(TURNS_N)
        ]
        ratio = median(session_us / bare_us for bare_us, session_us, _ in turns)
        found[what] = [*(median(each) for each in zip(*turns, strict=True)), ratio]
    for each in (bare, source, meter):
        each.close()
    return found


def counted(folder):
    """Messages and readings of a run at two taps, by its journal: while it settles, and while it reads."""
    with core.simulate("pulse-to-current", "simulated") as served:
        path = folder / "served.yaml"
        path.write_text(served.bench_text, encoding="utf-8")
        sequence = folder / "quick.yaml"
        sequence.write_text(
            "sequence: quick\ntype sheet: pulse-to-current\nsettled within: 10 %\nif never settled: go on\n"
            "cautions: [none]\nsteps:\n  - traverse: {points: 5, cycles: 1, readings: 5}\n",
            encoding="utf-8",
        )
        core.run(core.plan(sequence, path), serial="B-1", results=folder / "results", operator=Yes())
    (journal,) = (folder / "results").glob("*/journal.jsonl")
    lines = [json.loads(each) for each in journal.read_text().splitlines()]
    is_reading, found = False, Counter()
    for line in lines:
        if line["kind"] == "exchange" and line["sent"].startswith("SOUR:FREQ "):
            is_reading = False
            found["sets"] += 1
        if line["kind"] == "settled":
            is_reading = True
        if line["kind"] == "safe":
            break
        if not found["sets"]:
            continue
        if line["kind"] == "exchange":
            found["messages"] += 1
            found["messages while it reads"] += is_reading
            found["samples"] += "READ?" in line["sent"]  # the event status goes before it by turns
        found["readings"] += line["kind"] == "reading"
    return found


def main():
    process = subprocess.Popen([sys.executable, "-c", ANSWERING], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        found = measured(f"TCPIP::127.0.0.1::{int(process.stdout.readline())}::SOCKET")
    finally:
        process.kill()
        process.wait()
    is_well = True
    for what, (bare_us, session_us, driver_us, ratio) in found.items():
        is_well &= ratio <= MOST_PER_EXCHANGE
        print(f"{what}: bare pyvisa {bare_us:.0f} us, exchange {session_us:.0f} us ({ratio:.2f} times),", end=" ")
        print(f"with all that the driver does {driver_us:.0f} us ({driver_us / bare_us:.2f} times)")
    with tempfile.TemporaryDirectory() as folder:
        run = counted(Path(folder))
    each = run["messages while it reads"] / run["readings"]
    overall = run["messages"] / run["samples"]
    is_well &= each <= MOST_MESSAGES and overall <= MOST_MESSAGES
    print(f"{run['readings']} readings kept of {run['samples']}, at two taps: {each:.2f} messages a reading and tap")
    print(f"with all that is set and watched {overall:.2f} messages a reading")
    print("within the limits" if is_well else "OUTSIDE the limits", f"{MOST_PER_EXCHANGE} and {MOST_MESSAGES}")
    sys.exit(not is_well)


if __name__ == "__main__":
    main()
