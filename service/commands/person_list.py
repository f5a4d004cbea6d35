"""hyoid person list: who may sign in?"""

from __future__ import annotations

from service.commands._options import DatabaseOption, settings_with
from service.commands._telling import say
from service.store.people import Person

_HEADS = ("login", "state", "role", "acts as", "sees clients of", "name", "since")


def show(database: DatabaseOption = None) -> None:
    """List the people: what each may do, who they are, whose clients they see."""
    from service.commands._opening import opened_store
    from service.commands._tables import show_table
    from service.store.people import all_people

    with (
        opened_store(settings_with(database=database).database) as store,
        store.database.reader() as connection,
    ):
        people = all_people(connection)
    if not people:
        say("Nobody may sign in: hyoid person add")
        return
    show_table(_HEADS, map(_cells, people))


def _cells(person: Person) -> tuple[str, ...]:
    from service.commands._tables import day, state, ties

    return (
        person.login,
        state(person.disabled),
        person.role,
        person.reference,
        ties(person.tied),
        person.name,
        day(person.created),
    )
