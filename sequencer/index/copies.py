"""Records that lie in two folders: one digest is one record, and counts once; the other is kept as "copied"."""

from collections.abc import Iterable

from sqlalchemy import ColumnElement, Connection, and_, exists, func, literal, select, update

from sequencer.index.models import Place, Record

__all__ = ["copied", "settle_copies"]

_MOST = 500  # digests in one statement


def settle_copies(connection: Connection, digests: Iterable[str]) -> None:
    """Of the whole records with each of these digests the one that was kept first counts, the others are copied.

    Where that one is gone, or not whole any more, another takes its place. Folders of other places count too: what was
    taken from site to site is one record.
    """
    wanted = sorted(digests)
    for first in range(0, len(wanted), _MOST):
        part = wanted[first : first + _MOST]
        those = and_(Record.digest.in_(part), Record.condition.in_(("whole", "copied")))
        counted = select(func.min(Record.id)).where(those).group_by(Record.digest)
        ids = list(connection.scalars(counted))
        connection.execute(
            update(Record).where(Record.id.in_(ids), Record.condition == "copied").values(condition="whole", said="")
        )
        other = Record.__table__.alias()
        is_second = exists(select(other.c.id).where(other.c.digest == Record.digest, other.c.id.in_(ids)))
        connection.execute(
            update(Record)
            .where(those, Record.id.not_in(ids), is_second, Record.condition == "whole")
            .values(condition="copied", said=_said(ids))
        )


def _said(ids: list[int]) -> ColumnElement[str]:
    """What is said of each copy: the folder that counts."""
    other = Record.__table__.alias()
    first = select(func.min(other.c.folder)).where(other.c.digest == Record.digest, other.c.id.in_(ids))
    there = first.correlate(Record).scalar_subquery()
    return literal("the same record as ").concat(there).concat(literal(", and counts there alone"))


def copied(connection: Connection, place_id: int | None) -> tuple[tuple[str, str], ...]:
    """(folder, folder that counts) of each copy in a place; of one in another place with that place before it."""
    first, at = Record.__table__.alias(), Place.__table__.alias()
    asked = (
        select(Record.folder, first.c.folder, first.c.place_id, at.c.host, at.c.path)
        .join(first, and_(first.c.digest == Record.digest, first.c.condition == "whole"))
        .join(at, at.c.id == first.c.place_id)
        .where(Record.place_id == place_id, Record.condition == "copied")
        .order_by(Record.folder)
    )
    return tuple(
        (folder, other if where == place_id else f"{host}: {path}/{other}")
        for folder, other, where, host, path in connection.execute(asked)
    )
