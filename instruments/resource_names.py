"""Names of resources as people write them, "COM3", "/dev/ttyUSB0", "host:port", and as VISA does."""

import re

from instruments.errors import InputError

__all__ = ["wrong_resource"]

_PORT = re.compile(r"(?P<host>[A-Za-z0-9_.-]+|\[[0-9A-Fa-f:.]+\]):(?P<port>[0-9]{1,5})")
_COM = re.compile(r"COM([0-9]{1,3}):?", re.IGNORECASE)


def _as_visa(resource: str) -> str:
    """How VISA writes what people write for a serial port or a socket; "" where it may be what VISA takes."""
    if match := _COM.fullmatch(resource):
        return f"ASRL{match[1]}::INSTR"
    if resource.startswith("/dev/"):
        return f"ASRL{resource}::INSTR"
    if match := _PORT.fullmatch(resource):
        return f"TCPIP::{match['host'].strip('[]')}::{match['port']}::SOCKET"
    return ""


def wrong_resource(name: str, where: str) -> InputError | None:
    """What to write in place of a name that VISA has another one for; None where it may be what VISA takes."""
    visa = _as_visa(name)
    if not visa:
        return None
    return InputError(
        f'"{name}" is no VISA resource',
        where=where,
        allowed="a VISA resource such as TCPIP::127.0.0.1::5025::SOCKET or ASRL3::INSTR",
        todo=f'write "{visa}"',
    )
