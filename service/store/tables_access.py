"""What do the tables about who asks look like? The audit log, systems, their keys and tokens."""

from __future__ import annotations

from typing import Any, ClassVar

from sqlalchemy import Index, LargeBinary
from sqlmodel import Field, SQLModel

from service.store.tables import BIG, CLUSTERED, TEXT


class AuditEvent(SQLModel, table=True):
    """One access, in the order in which it came into the log; see `audit/log.py`.

    `body` is the record as JSON; `at` and `agent` stand in it too. `chain` ties it to the row
    before.
    """

    __tablename__ = "audit_event"

    n: int = Field(primary_key=True, sa_type=BIG, sa_column_kwargs={"autoincrement": False})
    at: int = Field(sa_type=BIG)
    agent: str = Field(sa_type=TEXT)
    body: bytes = Field(sa_type=LargeBinary)
    chain: bytes = Field(sa_type=LargeBinary)

    __table_args__: ClassVar[Any] = (
        Index("audit_event_at", "at", "n"),
        Index("audit_event_agent", "agent", "at", "n"),
    )


class AuditEntity(SQLModel, table=True):
    """`Type/id` of a client, a target or a changed resource of an access."""

    __tablename__ = "audit_entity"

    reference: str = Field(primary_key=True, sa_type=TEXT)
    at: int = Field(primary_key=True, sa_type=BIG)
    n: int = Field(primary_key=True, sa_type=BIG)

    __table_args__: ClassVar[Any] = (CLUSTERED,)


class AuditSpool(SQLModel, table=True):
    """How many bytes of a spool file are in the log; see `audit/spool.py`."""

    __tablename__ = "audit_spool"

    name: str = Field(primary_key=True, sa_type=TEXT)
    taken: int = Field(sa_type=BIG)


class Secret(SQLModel, table=True):
    """A random key that all processes in front of this database share."""

    name: str = Field(primary_key=True, sa_type=TEXT)
    value: bytes = Field(sa_type=LargeBinary)


class SystemClient(SQLModel, table=True):
    """A system that may ask for access tokens; its public keys, or the URL that gives them.

    `scopes` and `tied` are texts divided by spaces; `tied` is empty where nothing narrows.
    """

    __tablename__ = "system_client"

    id: str = Field(primary_key=True, sa_type=TEXT)
    scopes: str = Field(sa_type=TEXT)
    tied: str = Field(sa_type=TEXT)
    reference: str = Field(sa_type=TEXT)
    jwks: str = Field(sa_type=TEXT)
    jwks_url: str = Field(sa_type=TEXT)
    created: int = Field(sa_type=BIG)
    disabled: int | None = Field(default=None, sa_type=BIG)


class SigningKey(SQLModel, table=True):
    """A key that signs access tokens, as a private JWK; one that is retired only verifies."""

    __tablename__ = "signing_key"

    kid: str = Field(primary_key=True, sa_type=TEXT)
    jwk: str = Field(sa_type=TEXT)
    created: int = Field(sa_type=BIG)
    retired: int | None = Field(default=None, sa_type=BIG)


class UsedAssertion(SQLModel, table=True):
    """The number of a client's assertion that was used, kept until the assertion has expired."""

    __tablename__ = "used_assertion"

    issuer: str = Field(primary_key=True, sa_type=TEXT)
    jti: str = Field(primary_key=True, sa_type=TEXT)
    expires: int = Field(sa_type=BIG)

    __table_args__: ClassVar[Any] = (Index("used_assertion_expires", "expires"), CLUSTERED)


class RevokedToken(SQLModel, table=True):
    """The number of an access token that counts no more, kept until the token has expired."""

    __tablename__ = "revoked_token"

    jti: str = Field(primary_key=True, sa_type=TEXT)
    expires: int = Field(sa_type=BIG)

    __table_args__: ClassVar[Any] = (Index("revoked_token_expires", "expires"),)
