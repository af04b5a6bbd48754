"""What stands between a comparison and what it seems to say."""

from sequencer.diagnosis.compared import Side
from sequencer.evaluation.result import Evaluation
from sequencer.evaluation.scatter import is_scatter_unknown

__all__ = ["cautions", "lacks_scatter", "why_untested"]


def cautions(a: Side, b: Side, *, is_same: bool, is_word: bool, untested_n: int) -> tuple[str, ...]:
    """What a comparison does not rest on safely, in words; () = nothing."""
    both = (*a.content.instruments, *b.content.instruments)
    simulated = [name for name, each in (("A", a), ("B", b)) if each.content.is_simulated]
    told = (
        (bool(simulated), f"simulated bench ({' and '.join(simulated)}): no real unit was tested"),
        (bool(a.content.folder) and a.content.folder == b.content.folder, "both are the same record"),
        (
            "" not in {a.sequence_digest, b.sequence_digest} and a.sequence_digest != b.sequence_digest,
            "the sequence is not the same, or another revision of it",
        ),
        (a.sheet != b.sheet, "the type sheet is not the same: another revision, such as another tolerance"),
        (not is_same, "other instruments, or not known to be the same: their accuracies do not cancel"),
        (is_same and is_word, "that the same instruments were used, in the same ranges, is taken on your word"),
        (
            is_same and any(_is_once(each) for each in (a, b)),
            "each point was read once: scatter is taken from what is left of the differences about a parabola",
        ),
        (
            is_same and not is_word and not (both and all(each.identity for each in both)),
            "an instrument does not report its identity: one bench file is taken for one set of instruments",
        ),
        (
            a.sheet.fit is not None,
            "each is held against the curve fitted to its own readings: what is left beside these is compared",
        ),
        (untested_n > 0, f"{untested_n} points could not be tested: their uncertainty is not known"),
    )
    return (*_cautions_of("A", a), *_cautions_of("B", b), *(text for is_so, text in told if is_so))


def _is_once(side: Side) -> bool:
    found = side.content.evaluation
    return found is not None and lacks_scatter(found)


def lacks_scatter(found: Evaluation) -> bool:
    """Whether each point was read once: what scatters is then taken from the smoothness of the differences."""
    return found.known.covariance is None or not found.known.covariance.is_scatter_known


def _cautions_of(name: str, side: Side) -> list[str]:
    content = side.content
    is_unfinished = content.status not in {"complete", "by hand"}
    cycles_n = 0 if content.evaluation is None else content.evaluation.visits["cycle"].nunique()
    told = (
        (bool(side.content.alterations), f"the record of {name} was altered since it was sealed"),
        (is_unfinished, f"the run of {name} did not finish: {content.reason}"),
        (cycles_n < 2, f"{name} has one cycle: its repeatability between cycles is not known"),
    )
    return [text for is_so, text in told if is_so]


def why_untested(a: Evaluation, b: Evaluation) -> str:
    """Why no difference between the two could be tested."""
    nothing = [name for name, each in (("A", a), ("B", b)) if each.budget is None]
    if nothing:
        return (
            f"no accuracy specification is known for the instruments of {' and '.join(nothing)}, "
            "so any difference may come from them"
        )
    once = [
        name for name, each in (("A", a), ("B", b)) if is_scatter_unknown(each.grid, next(reversed(each.grid.value)))
    ]
    if once:
        return f"each point of {' and '.join(once)} was read once, so the scatter of the readings is not known"
    return "the accuracy of an instrument is not known"
