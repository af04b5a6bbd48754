"""One thing goes wrong at every exchange of a whole run, at every event and at every line of its journal.

Every kind comes to every sixth place, each to others; all of them at all places: tests/bench/bench_promises.py.
"""

import shutil

import injection
import pytest

KINDS = (*injection.AT_EXCHANGES, *injection.AT_EVENTS, *injection.AT_LINES)


@pytest.mark.parametrize("kind", KINDS)
def test_no_promise_is_broken_wherever_it_strikes(tmp_path, kind, record_property):
    plan = injection.planned(tmp_path / "files", points=2)
    clean = injection.Trial(plan, tmp_path / "clean", injection.Strike())
    assert clean.outcome.status == "complete"
    tried_n, broken = 0, []
    for each in injection.injections(clean):
        if each.kind != kind or (each.place + KINDS.index(kind)) % 6:
            continue
        trial = injection.Trial(plan, tmp_path / "results", each.strike)
        tried_n += 1
        broken += [(each.place, what) for what in injection.broken(trial, each)]
        shutil.rmtree(tmp_path / "results")
    record_property("tried", tried_n)
    print(f"{kind}: tried {tried_n} times, {len(broken)} promises broken")
    assert broken == []
    assert tried_n >= 6


@pytest.mark.parametrize("kind", injection.AT_QUESTIONS)
def test_a_person_is_asked_to_make_safe_next_whatever_comes_over_them(tmp_path, kind):
    tried_n, lost = injection.asked(tmp_path, injection.AT_QUESTIONS[kind])
    print(f"{kind}: tried {tried_n} times, {len(lost)} promises broken")
    assert lost == []
    assert tried_n >= 10


def test_a_broken_promise_would_be_seen(tmp_path):
    plan = injection.planned(tmp_path / "files", points=2)
    clean = injection.Trial(plan, tmp_path / "clean", injection.Strike())
    middle = len(clean.wire) // 2
    (each,) = (every for every in injection.injections(clean) if every.kind == "Ctrl-C" and every.place == middle)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("instruments.described.DescribedSource.make_safe", lambda _: None)
        trial = injection.Trial(plan, tmp_path / "results", each.strike)
    assert "the output is on" in injection.broken(trial, each)
