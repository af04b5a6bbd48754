"""The tables of the index, one model each; the same for SQLite and PostgreSQL. They compute nothing.

Every time is UTC without a zone. All but `repairs` and `baselines` hangs on a record, whose folder is the truth; those
two are read from a file beside the records, so that an index that is built anew has them too. Tables that hang on a
record are kept in the order of their key, so that what belongs to one record, or to one unit, lies together.
"""

from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, ForeignKey, Index, MetaData, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, declared_attr, mapped_column

__all__ = [
    "PARTS",
    "Base",
    "Baseline",
    "Cause",
    "Deed",
    "Figure",
    "Instrument",
    "Place",
    "PointError",
    "Record",
    "Repair",
]


class Base(DeclarativeBase):
    """Names of constraints are fixed, so that migrations can name them on every database."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s",
            "pk": "pk_%(table_name)s",
        }
    )


class Place(Base):
    """A folder of results: known by what is written in it, wherever it is mounted or moved to.

    Attributes:
        uuid: as in the file in it.
        host: computer that looked into it last.
        path: of the folder there.
        log_bytes: how much of its log of units was read.
    """

    __tablename__ = "places"

    id: Mapped[int] = mapped_column(primary_key=True)
    uuid: Mapped[str] = mapped_column(unique=True)
    host: Mapped[str]
    path: Mapped[str]
    log_bytes: Mapped[int] = mapped_column(BigInteger, default=0)


class Record(Base):
    """A record, as its folder says now: with its corrections, which are its later revisions.

    Attributes:
        folder: its name in its place.
        changed_ns: when the folder, or a file that the verdict rests on, was changed last; 0 = to be looked at again.
        addenda_bytes: size of what was added after sealing, as it was read.
        journal_bytes: size of its journal, likewise.
        serial: as written; `serial_key` the same as it is looked for.
        started_at: UTC.
        verdict: of the last revision; `sealed_verdict` of the first.
        status: how the run ended; "not over" where it waits to be resumed or closed, "salvaged" where another was made.
        condition: "whole", "altered", "unreadable", "missing" or "copied"; `said` what of it.
        digest: SHA-256 over the record as sealed; "" = it is not.
        before: digest of the as-found record that an as-left one is set beside; "" = none.
        revision: 1 as sealed, one higher with each correction.
        words: all that is looked through for a text, in small letters.
    """

    __tablename__ = "records"
    __table_args__ = (
        UniqueConstraint("place_id", "folder"),
        Index(None, "serial_key", "started_at"),
        Index(None, "type", "started_at"),
        Index(None, "started_at"),
        Index(None, "digest"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    place_id: Mapped[int] = mapped_column(ForeignKey("places.id"))
    folder: Mapped[str]
    changed_ns: Mapped[int] = mapped_column(BigInteger)
    addenda_bytes: Mapped[int] = mapped_column(BigInteger)
    journal_bytes: Mapped[int] = mapped_column(BigInteger)
    serial: Mapped[str]
    serial_key: Mapped[str]
    tag: Mapped[str]
    type: Mapped[str]
    sequence: Mapped[str]
    standard: Mapped[str]
    bench: Mapped[str]
    operator: Mapped[str]
    state: Mapped[str]
    batch: Mapped[str]
    is_simulated: Mapped[bool]
    started_at: Mapped[datetime | None]
    verdict: Mapped[str]
    sealed_verdict: Mapped[str]
    status: Mapped[str]
    reason: Mapped[str]
    output_unit: Mapped[str]
    output_span: Mapped[float | None]
    tolerance: Mapped[str]
    digest: Mapped[str]
    before: Mapped[str]
    revision: Mapped[int]
    condition: Mapped[str]
    said: Mapped[str]
    words: Mapped[str]


class _Part:
    """What hangs on a record: numbered, and lying in that order."""

    @declared_attr.directive
    def __table_args__(cls) -> tuple[Any, ...]:  # noqa: N805  SQLAlchemy hands the class
        return ({"sqlite_with_rowid": False},)

    # The key stands first: what checks a file of SQLite takes other columns before it for empty ones.
    record_id: Mapped[int] = mapped_column(
        ForeignKey("records.id"), primary_key=True, autoincrement=False, sort_order=-2
    )
    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=False, sort_order=-1)


class Figure(_Part, Base):
    """A figure, a stage's worst error, or a result of a step.

    Attributes:
        stage: of the chain; "" = the whole unit. Of the result of a step "step: " with its name.
        U: expanded uncertainty; None = not known. `low` and `high` are the ends of its interval.
        limit_low: None = no lower limit; `limit_high` likewise.
        verdict: "pass", "fail", ...; "" = not judged by itself.
    """

    __tablename__ = "figures"

    stage: Mapped[str]
    figure: Mapped[str]
    value: Mapped[float | None]
    U: Mapped[float | None]
    low: Mapped[float | None]
    high: Mapped[float | None]
    unit: Mapped[str]
    limit_low: Mapped[float | None]
    limit_high: Mapped[float | None]
    verdict: Mapped[str]


class PointError(_Part, Base):
    """The error at one visited setpoint, end to end, in % of span.

    Attributes:
        stage: of the chain; "" = the whole unit.
        input: true value at the first tap, in its unit.
        U: expanded uncertainty, % of span; None = not known.
        tolerance_pct: half width.
        is_judged: it counts for the verdict.
    """

    __tablename__ = "errors"

    stage: Mapped[str]
    setpoint_pct: Mapped[float]
    direction: Mapped[str]
    cycle: Mapped[int]
    input: Mapped[float | None]
    error: Mapped[float | None]
    U: Mapped[float | None]
    k: Mapped[float | None]
    dof: Mapped[float | None]
    unit: Mapped[str]
    tolerance_pct: Mapped[float | None]
    is_judged: Mapped[bool]


class Instrument(_Part, Base):
    """An instrument that was used.

    Attributes:
        name: in the bench file.
        identity: what it said of itself, "" if nothing; `key` is name, identity and certificate as they are looked for.
        use: what it did.
        certificate: number of the certificate that held.
        calibrated: ISO date, "" = not stated; `due` likewise.
    """

    __tablename__ = "instruments"

    name: Mapped[str]
    what: Mapped[str]
    resource: Mapped[str]
    identity: Mapped[str]
    use: Mapped[str]
    certificate: Mapped[str]
    calibrated: Mapped[str]
    due: Mapped[str]
    key: Mapped[str]


class Cause(_Part, Base):
    """An explanation of what was found, ranked.

    Attributes:
        cause: its names, joined by " + ".
        place: stage or tap.
        weight: share of belief, 0 to 1.
        is_named: it is what the record says is the matter.
    """

    __tablename__ = "causes"

    cause: Mapped[str]
    place: Mapped[str]
    weight: Mapped[float | None]
    is_named: Mapped[bool]


class Deed(_Part, Base):
    """Who did what when to a record.

    Attributes:
        what: "begun", "resumed", "interrupted", "closed", "remark" or "correction".
        revision: that it made; 0 = none.
        replaces: the revision that it stands in place of: "revision 1 of DIGEST"; "" = none.
    """

    __tablename__ = "deeds"

    at: Mapped[datetime | None]
    by: Mapped[str]
    what: Mapped[str]
    text: Mapped[str]
    revision: Mapped[int]
    replaces: Mapped[str]


PARTS: dict[str, type[_Part]] = {
    "figures": Figure,
    "errors": PointError,
    "instruments": Instrument,
    "causes": Cause,
    "deeds": Deed,
}
"""The tables that hang on a record, by name."""


class Repair(Base):
    """What was done to a unit between two runs."""

    __tablename__ = "repairs"
    __table_args__ = (Index(None, "serial_key", "at"),)

    id: Mapped[str] = mapped_column(primary_key=True)
    place_id: Mapped[int] = mapped_column(ForeignKey("places.id"))
    serial: Mapped[str]
    serial_key: Mapped[str]
    at: Mapped[datetime]
    part: Mapped[str]
    by: Mapped[str]
    text: Mapped[str]


class Baseline(Base):
    """A record that others of its unit, or of its type, are held against; the last one of a name counts.

    Attributes:
        name: of the baseline.
        serial: of the unit; "" = it is for the whole type.
        folder: of the record; `digest` of the same.
        why: it was chosen.
    """

    __tablename__ = "baselines"
    __table_args__ = (Index(None, "serial_key", "at"),)

    id: Mapped[str] = mapped_column(primary_key=True)
    place_id: Mapped[int] = mapped_column(ForeignKey("places.id"))
    name: Mapped[str]
    serial: Mapped[str]
    serial_key: Mapped[str]
    type: Mapped[str]
    folder: Mapped[str]
    digest: Mapped[str]
    at: Mapped[datetime]
    by: Mapped[str]
    why: Mapped[str]
