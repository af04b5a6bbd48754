"""A record handed over to the index once it is kept. It costs the run nothing: what cannot be handed over now is later.

What was not is what the next look at the folder finds, so nothing has to be remembered. Where no index was named, and
none was made yet beside the records, there is nothing to hand over to: whoever asks first has it made from the folders.
"""

import os
from pathlib import Path

from instruments.clock import RealClock
from instruments.errors import LivezeroError

__all__ = ["NAMED_BY", "hand_over"]

NAMED_BY = "LIVEZERO_INDEX"
"""The environment variable that names an index: a URL of PostgreSQL, a path of an SQLite file, or "none"."""

_CLOCK = RealClock()
_AGAIN_S = 20.0  # of the units of a batch one waits for a database that does not answer, not each
_unreached: dict[str, float] = {}


def hand_over(folder: Path) -> LivezeroError | None:
    """Hand over a record, and what else of its folder was not yet; returns why it could not be, None if it could."""
    named = os.environ.get(NAMED_BY, "")
    if _unreached.get(named, -_AGAIN_S) + _AGAIN_S > _CLOCK.now():
        return LivezeroError("it could not be reached just before", where=NAMED_BY)
    if named == "none" or (not named and not (folder.parent / ".index").is_dir()):
        return None
    from sequencer.index.database import Database  # noqa: PLC0415  loaded where there is an index
    from sequencer.index.looking import look  # noqa: PLC0415

    try:
        look(Database.of(folder.parent, named), folder.parent)
    except LivezeroError as error:
        _unreached[named] = _CLOCK.now()
        return error
    except Exception as error:  # noqa: BLE001  a fault of ours must not cost the run its end
        return LivezeroError(f"a fault of livezero itself ({type(error).__name__}: {error})", where=named)
    except KeyboardInterrupt:  # somebody does not want to wait for it; the record is kept
        return LivezeroError("it was stopped", where=named)
    return None
