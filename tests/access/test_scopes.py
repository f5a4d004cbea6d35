"""What does a scope say? SMART App Launch 2.2, "Scopes for requesting FHIR Resources"."""

from __future__ import annotations

import itertools
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.access.scopes import Scope, narrowed, parse_scope, supported
from service.caller import Caller
from service.standard.grants import WHOLE, grants_of
from service.standard.registry import RESOURCE_TYPES

CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category|laboratory"


@pytest.mark.parametrize(
    ("text", "scope"),
    [
        # Examples of the standard.
        ("patient/Observation.rs", Scope("patient", "Observation", "rs")),
        ("system/*.cruds", Scope("system", "*", "cruds")),
        ("user/Patient.cud", Scope("user", "Patient", "cud")),
        ("patient/*.r", Scope("patient", "*", "r")),
        (
            f"patient/Observation.rs?category={CATEGORY}",
            Scope("patient", "Observation", "rs", (("category", CATEGORY),)),
        ),
        # What those of version 1 became: its table.
        ("patient/Observation.read", Scope("patient", "Observation", "rs")),
        ("system/Patient.write", Scope("system", "Patient", "cud")),
        ("user/*.*", Scope("user", "*", "cruds")),
        ("system/Observation.s?code=a,b&status=final", Scope(
            "system", "Observation", "s", (("code", "a,b"), ("status", "final"))
        )),
        ("system/*.rs?_tag=http://x|y", Scope("system", "*", "rs", (("_tag", "http://x|y"),))),
    ],
)  # fmt: skip
def test_scopes_are_read(text: str, scope: Scope) -> None:
    assert parse_scope(text) == scope


@pytest.mark.parametrize(
    "text",
    [
        "openid",
        "launch/patient",
        "patient/Observation",
        "patient/Observation.",
        "patient/Observation.sr",
        "patient/Observation.rr",
        "patient/Observation.x",
        "system/observation.rs",
        "system/Nonsense.rs",
        "clinic/Observation.rs",
        "system/Observation.rs?",
        "system/Observation.rs?nonsense=1",
        "system/Observation.rs?category",
        "system/Observation.rs?subject:Patient.name=x",
        "system/Observation.rs?_has:Provenance:target:agent=x",
        "system/Observation.rs?_list=x",
        "system/Observation.rs?_content=pressure",
        "system/Observation.rs?_sort=date",
        "system/Observation.rs?_include=Observation:subject",
        "system/Observation.read?category=x",
        "system/*.rs?category=x",
        "system/Observation.rs\n",
        " system/Observation.rs",
        "system/Observation.rs system/Patient.rs",
        "system/Observation.rs?category=" + "x" * 2000,
        "",
    ],
)
def test_what_is_no_scope_is_refused(text: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011
        parse_scope(text)


def test_all_subsets_of_the_letters_in_their_order_and_no_other() -> None:
    read = set()
    for size in range(1, 6):
        for letters in itertools.permutations("cruds", size):
            text = "system/Goal." + "".join(letters)
            if list(letters) == sorted(letters, key="cruds".index):
                assert str(parse_scope(text)) == text
                read.add(text)
            else:
                with pytest.raises(ValueError, match="not a scope"):
                    parse_scope(text)
    assert len(read) == 31


_TYPES = ("*", "Observation", "Patient", "Goal")
_texts = st.builds(
    lambda level, kind, letters, code: (
        f"{level}/{kind}.{''.join(x for x in 'cruds' if x in letters)}"
        + (f"?_tag={code}" if code else "")
    ),
    st.sampled_from(("system", "user")),
    st.sampled_from(_TYPES),
    st.sets(st.sampled_from("cruds"), min_size=1),
    st.sampled_from(("", "", "a", "b")),
)
_sets = st.frozensets(_texts, max_size=4)


def allows(texts: frozenset[str], letter: str, kind: str, tags: frozenset[str], level: str) -> bool:
    """Whether a resource with these tags may be had, read off the texts alone."""
    for text in texts:
        head, _, query = text.partition("?")
        of, _, rest = head.partition("/")
        name, _, letters = rest.partition(".")
        wanted = {pair.removeprefix("_tag=") for pair in query.split("&")} if query else set()
        if of == level and name in ("*", kind) and letter in letters and wanted <= tags:
            return True
    return False


@given(_sets, _sets)
def test_narrowing_allows_what_both_allow_and_nothing_else(
    asked: frozenset[str], limits: frozenset[str]
) -> None:
    common = narrowed(asked, limits)
    for level, letter, kind in itertools.product(("system", "user"), "cruds", _TYPES[1:]):
        for tags in (frozenset(), frozenset("a"), frozenset("b"), frozenset("ab")):
            both = allows(asked, letter, kind, tags, level) and allows(
                limits, letter, kind, tags, level
            )
            assert allows(common, letter, kind, tags, level) == both
    assert narrowed(common, limits) == common


def test_narrowing_keeps_what_is_no_scope_on_resources_only_where_both_have_it() -> None:
    assert narrowed({"openid", "fhirUser", "system/*.rs"}, {"openid", "user/*.rs"}) == {"openid"}


def test_scopes_add_up() -> None:
    grants = grants_of(
        Caller("c", frozenset({"system/Observation.r", "system/Observation.s?code=x", "user/*.c"}))
    )
    assert grants.of("r", "Observation") == WHOLE
    assert len(grants.of("s", "Observation") or ()) == 1
    assert grants.of("c", "Goal") == WHOLE
    assert grants.of("d", "Observation") is None
    assert grants.unlimited == {"c"}


@pytest.mark.parametrize(
    ("clients", "tied", "counts"),
    [
        (frozenset({"a"}), None, True),
        (frozenset({"a", "b"}), None, False),
        (frozenset(), None, False),
        (None, None, False),
        (frozenset({"a"}), frozenset({"Organization/x"}), False),
    ],
)
def test_patient_scopes_count_for_one_client(
    clients: frozenset[str] | None, tied: frozenset[str] | None, counts: bool
) -> None:
    caller = Caller("c", frozenset({"patient/*.rs"}), clients, tied)
    assert (grants_of(caller).of("r", "Goal") == WHOLE) is counts


def test_who_has_no_scope_may_do_nothing() -> None:
    for scopes in (frozenset(), frozenset({"openid", "nonsense", "system/Observation.sr"})):
        grants = grants_of(Caller("c", scopes))
        assert not any(grants.letters[letter] for letter in "cruds")


def test_what_is_told_as_supported_is_read() -> None:
    assert all(str(parse_scope(text)) == text for text in supported())
    assert "system/*.cruds" in supported()


def test_one_of_two_that_say_the_same_in_another_order_stays() -> None:
    same = {"system/Observation.rs?category=a&code=b", "system/Observation.rs?code=b&category=a"}
    assert len(narrowed(same, {"system/*.rs"})) == 1


def test_many_restricted_wildcards_against_all_types_take_no_time() -> None:
    """Each pair has a part in common, thousands in all; comparing all with all took seconds."""
    allowed = {f"system/{kind}.cruds" for kind in RESOURCE_TYPES}
    asked = [f"system/*.rs?_id={number}" for number in range(100)]
    begun = time.process_time()
    assert len(narrowed(asked, allowed)) == 100 * len(allowed)
    assert time.process_time() - begun < 3
