"""The sourcing half of a simulated SCPI instrument: levels, ranges, limits and the output switch."""

from instruments.simulated.scpi.functions import FUNCTIONS, Function, add_number, carried, query, range_for
from instruments.simulated.scpi.message import Arguments, ScpiError
from instruments.simulated.scpi.tree import Tree, plain
from instruments.simulated.wires import Wires

__all__ = ["ScpiSource"]

_STEP = 1e-6  # resolution of a source, of its range


class ScpiSource:
    """The sourcing half of a SCPI instrument.

    Args:
        wires: to the tap that it drives.
        tree: the commands of the instrument; those of a source are added.

    Raises:
        InputError: no SCPI function carries the signal of the tap.
    """

    def __init__(self, wires: Wires, tree: Tree) -> None:
        assert wires.set_unit is not None
        self._wires = wires
        self._wired, self._factor = carried(wires.set_unit)
        self.reset(quiet=True)
        tree.add("OUTPut[:STATe]", self._set_output)
        tree.add("OUTPut[:STATe]?", plain(lambda: str(int(self._is_on))))
        tree.add("[SOURce]:FUNCtion[:MODE]", self._set_function)
        tree.add("[SOURce]:FUNCtion[:MODE]?", plain(lambda: self._function))
        for function in FUNCTIONS.values():
            self._add(tree, function)

    def reset(self, *, quiet: bool = False) -> None:
        """Output off, level 0, ranges automatic, limits wide."""
        self._is_on = False
        self._function = self._wired
        self._level = dict.fromkeys(FUNCTIONS, 0.0)
        self._fixed: dict[str, float | None] = dict.fromkeys(FUNCTIONS)
        self._limit = {word: _reach(function) for word, function in FUNCTIONS.items()}
        if not quiet:
            self._apply()

    def _apply(self) -> None:
        # A function that is not wired to the tap drives nothing there.
        level = self._level[self._wired] / self._factor if self._function == self._wired else 0.0
        self._wires.drive(level, enabled=self._is_on and self._function == self._wired)

    def _set_output(self, arguments: Arguments) -> None:
        arguments.expect(1, 1)
        self._is_on = arguments.boolean()
        self._apply()

    def _set_function(self, arguments: Arguments) -> None:
        arguments.expect(1, 1)
        self._function = arguments.word([function.form for function in FUNCTIONS.values()])
        self._apply()

    def _add(self, tree: Tree, function: Function) -> None:
        node = f"[SOURce]:{function.form}"
        self._add_level(tree, f"{node}[:LEVel][:IMMediate][:AMPLitude]", function)
        self._add_range(tree, f"{node}:RANGe", function)
        self._add_limits(tree, f"{node}:LIMit", function)

    def _add_level(self, tree: Tree, header: str, function: Function) -> None:
        word = function.word

        def allowed() -> tuple[float, float, float]:
            lower, upper = self._limit[word]
            fixed = self._fixed[word]
            return (lower, upper, 0.0) if fixed is None else (max(lower, -fixed), min(upper, fixed), 0.0)

        def set_level(wanted: float) -> None:
            step = (self._fixed[word] or range_for(function.source_ranges, wanted)) * _STEP
            self._level[word] = step * round(wanted / step)
            self._apply()

        add_number(tree, header, ask=lambda: self._level[word], take=set_level, named=allowed, unit=function.unit)

    def _add_range(self, tree: Tree, header: str, function: Function) -> None:
        word, ranges = function.word, function.source_ranges
        low, high = _reach(function)

        def set_range(arguments: Arguments) -> None:
            arguments.expect(1, 1)
            # Any level that it can give names a range: so the command takes more than its query calls MIN.
            chosen = range_for(ranges, arguments.number(unit=function.unit, low=low, high=high, default=high))
            if abs(self._level[word]) > chosen:
                raise ScpiError(-221)
            self._fixed[word] = chosen

        def set_auto(arguments: Arguments) -> None:
            arguments.expect(1, 1)
            self._fixed[word] = None if arguments.boolean() else range_for(ranges, self._level[word])

        tree.add(header, set_range)
        tree.add(
            f"{header}?",
            query(
                lambda: self._fixed[word] or range_for(ranges, self._level[word]),
                lambda: (ranges[0], ranges[-1], ranges[-1]),
            ),
        )
        tree.add(f"{header}:AUTO", set_auto)
        tree.add(f"{header}:AUTO?", plain(lambda: str(int(self._fixed[word] is None))))

    def _add_limits(self, tree: Tree, header: str, function: Function) -> None:
        word = function.word
        low, high = _reach(function)

        def set_upper(limit: float) -> None:
            lower, _ = self._limit[word]
            if not lower <= self._level[word] <= limit:
                raise ScpiError(-221)
            self._limit[word] = (lower, limit)

        def set_lower(limit: float) -> None:
            _, upper = self._limit[word]
            if not limit <= self._level[word] <= upper:
                raise ScpiError(-221)
            self._limit[word] = (limit, upper)

        add_number(
            tree,
            f"{header}[:UPPer]",
            ask=lambda: self._limit[word][1],
            take=set_upper,
            named=lambda: (low, high, high),
            unit=function.unit,
        )
        add_number(
            tree,
            f"{header}:LOWer",
            ask=lambda: self._limit[word][0],
            take=set_lower,
            named=lambda: (low, high, low),
            unit=function.unit,
        )


def _reach(function: Function) -> tuple[float, float]:
    """Lowest and highest level that a source gives."""
    high = function.source_ranges[-1]
    return (-high if function.is_bipolar else function.lowest, high)
