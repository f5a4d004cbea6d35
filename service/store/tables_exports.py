"""What do the tables of bulk exports look like?"""

from __future__ import annotations

from typing import Any, ClassVar

from sqlalchemy import Index, Integer, LargeBinary
from sqlmodel import Field, SQLModel

from service.store.tables import BIG, CLUSTERED, TEXT


class Export(SQLModel, table=True):
    """A bulk export that was asked for: by whom, of what, and how far its files are listed.

    It holds what was committed up to `seq`; whatever is written later has a later time than
    `updated`. `part` and `place` are where the listing goes on, `touched` when it last did.
    """

    __tablename__ = "export"

    id: str = Field(primary_key=True, sa_type=TEXT)
    caller: str = Field(sa_type=TEXT)
    request: str = Field(sa_type=TEXT)
    seq: int = Field(sa_type=BIG)
    updated: int = Field(sa_type=BIG)
    expires: int = Field(sa_type=BIG)
    touched: int = Field(sa_type=BIG)
    part: int = Field(sa_type=Integer)
    place: str = Field(sa_type=TEXT)
    done: bool

    __table_args__: ClassVar[Any] = (
        Index("export_of_caller", "caller", "expires"),
        Index("export_expires", "expires"),
    )


class ExportMember(SQLModel, table=True):
    """A client whose record an export holds, where it is not everybody's."""

    __tablename__ = "export_member"

    export: str = Field(primary_key=True, sa_type=TEXT)
    patient: str = Field(primary_key=True, sa_type=TEXT)

    __table_args__: ClassVar[Any] = (CLUSTERED,)


class ExportFile(SQLModel, table=True):
    """A file of an export: which versions it holds, not their bytes; see `export_files.py`."""

    __tablename__ = "export_file"

    export: str = Field(primary_key=True, sa_type=TEXT)
    number: int = Field(
        primary_key=True, sa_type=Integer, sa_column_kwargs={"autoincrement": False}
    )
    kind: str = Field(sa_type=TEXT)
    type: str = Field(sa_type=TEXT)
    count: int = Field(sa_type=Integer)
    seqs: bytes = Field(sa_type=LargeBinary)
