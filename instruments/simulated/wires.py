"""What connects an instrument of the simulated bench to the plant; it knows neither dialect nor unit under test."""

import threading

import numpy as np

from instruments.clock import Clock
from instruments.simulated.bank import Bank
from instruments.simulated.physics import Plant

__all__ = ["Wires"]


class Wires:
    """What connects one instrument to the plant: the tap it drives, the tap it reads, and the time."""

    def __init__(
        self,
        plant: Plant | Bank,
        lock: threading.RLock,
        clock: Clock,
        *,
        sets: int | None,
        reads: int | None,
        holds: tuple[str, str] | None = None,
    ) -> None:
        self._plant, self._lock, self._clock = plant, lock, clock
        self._sets, self._reads = sets, reads
        self._holds = holds

    @property
    def set_unit(self) -> str | None:
        """Signal unit of the tap it drives, or unit of the quantity that it holds; None if it does neither."""
        if self._holds is not None:
            return self._holds[1]
        return None if self._sets is None else self._plant.sheet.taps[self._sets].signal_unit

    @property
    def read_unit(self) -> str | None:
        """Reading unit of the tap it reads; None if it reads none."""
        return None if self._reads is None else self._plant.sheet.taps[self._reads].reading_unit

    @property
    def highest(self) -> float:
        """Larger end of the wired taps' ranges, in the tap's unit."""
        taps = [self._plant.sheet.taps[index] for index in (self._sets, self._reads) if index is not None]
        return max((abs(end) for tap in taps for end in (tap.low, tap.high)), default=1.0)

    def drive(self, signal: float, *, enabled: bool) -> None:
        """Give a signal, in the tap's signal unit, from now on; a source that nothing reads errs as it is certified."""
        if self._holds is not None:
            name, unit = self._holds
            with self._lock:
                self._plant.hold(self._clock.now(), name, signal if enabled else None, unit=unit)
            return
        assert self._sets is not None
        certified = self._plant.sheet.taps[self._sets].certified
        if certified is not None and certified.is_set and enabled:
            signal = float(certified.true(np.array(signal)))
        with self._lock:
            self._plant.drive(self._clock.now(), signal, tap=self._sets, enabled=enabled)

    def see(self, aperture_s: float) -> float:
        """Mean over an aperture that begins now, as a meter with its certified errors shows it behind shunt or lead.

        Returns when the aperture is over.
        """
        assert self._reads is not None
        begin_s = self._clock.now()
        self._clock.sleep(aperture_s)
        with self._lock:
            seen = self._plant.seen(self._reads, begin_s, self._clock.now())
        return float(self._plant.sheet.taps[self._reads].shown(np.array(seen)))
