"""Sealed records in number, made of one that is kept: another serial, day and verdict, the readings the same."""

import hashlib
import json
from functools import lru_cache
from pathlib import Path

KEPT = Path(__file__).resolve().parent.parent / "kept_records"


@lru_cache
def _template(name):
    folder = KEPT / name
    files = {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    del files["digest.json"]
    first, _, rest = files.pop("journal.jsonl").partition(b"\n")
    return json.loads(first), rest, json.loads(files.pop("figures.json")), files


def made(results, name, *, of="pass", lines_n=None, cause="", **said):
    """A record of that name in a folder of records; returns its folder.

    Args:
        results: the folder of records.
        name: of its folder.
        of: which of the kept records.
        lines_n: lines of the journal that stay, besides the first; None = all.
        cause: that is named in its figures.
        said: serial, date, operator, state, type, bench, tag, verdict, as_found.
    """
    opened, rest, figures, files = _template(of)
    verdict = {"verdict": {**figures["verdict"], "result": said.pop("verdict", figures["verdict"]["result"])}}
    opened = opened | said
    figures = figures | {name: each for name, each in said.items() if name not in {"tag", "as_found"}} | verdict
    if cause:
        ranked = {"names": [cause], "place": "", "weight": 0.9}
        figures["findings"] = {**figures.get("findings", {}), "is_fault": True, "cause": cause, "ranking": [ranked]}
    lines = rest if lines_n is None else b"\n".join(rest.split(b"\n")[:lines_n]) + b"\n"
    written = files | {
        "journal.jsonl": json.dumps(opened).encode() + b"\n" + lines,
        "figures.json": json.dumps(figures, indent=1).encode() + b"\n",
    }
    folder = Path(results) / name
    for each, raw in written.items():
        path = folder / each
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(raw)
    digests = {each: hashlib.sha256(written[each]).hexdigest() for each in sorted(written)}
    together = hashlib.sha256("".join(f"{digest}  {each}\n" for each, digest in digests.items()).encode()).hexdigest()
    (folder / "digest.json").write_text(json.dumps({"sha256": together, "files": digests}, indent=1))
    return folder


def many(results, number, *, first=0, **said):
    """So many records of units "GF-0", "GF-1" ..., twenty of each, a day after the other; returns their names."""
    names = []
    for each in range(first, first + number):
        date = f"20{10 + each // 336 % 80:02d}-{1 + each // 28 % 12:02d}-{1 + each % 28:02d}T08:00:00.000+00:00"
        name = f"{date[:19].replace(':', '-')}_GF-{each // 20}_{each}"
        made(results, name, serial=f"GF-{each // 20}", date=date, **said)
        names.append(name)
    return names
