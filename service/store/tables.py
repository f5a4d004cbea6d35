"""What do the tables of resources look like?

`resource` has one row a logical resource and points to its current version; `version` keeps
every version as the bytes that are served, in the order of `seq`, the change sequence. The
search tables hold one narrow row a search value.

- `rid` is the number of a resource: given once, growing, so that it orders pages.
- `param` is the number of a search parameter of one type, from
  `mappings/r4/search-parameters.json`; it implies the type.
- `grp` tells which repetition of a repeating top-level element a value came from (1 for the
  first; 0: not from a repeating one), so that a composite parameter can ask for two values of
  the same component.
- Times are microseconds since 1970 in UTC; a range is closed at both ends.

The search tables are keyed by (rid, param, …): rows of one resource lie together and are
written at the end of the table; the second index leads from a value to its resources in the
order of `rid` (SQLite appends the key to it; PostgreSQL gets `rid` named).
"""

from __future__ import annotations

from typing import Any, ClassVar

from sqlalchemy import BigInteger, Float, Index, Integer, LargeBinary, SmallInteger, Text, text
from sqlalchemy.dialects.postgresql import TSVECTOR
from sqlmodel import Field, SQLModel

BIG = BigInteger().with_variant(Integer(), "sqlite")
TEXT = Text().with_variant(Text(collation="C"), "postgresql")
"""Text compared byte by byte on both engines, so that ranges and order agree."""
WORDS: Any = Text().with_variant(TSVECTOR(), "postgresql")
"""Marked words: a text with spaces between them, or each with its places."""

CLUSTERED: dict[str, Any] = {"sqlite_with_rowid": False}
"""On SQLite: the rows lie in the order of their key."""


class Resource(SQLModel, table=True):
    """A logical resource: where its current version is, or that it is deleted."""

    rid: int = Field(primary_key=True, sa_type=BIG, sa_column_kwargs={"autoincrement": False})
    type: str = Field(sa_type=TEXT)
    id: str = Field(sa_type=TEXT)
    vid: int = Field(sa_type=Integer)
    seq: int = Field(sa_type=BIG)
    updated: int = Field(sa_type=BIG)
    deleted: bool

    __table_args__: ClassVar[Any] = (
        Index("resource_identity", "type", "id", unique=True),
        Index("resource_walk", "type", "deleted", "rid"),
        Index("resource_updated", "type", "updated", "rid"),
    )


class Version(SQLModel, table=True):
    """One version of a resource as the bytes that are served; a deletion has none.

    `base` is the FHIR base URL below which its absolute references are local. It is that of the
    request, and whose clients it names was judged by it.
    """

    seq: int = Field(primary_key=True, sa_type=BIG, sa_column_kwargs={"autoincrement": False})
    rid: int = Field(sa_type=BIG)
    vid: int = Field(sa_type=Integer)
    type: str = Field(sa_type=TEXT)
    method: str = Field(sa_type=TEXT)
    updated: int = Field(sa_type=BIG)
    body: bytes | None = Field(default=None, sa_type=LargeBinary)
    base: str | None = Field(default=None, sa_type=TEXT)

    __table_args__: ClassVar[Any] = (
        Index("version_of_resource", "rid", "vid", unique=True),
        Index("version_of_type", "type", "seq"),
        Index("version_updated", "updated", "seq"),
    )


class ChangeClock(SQLModel, table=True):
    """One row. Whoever updates it is the writer; the others wait until he has committed.

    So `seq` and `updated` follow the order of commits on both engines, and nothing can appear
    later with an earlier time than what a reader has already seen.
    """

    __tablename__ = "change_clock"

    id: int = Field(default=1, primary_key=True)
    seq: int = Field(sa_type=BIG)
    rid: int = Field(sa_type=BIG)
    updated: int = Field(sa_type=BIG)


class Compartment(SQLModel, table=True):
    """This resource lies in the compartment of that patient; of none where `patient` is empty."""

    rid: int = Field(primary_key=True, sa_type=BIG)
    patient: str = Field(primary_key=True, sa_type=TEXT)
    type: str = Field(sa_type=TEXT)

    __table_args__: ClassVar[Any] = (
        Index("compartment_of_patient", "patient", "type", "rid"),
        CLUSTERED,
    )


class PastCompartment(SQLModel, table=True):
    """Up to version `vid` the resource lay in the compartment of that patient, and not after it.

    Only where it was moved; down to the next lower `vid` that is told of it.
    """

    __tablename__ = "past_compartment"

    rid: int = Field(primary_key=True, sa_type=BIG)
    vid: int = Field(primary_key=True, sa_type=Integer)
    patient: str = Field(primary_key=True, sa_type=TEXT)

    __table_args__: ClassVar[Any] = (CLUSTERED,)


class Keeper(SQLModel, table=True):
    """Under this name a resource was made that lies in nobody's record; see `keepers.py`."""

    rid: int = Field(primary_key=True, sa_type=BIG)
    name: str = Field(primary_key=True, sa_type=TEXT)

    __table_args__: ClassVar[Any] = (CLUSTERED,)


class TokenIndex(SQLModel, table=True):
    """A coded value. `system` is empty where there is none."""

    __tablename__ = "index_token"

    rid: int = Field(primary_key=True, sa_type=BIG)
    param: int = Field(primary_key=True, sa_type=Integer)
    code: str = Field(primary_key=True, sa_type=TEXT)
    system: str = Field(primary_key=True, sa_type=TEXT)
    grp: int = Field(primary_key=True, sa_type=SmallInteger)

    __table_args__: ClassVar[Any] = (
        Index("index_token_code", "param", "code", "rid"),
        Index("index_token_system", "param", "system", "rid"),
        CLUSTERED,
    )


class ReferenceIndex(SQLModel, table=True):
    """A reference to `target_type`/`target_id`, or to a URL: then the type is empty."""

    __tablename__ = "index_reference"

    rid: int = Field(primary_key=True, sa_type=BIG)
    param: int = Field(primary_key=True, sa_type=Integer)
    target_id: str = Field(primary_key=True, sa_type=TEXT)
    target_type: str = Field(primary_key=True, sa_type=TEXT)
    grp: int = Field(primary_key=True, sa_type=SmallInteger)

    __table_args__: ClassVar[Any] = (
        Index("index_reference_target", "param", "target_id", "target_type", "rid"),
        CLUSTERED,
    )


class DateIndex(SQLModel, table=True):
    """A time or period; an open end is the lowest or highest number there is."""

    __tablename__ = "index_date"

    rid: int = Field(primary_key=True, sa_type=BIG)
    param: int = Field(primary_key=True, sa_type=Integer)
    low: int = Field(primary_key=True, sa_type=BIG)
    high: int = Field(primary_key=True, sa_type=BIG)
    grp: int = Field(primary_key=True, sa_type=SmallInteger)

    __table_args__: ClassVar[Any] = (
        Index("index_date_low", "param", "low", "rid"),
        Index(
            "index_date_long",
            "param",
            "high",
            "rid",
            sqlite_where=text("high - low > 86400000000"),
            postgresql_where=text("high - low > 86400000000"),
        ),
        CLUSTERED,
    )


class QuantityIndex(SQLModel, table=True):
    """A number or quantity. `unit_code` and `unit_system` are empty where there are none.

    `unit` is the human unit. `base_low` and `base_high` are the value in `base_unit`, where the
    unit is one of UCUM that we can convert; else `base_unit` is empty and they are zero.
    """

    __tablename__ = "index_quantity"

    rid: int = Field(primary_key=True, sa_type=BIG)
    param: int = Field(primary_key=True, sa_type=Integer)
    low: float = Field(primary_key=True, sa_type=Float(53))
    high: float = Field(primary_key=True, sa_type=Float(53))
    unit_code: str = Field(primary_key=True, sa_type=TEXT)
    unit_system: str = Field(primary_key=True, sa_type=TEXT)
    unit: str = Field(primary_key=True, sa_type=TEXT)
    grp: int = Field(primary_key=True, sa_type=SmallInteger)
    base_low: float = Field(sa_type=Float(53))
    base_high: float = Field(sa_type=Float(53))
    base_unit: str = Field(sa_type=TEXT)

    __table_args__: ClassVar[Any] = (
        Index("index_quantity_low", "param", "low", "rid"),
        Index("index_quantity_base", "param", "base_unit", "base_low", "rid"),
        Index(
            "index_quantity_span",
            "param",
            "rid",
            sqlite_where=text("low < high"),
            postgresql_where=text("low < high"),
        ),
        CLUSTERED,
    )


class StringIndex(SQLModel, table=True):
    """A text: as written, and folded (case, accents, normalisation form, white space)."""

    __tablename__ = "index_string"

    rid: int = Field(primary_key=True, sa_type=BIG)
    param: int = Field(primary_key=True, sa_type=Integer)
    folded: str = Field(primary_key=True, sa_type=TEXT)
    exact: str = Field(primary_key=True, sa_type=TEXT)
    grp: int = Field(primary_key=True, sa_type=SmallInteger)

    __table_args__: ClassVar[Any] = (
        Index("index_string_folded", "param", "folded", "rid"),
        CLUSTERED,
    )


class UriIndex(SQLModel, table=True):
    """A URI, compared as a whole."""

    __tablename__ = "index_uri"

    rid: int = Field(primary_key=True, sa_type=BIG)
    param: int = Field(primary_key=True, sa_type=Integer)
    value: str = Field(primary_key=True, sa_type=TEXT)
    grp: int = Field(primary_key=True, sa_type=SmallInteger)

    __table_args__: ClassVar[Any] = (
        Index("index_uri_value", "param", "value", "rid"),
        CLUSTERED,
    )


class DatedCodeIndex(SQLModel, table=True):
    """A code with the start of the date of its resource (`service.standard.dated_codes`).

    The systems of the code are in `index_token`.
    """

    __tablename__ = "index_dated_code"

    rid: int = Field(primary_key=True, sa_type=BIG)
    param: int = Field(primary_key=True, sa_type=Integer)
    code: str = Field(primary_key=True, sa_type=TEXT)
    at: int = Field(sa_type=BIG)

    __table_args__: ClassVar[Any] = (
        Index("index_dated_code_at", "param", "code", "at", "rid"),
        CLUSTERED,
    )


class TextIndex(SQLModel, table=True):
    """The words of a resource, for `_text` and `_content`; see `full_text.py`."""

    __tablename__ = "index_text"

    rid: int = Field(primary_key=True, sa_type=BIG, sa_column_kwargs={"autoincrement": False})
    words: str = Field(sa_type=WORDS)

    __table_args__: ClassVar[Any] = (
        Index("index_text_words", "words", postgresql_using="gin").ddl_if("postgresql"),
    )
