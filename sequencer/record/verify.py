"""Prove that a record is what was sealed: digests, chain and figures computed again."""

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any

from instruments.errors import InputError, RecordError
from sequencer.evaluation.result import METHOD
from sequencer.inputs.step import registry
from sequencer.journal.writer import entries, lines_n_in, read_journal
from sequencer.record.addenda import added
from sequencer.record.create import versions
from sequencer.record.digest import alterations, covered, sealed_digest
from sequencer.record.layout import DIGEST, FIGURES, JOURNAL, SALVAGED, journal_of
from sequencer.record.load import load
from sequencer.reports.json_document import document

__all__ = ["Verification", "verify"]

# These depend on other records and on the place of this one, not on what was recorded here.
_ELSEWHERE = ("as_found", "remarks", "doubts")
# Opinions on the figures, which a later livezero may hold otherwise: no figure follows from them.
_OPINIONS = ("advice", "findings", "adjustment", "steps", "step_results")
# Sentences, which a later livezero may word otherwise. What they say stands as a number or a result beside them, and
# the digest covers their text.
_SENTENCES = ("verdict.reason", "verdict.rule", "verdict.reservations", "verdict.accepted", "tests", "not_determined")
# What another method of computing uncertainties makes other numbers of. What was read, its errors and the figures as
# their standards define them stay; the digest covers all of it.
_OF_METHOD = re.compile(
    r"verdict|method|tur$|budget|figures\[(inaccuracy|.*both axes|.*by least squares\]\.definition)|"
    r".*\.(U|u|k|dof|tur|p_conform|verdict|is_within|result)$"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """Whether a record is what was sealed.

    Args:
        folder: of the record.
        sha256: over the record as sealed; "" = it is not sealed.
        findings: what was altered, each with its file, and with its line in the journal; () = nothing.
        files_n: files that the digest covers.
        lines_n: lines of the journal.
        added_n: remarks and corrections after sealing.
    """

    folder: Path
    sha256: str
    findings: tuple[str, ...]
    files_n: int
    lines_n: int
    added_n: int

    @property
    def is_intact(self) -> bool:
        """True if it is sealed and nothing was altered."""
        return bool(self.sha256) and not self.findings

    @property
    def todo(self) -> tuple[str, ...]:
        """What to do next, a sentence each, the best first; () = nothing."""
        if self.is_intact:
            return ()
        if not self.findings:
            if (self.folder / SALVAGED).exists():
                return (f"use the record that was made of it, as {SALVAGED} in it says",)
            return (f"livezero resume {self.folder} goes on with it", f"livezero close {self.folder} ends it as it is")
        if all(each.endswith(": was added") for each in self.findings):
            added = ", ".join(each.removesuffix(": was added") for each in self.findings)
            return (f"take out what does not belong to it: {added}",)
        if any(each.startswith(f"{DIGEST}: is missing") for each in self.findings):
            return (
                f"put {DIGEST} back from a copy of {self.folder}, and the other files with it where they differ",
                f'where it is gone: livezero close {self.folder} --seal-anew "NAME: reason", which stands in it then',
                "do not use its verdict until then",
            )
        copy = f"put {self.folder} back from a copy that has the same digest"
        if all(each.startswith(FIGURES) and "computed again" in each for each in self.findings):
            return ("read it with the livezero that wrote it: its files are as they were sealed",)
        salvage = f"livezero salvage {self.folder} makes a new record of all that is whole; this one stays"
        return (copy, salvage, "do not use its verdict until then")


def verify(folder: PathLike[str] | str, *, known: str = "") -> Verification:
    """Compute digests, chain and figures of a record again and tell what was altered.

    Args:
        folder: of the record.
        known: digest that it was sealed with, where an index remembers it; "" = none does.

    Raises:
        RecordError: there is no record.
    """
    folder = Path(folder)
    journal = journal_of(folder)
    sha256, lines_n, added_n, files_n = "", 0, 0, 0
    findings: list[str] = []
    try:
        held = {JOURNAL: read_journal(journal)}
        files_n = len(covered(folder))
        sha256 = sealed_digest(folder)
        findings += alterations(folder, held, known=known)
        lines_n = lines_n_in(held[JOURNAL])
        added_n = len(added(folder))
        if sha256 and (folder / FIGURES).is_file():
            is_consequence = bool(findings) and not _names_figures(findings)
            findings += _figures_that_differ(folder, held, is_consequence=is_consequence)
        else:
            any(False for _ in entries(journal, held[JOURNAL]))  # one that is no line is told
    except (RecordError, InputError) as error:  # damaged so that it cannot be read any more
        findings.append(f"{error.where}: {error.what}" if error.where else error.what)
    return Verification(
        folder=folder,
        sha256=sha256,
        findings=tuple(dict.fromkeys(findings)),
        files_n=files_n,
        lines_n=lines_n,
        added_n=added_n,
    )


def _names_figures(findings: list[str]) -> bool:
    return any(each.startswith(FIGURES) for each in findings)


def _figures_that_differ(folder: Path, held: Mapping[str, bytes], *, is_consequence: bool) -> list[str]:
    """Where figures.json and what is computed again differ; counted only, where what they come from was altered."""
    try:
        kept = json.loads((folder / FIGURES).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return [f"{FIGURES}: is not JSON"]
    if not isinstance(kept, dict):
        return [f"{FIGURES}: holds no figures"]
    computed = json.loads(json.dumps(document(load(folder, as_sealed=True, held=held).content)))
    of_steps = (step.json_key for step in registry().values() if step.json_key)
    ignored = (*_ELSEWHERE, *_OPINIONS, *_SENTENCES, *of_steps)
    differ = [each for each in _different(kept, computed, rest=_rest(computed)) if not each[0].startswith(ignored)]
    if kept.get("method", 1) != METHOD:
        differ = [each for each in differ if not _OF_METHOD.match(each[0])]
    if is_consequence:
        return [f"{FIGURES}: {len(differ)} numbers differ when computed again"] if differ else []
    by_other = "" if kept.get("versions") == versions() else " by other versions of the programs"
    return [
        f"{FIGURES}: {name} is {_short(before)}, computed again{by_other} {_short(now)}" for name, before, now in differ
    ]


def _short(value: object) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _name(entry: object) -> str:
    return str(entry.get("name", "")) if isinstance(entry, dict) else ""


def _rest(computed: dict[str, Any]) -> float:
    """What arithmetic and rounding leave of a difference of two levels as large as those of this record."""
    levels = [row[name] for row in computed.get("visits", ()) for name in ("input", "ideal", "output")]
    return 1e-11 * max((abs(level) for level in levels if level is not None), default=0.0)


def _different(kept: object, computed: object, at: str = "", *, rest: float) -> list[tuple[str, object, object]]:
    """Where two documents differ; numbers by more than the arithmetic of another computer makes."""
    if isinstance(kept, dict) and isinstance(computed, dict):
        return [  # what a later livezero says besides is no difference
            each
            for name in kept
            for each in _different(kept.get(name), computed.get(name), f"{at}.{name}" if at else name, rest=rest)
        ]
    if isinstance(kept, list) and isinstance(computed, list) and len(kept) == len(computed):
        return [
            each
            for number, (one, other) in enumerate(zip(kept, computed, strict=True), start=1)
            for each in _different(one, other, f"{at}[{_name(other) or number}]", rest=rest)
        ]
    if isinstance(kept, float) and isinstance(computed, float):
        is_same = math.isclose(kept, computed, rel_tol=1e-6, abs_tol=max(1e-9, rest))
    else:
        is_same = kept == computed
    return [] if is_same else [(at, kept, computed)]
