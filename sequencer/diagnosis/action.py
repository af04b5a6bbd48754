"""What to do next, in a few sentences, from the verdict and the diagnosis alone: nothing is looked for here again.

A trim is offered only where every cause that the readings leave is one that zero and span take away.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from instruments.units import CLASS, Term, Terms
from sequencer.diagnosis.account import Account, Candidate, Kind, Member
from sequencer.diagnosis.cause_words import LIKELY, SURE, either, known_as, percent
from sequencer.evaluation.adjustment import LEAVE_ALONE_FRAC, Adjustment, adjustment
from sequencer.evaluation.result import Evaluation
from sequencer.evaluation.step_limits import NOTHING_JUDGED
from sequencer.evaluation.verdict import Verdict
from sequencer.inputs.tolerance import half_width
from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["advice", "advice_by_limits", "offered", "other_basis"]

# Beyond, a setting is wrong; zero and span have no more reach, or should not be asked to (common practice, no source).
_LARGEST_TRIM_PCT = 10
_CASES_N = 4
_TURNS = {"zero shift": "turn zero", "span error": "turn span"}


def offered(evaluation: Evaluation | None, findings: Account | None) -> Adjustment | None:
    """What to turn; None where turning zero and span is not the answer, or not known to be it.

    Only where every cause that the readings leave is a trim of the last stage; and not where a unit lies well within
    its tolerance: turning it would destroy its history (common practice, no source).
    """
    if evaluation is None or evaluation.worst is None or evaluation.verdict.result == "not determinable":
        return None
    if findings is None or len(findings.leading) != 1 or not findings.leading[0].is_only("trim"):
        return None
    if sum(each.weight for each in findings.ranking if each.is_only("trim")) < SURE:
        return None
    if evaluation.suspect_taps or any(stage.result == "fail" for stage in evaluation.stages[:-1]):
        return None
    if abs(float(evaluation.worst["used_pct"])) < 100 * LEAVE_ALONE_FRAC:
        return None
    found = adjustment(evaluation)
    if found is None or max(abs(found.zero_pct), abs(found.span_pct)) >= _LARGEST_TRIM_PCT:
        return None
    return found


def advice(  # noqa: PLR0911  one sentence for each outcome
    evaluation: Evaluation | None,
    status: str,
    reason: str,
    findings: Account | None = None,
    *,
    can_resume: bool = False,
) -> str:
    """What to do after a run or an evaluation.

    Args:
        evaluation: None if there was nothing to evaluate.
        status: how the run ended.
        reason: of that, in words.
        findings: the likely causes; None = not looked for.
        can_resume: the run can go on.
    """
    if status == "not safe":
        return f"Switch the source off by hand, now: {reason}."
    if can_resume or status in {"interrupted", "bench fault"} or evaluation is None:
        again = "Go on with livezero resume, or end it with livezero close"
        is_stored = evaluation is not None
        anew = f"Correct that, then run again{'; what was read is stored' if is_stored else ''}"
        return f"The run did not finish: {reason}. {again if can_resume else anew}."
    verdict = evaluation.verdict
    if verdict.result != "pass" and _names(findings, "transcription"):
        return " ".join(each.check for each in _likely(findings))
    is_offered = offered(evaluation, findings) is not None
    if verdict.result == "pass":
        return _passed(evaluation, findings, is_offered=is_offered)
    if verdict.result == "conditional pass":
        if _names(findings, "bench"):
            return f"Within tolerance end to end. {_on_cause(findings, is_offered=False)}"
        is_near = "verdict" in evaluation.visits and (evaluation.visits["verdict"] == "conditional pass").any()
        near = ["it lies nearer to the limit than the measurement uncertainty"] if is_near else []
        cause = "; ".join([*near, *verdict.reservations])
        return f"Within tolerance, but {cause}: correct that, or have the customer accept it."
    if verdict.result == "not determinable":
        if _names(findings, "scatter", "bench", "transcription") or _scatters(findings):
            return f"No verdict: {verdict.reason}. {_on_cause(findings, is_offered=False)}"
        again = "evaluate" if status == "by hand" else "run"
        return f"No verdict: {verdict.reason}. {_to_get_one(evaluation)}, and {again} again."
    found = _on_cause(findings, is_offered=is_offered)
    if verdict.result == "conditional fail":
        return f"Outside the tolerance, but by less than the measurement uncertainty. {found}"
    return found


def advice_by_limits(verdict: Verdict, *, is_whole: bool) -> str:
    """What to do after a run without a traverse.

    Args:
        verdict: by the limits of its steps alone.
        is_whole: no step of the sequence was left out.
    """
    if verdict.result == "fail":
        return "A limit of a step is not kept. Look at that step first: no trim of zero or span mends it."
    if verdict.result in {"pass", "conditional pass"}:
        rest = "Errors over the range were not looked at: that takes a traverse."
        if not verdict.reservations:
            return f"Nothing: every limit that its steps state is kept. {rest}"
        return f"Every limit is kept, but {'; '.join(verdict.reservations)}. {rest}"
    if not is_whole:
        return "Run the sequence as a whole for a verdict."
    if verdict.reason.startswith(NOTHING_JUDGED):
        return 'Read what the steps found. For a verdict state limits in them (such as "at most"), or add a traverse.'
    return "No verdict: mend what leaves it open (see above), and run again."


def other_basis(
    evaluation: Evaluation | None, type_sheet: TypeSheet, findings: Account | None = None
) -> tuple[str, ...]:
    """A remark where a unit that fails would pass with the same number of another base: a usual slip of type sheets.

    Only where it passes at every point by more than its uncertainty, and no likely cause is beyond a trim. A base that
    follows the signal is doubted only where the unit fails towards one end of the range alone. It is no cause: readings
    cannot tell what was ordered.
    """
    parts = type_sheet.tolerance.parts
    if evaluation is None or evaluation.verdict.result != "fail" or len(parts) != 1 or parts[0].base in {"", CLASS}:
        return ()
    if _is_beyond_a_trim(findings):
        return ()
    visits = evaluation.visits[evaluation.visits["error"].notna()]
    failed_pct, passed_pct = (
        visits.loc[visits["is_judged"] & (visits["is_within"] == is_within), "setpoint_pct"]
        for is_within in (False, True)
    )
    is_one_end = failed_pct.max() < passed_pct.min() or failed_pct.min() > passed_pct.max()
    if parts[0].base != "span" and not is_one_end:
        return ()
    sheet = type_sheet.datasheet()
    reach = visits["error"].abs() + (visits["U"].fillna(0.0) if "U" in visits else 0.0)
    upper = max(abs(sheet.taps[-1].low), abs(sheet.taps[-1].high))
    passing = [
        base
        for base, width in (
            *(
                (base, half_width(_on(parts[0], base), sheet, visits["input"].to_numpy(np.float64)))
                for base in ("span", "reading", "output")
            ),
            ("upper range value of the output", np.full(len(visits), parts[0].value / 100 * upper)),
        )
        if base != parts[0].base and bool((reach <= width).all())
    ]
    if not passing:
        return ()
    other = f"{parts[0].value:g} {parts[0].unit} of {' or '.join(passing)}"
    return (
        f"with {other} instead of {parts[0]} every point would pass: check on the data sheet which of them is meant",
    )


def _on(part: Term, base: str) -> Terms:
    return Terms((replace(part, base=base),))


def _is_beyond_a_trim(findings: Account | None) -> bool:
    """A likely cause is one that no trim takes away, so that no tolerance makes the unit right."""
    return any(not any(member.kind == "trim" for member in each.members) for each in _likely(findings))


def _likely(findings: Account | None) -> tuple[Candidate, ...]:
    """The leading candidates, if a fault is found and they are likely enough to act on."""
    if findings is None or not findings.is_fault:
        return ()
    return tuple(each for each in findings.leading if each.weight >= LIKELY)


def _names(findings: Account | None, *kinds: Kind) -> bool:
    """Likely causes are named, and all of these kinds."""
    likely = _likely(findings)
    return bool(likely) and all(each.is_only(*kinds) for each in likely)


def _scatters(findings: Account | None) -> bool:
    """A likely cause is named that explains the scatter, if only as noise: no better instruments take it away."""
    return any(
        each.names == ("noise",) or all(member.explains_scatter for member in each.members)
        for each in _likely(findings)
    )


def _passed(evaluation: Evaluation, findings: Account | None, *, is_offered: bool) -> str:
    worst = evaluation.worst
    used = 0.0 if worst is None else abs(float(worst["used_pct"]))
    if is_offered:
        return f"Within tolerance, but {used:.0f} % of it is used: decide whether to adjust before it is fitted."
    if _names(findings, "trim", "unit", "scatter", "bench", "transcription"):
        return f"Within tolerance. {_on_cause(findings, is_offered=False)}"
    if used > 100 * LEAVE_ALONE_FRAC:
        return f"Within tolerance, but {used:.0f} % of it is used: fit it, and check it again sooner than usual."
    return "Within tolerance: leave it as it is, and fit it."


def _to_get_one(evaluation: Evaluation) -> str:
    """What would give a verdict, for each reason that there is none."""
    visits = evaluation.visits
    is_unresolved = bool((~visits["is_judged"] & visits["error"].notna()).any())
    todo = []
    if visits["error"].isna().any() or " not read" in evaluation.verdict.reason:
        todo.append("read the missing points")
    if not visits["is_steady"].all():
        todo.append("lengthen the settling")
    if evaluation.tolerance_to_write:
        todo.append("state in the type sheet what the data sheet of the type allows there")
    elif evaluation.tur is not None and evaluation.tur < 1:
        todo.append("take better instruments, or settle more strictly")
    elif is_unresolved:
        todo.append("read the output to more digits")
    elif evaluation.budget is not None and evaluation.worst is not None and evaluation.worst_U is None:
        todo.append("state what the description of an instrument lacks")
    return _capital("; ".join(todo) or "correct that")


def _on_cause(findings: Account | None, *, is_offered: bool) -> str:
    """What the causes that the readings leave ask for."""
    likely = _likely(findings)
    if findings is not None and len(likely) > 1:
        return _on_several(likely, findings)
    if findings is None or not findings.is_fault or not findings.ranking or findings.ranking[0].is_only("vague"):
        return _without_a_cause(findings)
    top = findings.ranking[0]
    if is_offered:
        return (
            f'{_capital(either(top.names))} in stage "{top.place}" ({percent(top.weight)}). Compare the configured '
            "range with the order; if it is right, adjust as said below, then run as left."
        )
    if top.weight < SURE:
        return _unsure(findings)
    if top.is_only("transcription"):
        return top.check
    check = _capital(findings.check)
    if top.is_only("bench"):
        return f"Suspect the bench, not the unit: {either(top.names)} {_place(top)}. {check} Do not adjust the unit."
    is_before_others = any(top.place in share.name for share in findings.shares[:-1])
    before = ", and nothing behind it" if is_before_others else ""
    confirm = f"First confirm the cause {_place(top)}: {either(top.names)}. {check} Do not adjust before{before}."
    return " ".join((confirm, *_cases(top)))


def _on_several(likely: tuple[Candidate, ...], findings: Account) -> str:
    """What several places ask for, in the order of work."""
    of = {id(each): named for each, named in zip(findings.leading, findings.stages, strict=True)}
    ordered = sorted(likely, key=lambda each: of[id(each)].order)
    named = "; ".join(f"{_place(each)} {known_as(each.names)} ({percent(each.weight)})" for each in ordered)
    lead = "More than one thing is wrong"
    if any(each.weight < SURE for each in likely):
        lead = f"Likely, but not sure, {_lower(lead)}"
        others = [each for each in findings.ranking if not any(each is one for one in likely)]
        also = "; ".join(f"{_place(each)} {known_as(each.names)} ({percent(each.weight)})" for each in others)
        named += f"; possible too: {also}" if also else ""
    rest = "the others in the order of work" if len(ordered) > 2 else "the other"
    first = _capital(of[id(ordered[0])].check)
    return f"{lead}: {named}. First: {first} Then {rest}. Run again after each; do not adjust before."


def _without_a_cause(findings: Account | None) -> str:
    if findings is None:
        return "The cause was not looked for. Do not adjust before it is known."
    if not findings.is_fault:
        return (
            "No cause shows: so small an error good units have where the tolerance is wider. Compare the tolerance "
            "there with the data sheet, and run again. Do not adjust before."
        )
    if not findings.ranking:
        return f"{_capital(findings.cause)}. {findings.check} Do not adjust before."
    top = findings.ranking[0]
    if top.names[0] == "noise":
        return f"{_capital(top.text)}. {top.check}"
    where = f' in "{top.place}"' if len(findings.shares) > 1 and top.place else ""
    return (
        f"No cause of the catalogue fits these readings{where}: "
        + (_lower(" ".join(findings.lacking)) or "run again, and compare: what does not come again is a disturbance.")
        + " Compare type, range and wiring with the order. Do not adjust before."
    )


def _unsure(findings: Account) -> str:
    first, *others = (f"{either(each.names)} ({percent(each.weight)})" for each in findings.ranking)
    top = findings.ranking[0]
    also = f"; possible too: {', '.join(others)}" if others else ""
    lead = f"Likely, but not sure, {_place(top)}: {first}{also}"
    if top.weight < LIKELY:
        lead = f"No cause is likely enough to act on. The first, {_place(top)}, is {first}{also}"
    return f"{lead}. To distinguish them: {_lower(findings.check)} Do not adjust before."


def _place(top: Candidate) -> str:
    is_stage = [each.kind in {"trim", "unit"} for each in top.members]
    places = dict.fromkeys(
        f'"{each.place}"' for each, is_one in zip(top.members, is_stage, strict=True) if is_one == is_stage[0]
    )
    return f"{'in stage' if is_stage[0] else 'at'} {either(list(places))}"


def _cases(top: Candidate) -> Iterator[str]:
    """What to do for each of the causes that are not distinguishable, once it is known which it is."""
    if len(top.names) == 1:
        return
    cases: dict[str, list[str]] = {}
    for number, name in enumerate(top.names[:_CASES_N]):
        members = [each for each in top.members if each.name == name]
        # A zero shift of a stage before the last is none that zero of the last takes away.
        member = next((each for each in members if each.kind != "trim"), members[0])
        if number or member.kind in {"trim", "bench"}:  # else its check was said before
            cases.setdefault(_then(member), []).append(name)
    yield from (f"If it is {either(names)}: {then}" for then, names in cases.items())


def _then(member: Member) -> str:
    if member.kind == "trim":
        turn = _TURNS.get(member.name, "turn zero, then span")
        return f"{turn}, then run as left; --bench-cleared says by how much."
    if member.kind == "bench":
        return f"leave the unit as it is. {_capital(member.check)}"
    return _lower(member.check)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _lower(text: str) -> str:
    """A sentence as it goes on after a colon; a word in capitals stays."""
    return text if text[1:2].isupper() else text[:1].lower() + text[1:]
