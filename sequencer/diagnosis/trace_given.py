"""What is said of thresholds that were given: what a counter with them counts, and where they lie."""

from instruments.texts import sized
from sequencer.diagnosis.trace_edges import Given
from sequencer.diagnosis.trace_words import Finding
from sequencer.diagnosis.traced import TraceResult

__all__ = ["given_lines", "of_given"]


def given_lines(result: TraceResult) -> list[str]:
    """What is counted with thresholds that lie outside, and an order that was turned round."""
    given = result.given
    if given is None:
        return []
    said = []
    if given.is_swapped:
        said.append(
            f"thresholds were given in the wrong order: {sized(given.lower)} is taken as the lower one, "
            f"{sized(given.upper)} as the upper one"
        )
    if not given.is_inside:
        said.append(f"a counter with {_thresholds(given, result.unit)} counts {_counted(result)}: {_where(result)}")
    return said


def of_given(result: TraceResult) -> list[Finding]:
    """Thresholds that do not lie in the trace, and others that would do."""
    given = result.given
    if given is None or given.is_inside:
        return []
    suited = "look at its levels, and set thresholds between them"
    if given.suited is not None:
        lower, upper = given.suited
        suited = (
            f"thresholds of {sized(lower)} and {sized(upper)}{_unit(result)} count {sized(given.suited_Hz, 6)} Hz; see "
            "whether amplitude, offset or the attenuation of the probe is what it should be"
        )
    return [
        Finding(
            what=f"the thresholds that were given count {_counted(result)}: {_where(result)}",
            cause="thresholds for another signal, a signal that is too small, or a wrong scale of the probe",
            check=suited,
        )
    ]


def _unit(result: TraceResult) -> str:
    return f" {result.unit}" if result.unit else ""


def _thresholds(given: Given, unit: str) -> str:
    return f"thresholds {sized(given.lower)} and {sized(given.upper)}{unit and f' {unit}'}"


def _counted(result: TraceResult) -> str:
    counted_n = 0 if result.edges is None else len(result.edges.rising_s)
    return f"{counted_n} edge{'' if counted_n == 1 else 's'}"


def _where(result: TraceResult) -> str:
    """Which of them lie outside, and where the trace lies."""
    given = result.given
    assert given is not None
    if given.lower >= result.highest:
        where = "both lie above the trace"
    elif given.upper <= result.lowest:
        where = "both lie below the trace"
    elif given.upper >= result.highest and given.lower <= result.lowest:
        where = "the trace lies between them"
    elif given.upper >= result.highest:
        where = "the upper one lies above the trace"
    else:
        where = "the lower one lies below the trace"
    return f"{where}, which goes from {sized(result.lowest, 4)} to {sized(result.highest, 4)}{_unit(result)}"
