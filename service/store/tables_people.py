"""What do the tables of people who sign in look like? People, sessions, what must not be tried
again."""

from __future__ import annotations

from typing import Any, ClassVar

from sqlalchemy import Index
from sqlmodel import Field, SQLModel

from service.store.tables import BIG, TEXT


class Person(SQLModel, table=True):
    """Somebody who may sign in.

    `passphrase` is an encoded Argon2id hash, empty for who signs in elsewhere or by links alone.
    `tied` is a text divided by spaces, empty where nothing narrows.
    """

    __tablename__ = "person"

    login: str = Field(primary_key=True, sa_type=TEXT)
    role: str = Field(sa_type=TEXT)
    reference: str = Field(sa_type=TEXT)
    tied: str = Field(sa_type=TEXT)
    name: str = Field(sa_type=TEXT)
    passphrase: str = Field(sa_type=TEXT)
    created: int = Field(sa_type=BIG)
    disabled: int | None = Field(default=None, sa_type=BIG)


class PersonSession(SQLModel, table=True):
    """A browser in which a person is signed in, by the hash of its token. Seconds since 1970."""

    __tablename__ = "person_session"

    digest: str = Field(primary_key=True, sa_type=TEXT)
    login: str = Field(sa_type=TEXT)
    seen: int = Field(sa_type=BIG)
    expires: int = Field(sa_type=BIG)

    __table_args__: ClassVar[Any] = (
        Index("person_session_login", "login"),
        Index("person_session_expires", "expires"),
    )


class SignInLink(SQLModel, table=True):
    """A link that signs a person in once, by the hash of its token."""

    __tablename__ = "sign_in_link"

    digest: str = Field(primary_key=True, sa_type=TEXT)
    login: str = Field(sa_type=TEXT)
    expires: int = Field(sa_type=BIG)

    __table_args__: ClassVar[Any] = (Index("sign_in_link_expires", "expires"),)


class SignInFailure(SQLModel, table=True):
    """How often a login (in a browser, from a network, in all) or an address failed, by hashes, and
    until when it waits."""

    __tablename__ = "sign_in_failure"

    digest: str = Field(primary_key=True, sa_type=TEXT)
    failures: int = Field(sa_type=BIG)
    until: int = Field(sa_type=BIG)
    forgotten: int = Field(sa_type=BIG)

    __table_args__: ClassVar[Any] = (Index("sign_in_failure_forgotten", "forgotten"),)


class SignInKnown(SQLModel, table=True):
    """Where a sign-in succeeded: in a browser, by hashes of its cookie and the login; at an
    address, by a hash of it, for any login (empty)."""

    __tablename__ = "sign_in_known"

    digest: str = Field(primary_key=True, sa_type=TEXT)
    login: str = Field(primary_key=True, sa_type=TEXT)
    expires: int = Field(sa_type=BIG)

    __table_args__: ClassVar[Any] = (
        Index("sign_in_known_login", "login"),
        Index("sign_in_known_expires", "expires"),
    )


class OpenIdAttempt(SQLModel, table=True):
    """A sign-in that began here and goes on at the identity provider, by the hash of its state."""

    __tablename__ = "openid_attempt"

    digest: str = Field(primary_key=True, sa_type=TEXT)
    browser: str = Field(sa_type=TEXT)
    nonce: str = Field(sa_type=TEXT)
    verifier: str = Field(sa_type=TEXT)
    target: str = Field(sa_type=TEXT)
    expires: int = Field(sa_type=BIG)

    __table_args__: ClassVar[Any] = (Index("openid_attempt_expires", "expires"),)
