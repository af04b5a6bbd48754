"""The line to an instrument by its resource, opened through VISA: terminations, serial settings, its own lock."""

from collections.abc import Callable
from typing import cast

import pyvisa
from pyvisa.constants import ControlFlow, Parity, StatusCode, StopBits
from pyvisa.resources import MessageBasedResource

from instruments.clock import Clock
from instruments.description import Description
from instruments.session import Manners, Session, Teller
from instruments.visaline import BoundedLine, Line

__all__ = ["opened_line"]

_PARITIES = {each: Parity[each] for each in ("none", "even", "odd", "mark", "space")}
_STOP_BITS = {"1": StopBits.one, "1.5": StopBits.one_and_a_half, "2": StopBits.two}
_FLOWS = {
    "none": ControlFlow.none,
    "xon/xoff": ControlFlow.xon_xoff,
    "rts/cts": ControlFlow.rts_cts,
    "dtr/dsr": ControlFlow.dtr_dsr,
}


def opened_line(
    name: str,
    resource: str,
    description: Description,
    manager: pyvisa.ResourceManager,
    clock: Clock,
    tell: Teller,
    *,
    hint: str = "",
) -> Session:
    """The line to one instrument by its resource; nothing is sent. Raises InstrumentError."""
    return Session(
        name=name,
        resource=resource,
        opener=_opener(manager, resource, description),
        clock=clock,
        timeout_s=description.timeout,
        manners=Manners(
            query_delay_s=description.query_delay,
            command_delay_s=description.command_delay,
            prefix=description.prefix,
            reply_prefix=description.reply_prefix,
            echo=description.echo,
            prompt=description.termination.prompt,
        ),
        tell=tell,
        hint=hint,
    )


def _opener(manager: pyvisa.ResourceManager, resource: str, description: Description) -> Callable[[], Line]:
    def opened() -> Line:
        line = manager.open_resource(
            resource,
            write_termination=description.termination.write,
            read_termination=description.termination.prompt or description.termination.read,
        )
        _lock(line)
        serial = description.serial
        if serial is not None and resource.upper().startswith("ASRL"):
            line.baud_rate = serial.baud  # type: ignore[attr-defined]
            line.data_bits = int(serial.data_bits)  # type: ignore[attr-defined]
            line.parity = _PARITIES[serial.parity]  # type: ignore[attr-defined]
            line.stop_bits = _STOP_BITS[serial.stop_bits]  # type: ignore[attr-defined]
            if serial.flow_control != "none":
                line.flow_control = _FLOWS[serial.flow_control]  # type: ignore[attr-defined]
        # A stray µ or ° in a reply is no reason to lose it (pyvisa issue 722).
        return BoundedLine(cast(MessageBasedResource, line), encoding="latin-1")

    return opened


def _lock(line: pyvisa.resources.Resource) -> None:
    """Take the instrument's own lock, where line and library have one: it keeps other computers off too.

    A help and no proof: a raw socket, a serial line and most of pyvisa-py have none. It goes when the line is closed.

    Raises:
        VisaIOError: another holds it.
    """
    try:
        line.lock_excl(timeout=0)
    except pyvisa.VisaIOError as error:
        if error.error_code == StatusCode.error_resource_locked:
            line.close()
            raise
    except Exception:  # noqa: BLE001, S110  pyvisa-sim has no lock; pyvisa-py lets out whatever its transport raises
        pass
