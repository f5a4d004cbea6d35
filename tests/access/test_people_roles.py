"""The table of roles: every scope is one of SMART, and the roles mean what they say."""

from __future__ import annotations

import pytest

from service.access.people_roles import roles, roles_in, scopes_of_role
from service.caller import Caller
from service.standard.grants import grants_of
from service.standard.registry import RESOURCE_TYPES

RECORD = ("Patient", "Observation", "CarePlan", "Goal", "Encounter", "Condition", "Consent")


def _letters(role: str, kind: str) -> str:
    grants = grants_of(Caller("p", scopes_of_role(role), kind="person"))
    return "".join(letter for letter in "cruds" if grants.of(letter, kind) is not None)


def test_the_roles_of_the_table() -> None:
    assert set(roles()) == {"therapist", "assistant", "reader", "administrator", "auditor"}
    assert scopes_of_role("nobody") == frozenset()


def test_only_the_auditor_reads_the_audit_log_and_nobody_writes_it() -> None:
    found = {role: _letters(role, "AuditEvent") for role in roles()}
    assert found == dict.fromkeys(roles(), "") | {"auditor": "rs"}


@pytest.mark.parametrize("kind", RECORD)
def test_who_sees_records(kind: str) -> None:
    assert {"c", "r", "u", "s"} <= set(_letters("therapist", kind))
    assert _letters("reader", kind) == "rs"
    assert {"r", "s"} <= set(_letters("assistant", kind))
    assert _letters("administrator", kind) == _letters("auditor", kind) == ""


def test_assistants_keep_sessions_and_not_plans() -> None:
    assert _letters("assistant", "Observation") == "crus"
    for kind in ("CarePlan", "Goal", "Condition", "Patient", "Consent"):
        assert _letters("assistant", kind) == "rs"


def test_nobody_changes_who_did_what() -> None:
    assert {_letters(role, "Provenance") for role in roles()} == {"", "rs"}


def test_every_type_is_somebodys() -> None:
    """A type that is added to the service must be given to a role, or left out on purpose."""
    assert [kind for kind in RESOURCE_TYPES if not any(_letters(r, kind) for r in roles())] == []


@pytest.mark.parametrize("scope", ["system/*.rs", "user/Nothing.rs", "user/Patient.sr", ""])
def test_a_scope_that_is_none_is_refused(scope: str) -> None:
    with pytest.raises(ValueError, match=r"\S"):
        roles_in({"roles": {"odd": {"scopes": [scope]}}})
