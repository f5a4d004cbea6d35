"""For whom, by whom and on which day is a definition applied?"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from service.errors import NotSupported
from service.standard.validation.fhirpath.budget import Budget

Resource = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Context:
    """What an `$apply` is given.

    `encounter`, `practitioner` and `organization` are references; `variables` are what expressions
    see as `%name`; `resolve` finds the definition of a canonical, `conditions` are those of the
    client; `carried` are URLs of extensions that go from a definition to what is made of it, with
    how many of each (0: all); `plan_defaults` are elements of every CarePlan made; `budget` is for
    all expressions together.
    """

    subject: Resource
    today: date
    resolve: Callable[[str], Resource | None]
    encounter: str | None = None
    practitioner: str | None = None
    organization: str | None = None
    variables: Mapping[str, Any] = field(default_factory=dict)
    conditions: Sequence[Resource] = ()
    carried: Mapping[str, int] = field(default_factory=dict)
    plan_defaults: Mapping[str, Any] = field(default_factory=dict)
    budget: Budget = field(default_factory=Budget)

    def whose(self) -> Resource:
        """The elements that say for whom and by whom: subject and encounter."""
        subject = {"reference": f"{self.subject['resourceType']}/{self.subject['id']}"}
        found: Resource = {"subject": subject}
        if self.encounter:
            found["encounter"] = {"reference": self.encounter}
        return found

    def names(self) -> Mapping[str, Any]:
        """What an expression may call by `%name`; the client is `%subject`."""
        return {"subject": self.subject, **self.variables}

    def asker(self) -> Resource | None:
        """Who asks for what is made: the practitioner, or else the organization."""
        reference = self.practitioner or self.organization
        return {"reference": reference} if reference else None

    def definition(self, canonical: str, where: str) -> Resource:
        """The definition of a canonical. Raises NotSupported where it is not held here."""
        found = self.resolve(canonical)
        if found is None:
            raise NotSupported(
                f"{canonical[:200]} is not held here, so it cannot be applied",
                code="not-found",
                expression=where,
            )
        return found


def canonical_of(definition: Resource) -> str | None:
    """URL and version of a definition; None where it has no URL."""
    url, version = definition.get("url"), definition.get("version")
    if not url:
        return None
    return f"{url}|{version}" if version else str(url)
