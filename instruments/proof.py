"""Proof that a source which another process drove is safe: by its mark alone, whatever became of its bench file."""

import pyvisa

from instruments.clock import Clock, RealClock
from instruments.described import DescribedInstrument, DescribedSource
from instruments.description import Description
from instruments.driven import DrivenInstrument
from instruments.errors import InstrumentError, LivezeroError, UnsafeError
from instruments.interrupts import held_off
from instruments.latch import LeftOn
from instruments.line import opened_line
from instruments.units import quantity

__all__ = ["prove_safe"]


def prove_safe(source: LeftOn) -> None:
    """Bring a source to its safe level and switch it off; no other instrument is told anything. Not interrupted.

    Raises:
        UnsafeError: another instrument answers, or none; or it could not be proved, or cannot be at all, with why.
    """
    with held_off():
        try:
            _prove(source)
        except Exception as error:  # a fault of a driver leaves it as it was, too
            cause = error.__cause__ if isinstance(error, UnsafeError) and error.__cause__ is not None else error
            raise UnsafeError(
                f"is NOT proved safe: {cause.what if isinstance(cause, LivezeroError) else cause}",
                where=source.where,
                todo="switch it off by hand, now. Any command on this bench tries again once it answers; if it never "
                'will, say who answers for it: --acknowledge "NAME: reason"',
            ) from error


def _prove(left: LeftOn) -> None:
    if left.description is None:
        raise InstrumentError(f"how that is done is not known any more ({left.path})", where=left.where)
    clock = RealClock()
    if left.description.driver:
        _prove_driven(left, left.description, clock)
        return
    manager = pyvisa.ResourceManager(left.library)
    session = opened_line(left.name, left.resource, left.description, manager, clock, lambda _: None)
    instrument = DescribedInstrument(
        name=left.name,
        description=left.description,
        session=session,
        expected_identity="",
        password=left.password.read(where=left.where) if left.password else "",
    )
    instrument.identity = left.identity  # another one, though of the same kind, is a wrong instrument
    try:
        DescribedSource(
            instrument=instrument,
            function=left.function,
            limits=(),
            safe_level=quantity(left.safe_level),
            clock=clock,
        ).make_safe()
    finally:
        instrument.close()
    if left.disbelieved:
        raise InstrumentError(f"told once more, but its own word does not count: {left.disbelieved}", where=left.where)
    if not left.identity or not left.description.proves_safe(left.function):
        raise InstrumentError(
            "told to go to its safe level and off, but its description gives no way to ask "
            + ("whether it did" if left.identity else "which instrument it is"),
            where=left.where,
        )


def _prove_driven(left: LeftOn, description: Description, clock: Clock) -> None:
    """The same through a driver."""
    instrument = DrivenInstrument(
        name=left.name,
        resource=left.resource,
        description=description,
        clock=clock,
        where=left.where,
        expected_identity=left.identity,
    )
    try:
        source = instrument.source(left.function, limits=(), safe_level=quantity(left.safe_level), latch=None)
        instrument.meet()
        source.make_safe()
    finally:
        instrument.close()
    if not left.identity or not source.proves_safe:
        raise InstrumentError("told to go to its safe level and off, but its driver cannot tell", where=left.where)
