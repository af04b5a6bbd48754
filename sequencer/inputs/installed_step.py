"""Steps of installed packages: held to what a step may be, and kept from costing a reading where they fail."""

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import EntryPoint
from textwrap import wrap
from typing import TYPE_CHECKING, Any, TypeVar

from instruments.errors import InputError, LivezeroError
from instruments.filemodel import FileModel
from instruments.texts import as_json, json_value, visible
from sequencer.inputs.step import GROUP, Beyond, Judged, Seen, Setpoint, Step

if TYPE_CHECKING:
    from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["installed", "unusable"]

T = TypeVar("T")


def unusable(entry: EntryPoint, owner: str, why: str) -> InputError:
    """What is told of a step that cannot be used."""
    return InputError(
        f'the step "{entry.name}" of the package "{owner}" cannot be used: {why}',
        where=f"entry point {entry.value}, group {GROUP}",
        todo="install a version of the package that is mended, or uninstall it",
    )


def installed(entry: EntryPoint, owner: str) -> Step:
    """The step of an entry point; raises InputError if it is none.

    Args:
        entry: names it.
        owner: package and version, for what is told.
    """
    return _Installed(entry, owner)


@dataclass(frozen=True, slots=True)
class _Unevaluated:
    """In the place of what a step would have found."""

    why: str


class _Installed(Step):
    """A step of an installed package. What it raises refuses a plan; after a run it is said, and costs no reading."""

    def __init__(self, entry: EntryPoint, owner: str) -> None:
        self._entry, self._owner = entry, owner
        step = self._asked(entry.load)
        if not isinstance(step, Step):
            raise self._fault(f"{entry.value} is no sequencer.inputs.step.Step")
        settings = getattr(step, "settings", None)
        if not (isinstance(settings, type) and issubclass(settings, FileModel)):
            raise self._fault("its settings are no instruments.filemodel.FileModel")
        if step.json_key:
            raise self._fault(f'its part of the JSON document stands in "steps", and not as "{step.json_key}"')
        if not re.fullmatch(r"[a-z][a-z0-9]*([ _][a-z0-9]+)*", entry.name):
            raise self._fault("its name is not made of small letters, digits and blanks")
        self._step = step
        self.settings, self.roles, self.comes_first = settings, step.roles, step.comes_first

    def plan(self, settings: FileModel) -> tuple[Setpoint, ...]:
        return self._somewhere(self._asked(lambda: tuple(self._step.plan(settings))))

    def planned(self, settings: FileModel, type_sheet: "TypeSheet") -> tuple[Setpoint, ...]:
        return self._somewhere(self._asked(lambda: tuple(self._step.planned(settings, type_sheet))))

    def _somewhere(self, setpoints: tuple[Setpoint, ...]) -> tuple[Setpoint, ...]:
        setpoints = self._refused_strange(setpoints)
        if not setpoints:
            raise self._fault("it goes nowhere")
        return setpoints

    def _refused_strange(self, setpoints: tuple[Setpoint, ...]) -> tuple[Setpoint, ...]:
        strange = {each.role for each in setpoints} - set(self.roles)
        if strange:
            raise self._fault(f'it has no role "{min(strange)}"')
        return setpoints

    def remarks(self, settings: FileModel) -> tuple[str, ...]:
        return self._asked(lambda: tuple(self._step.remarks(settings)))

    def picture(self, settings: FileModel) -> str:
        return self._asked(lambda: str(self._step.picture(settings)))

    def describe(self, setpoints: Sequence[Setpoint]) -> str:
        return self._asked(lambda: self._step.describe(setpoints))

    def beyond(self, settings: FileModel) -> tuple[Beyond, Beyond, Beyond]:
        return self._asked(lambda: self._step.beyond(settings))

    def searched(self, settings: FileModel, setpoint: Setpoint) -> tuple[float, float] | None:
        return self._asked(lambda: self._step.searched(settings, setpoint))

    def most_times(self, settings: FileModel) -> float:
        return self._asked(lambda: float(self._step.most_times(settings)))

    def goes_on(self, settings: FileModel) -> bool:
        return self._asked(lambda: bool(self._step.goes_on(settings)))

    def go_on(self, number: int, settings: FileModel, seen: Seen) -> tuple[Setpoint, ...]:
        return self._refused_strange(
            self._asked(lambda: tuple(self._step.go_on(number, settings, replace(seen, table=seen.table.copy()))))
        )

    def evaluate(self, seen: Seen) -> tuple[Any, ...]:
        def found() -> tuple[Any, ...]:
            return tuple(self._step.evaluate(replace(seen, table=seen.table.copy())))

        return self._told(found, lambda why: (_Unevaluated(why),))

    def reservations(self, results: tuple[Any, ...]) -> tuple[str, ...]:
        def told() -> tuple[str, ...]:
            _refuse_unevaluated(results)
            return tuple(map(str, self._step.reservations(results)))

        if type(self._step).reservations is Step.reservations:
            return ()
        return self._told(told, lambda why: (f"what it found is not known: {why}",))

    def judged(self, results: tuple[Any, ...]) -> tuple[Judged, ...]:
        def limits() -> tuple[Judged, ...]:
            _refuse_unevaluated(results)
            return tuple(self._step.judged(results))

        if type(self._step).judged is Step.judged:
            return ()
        # A limit that nobody can look at leaves the verdict open.
        unknown = Judged(name="its results", value=math.nan, unit="", limit="as the step states", is_met=None)
        return self._told(limits, lambda why: (replace(unknown, reason=why),))

    def terminal(self, results: tuple[Any, ...], width: int) -> list[str]:
        def lines() -> list[str]:
            _refuse_unevaluated(results)
            return [visible(line) for line in self._step.terminal(results, width)]

        return self._told(lines, lambda why: ["", *wrap(visible(why), width)])

    def html(self, results: tuple[Any, ...]) -> str:
        from markupsafe import Markup, escape  # noqa: PLC0415  only where a page is made

        def section() -> str:
            _refuse_unevaluated(results)
            return escape(self._step.html(results))

        return self._told(section, lambda why: Markup('<p class="note">{}</p>').format(why))

    def json(self, results: tuple[Any, ...]) -> Any:  # noqa: ANN401
        def value() -> Any:  # noqa: ANN401
            _refuse_unevaluated(results)
            told = json_value(self._step.json(results))
            as_json(told)
            return told

        return self._told(value, lambda why: {"error": why})

    def _told(self, ask: Callable[[], T], instead: Callable[[str], T]) -> T:
        """What the step says of its readings; where it cannot, that, with its package."""
        try:
            return self._asked(ask)
        except LivezeroError as error:
            return instead(error.what)

    def _asked(self, ask: Callable[[], T]) -> T:
        try:
            return ask()
        except LivezeroError:
            raise
        except (Exception, SystemExit) as error:  # code of others
            raise self._fault(f"{type(error).__name__}: {error}") from error

    def _fault(self, why: str) -> InputError:
        return unusable(self._entry, self._owner, why)


def _refuse_unevaluated(results: tuple[Any, ...]) -> None:
    for each in results:
        if isinstance(each, _Unevaluated):
            raise InputError(each.why)
