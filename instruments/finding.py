"""What stands at a computer: the names of USB, GPIB and serial resources, and who answers where somebody says to ask.

Names are listed without a word to anything. Nothing is asked but `*IDN?`, and nothing but what was named: a question
may move a home-made instrument at a serial port. The network is not searched.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

import pyvisa
from pyvisa.constants import InterfaceType
from pyvisa.resources import MessageBasedResource

from instruments.clock import RealClock
from instruments.errors import InstrumentError, LivezeroError
from instruments.locks import resources_held
from instruments.resource_names import wrong_resource
from instruments.session import Session
from instruments.visaline import BoundedLine

__all__ = ["FoundResource", "find_resources"]

_LOOKED_AT = {InterfaceType.usb, InterfaceType.gpib, InterfaceType.asrl}
_LISTED = ("USB", "GPIB", "ASRL")
_ANSWERS_S = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundResource:
    """A resource: what its instrument says that it is, "" = it was not asked, and what kept it from saying so."""

    resource: str
    identity: str = ""
    error: LivezeroError | None = None


def find_resources(library: str, ask: Sequence[str] = ()) -> tuple[FoundResource, ...]:
    """The USB, GPIB and serial resources of this computer, and any other that is to be asked.

    Args:
        library: of VISA: "@py", "@ivi", or a path.
        ask: resources that are asked who they are.

    Raises:
        InstrumentError: no such library.
    """
    try:
        manager = pyvisa.ResourceManager(library)
        names = _names(manager)
    except Exception as error:  # libraries let out whatever they raise
        raise InstrumentError(
            f'VISA backend "{library}" cannot be used: {error}',
            allowed='"@py", which comes along, or "@ivi" for the VISA library of the system',
            todo="leave --backend out, or install the library",
        ) from error
    return tuple(
        _asked(manager, name) if name in ask else FoundResource(resource=name)
        for name in dict.fromkeys((*sorted(names), *ask))
    )


def _names(manager: pyvisa.ResourceManager) -> list[str]:
    if manager.visalib.library_path != "py":
        return [name for name in manager.list_resources("?*") if name.upper().startswith(_LISTED)]
    # Its own list asks the whole network who is there.
    from pyvisa_py.sessions import Session as Kind  # noqa: PLC0415  no other library has it

    found: list[str] = []
    for (interface, _), kind in Kind.iter_valid_session_classes():
        if interface in _LOOKED_AT:
            found += kind.list_resources()
    return found


def _asked(manager: pyvisa.ResourceManager, name: str) -> FoundResource:
    def opened() -> BoundedLine:
        line = manager.open_resource(name, write_termination="\n", read_termination="\n")
        return BoundedLine(cast("MessageBasedResource", line), encoding="latin-1")

    try:
        if (wrong := wrong_resource(name, "")) is not None:
            raise wrong
        with resources_held({name: name}, job="asking who is there"):
            session = Session(
                name="resource",
                resource=name,
                opener=opened,
                clock=RealClock(),
                timeout_s=_ANSWERS_S,
                tell=lambda _: None,
                hint="check power, cable and line end; another language than SCPI does not know *IDN?",
            )
            try:
                return FoundResource(resource=name, identity=session.query("*IDN?").strip())
            finally:
                session.close()
    except LivezeroError as error:
        return FoundResource(resource=name, error=error)
