"""What does a Questionnaire ask? Its items as a tree, each known by its linkId.

R4: http://hl7.org/fhir/R4/questionnaire.html.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from service.errors import Invalid, TooCostly
from service.standard.questionnaires import extensions as ext

MOST_ITEMS = 2000

Json = dict[str, Any]


@dataclass(frozen=True, slots=True, eq=False)
class FormItem:
    """An item as it is asked; `raw` is the item of the Questionnaire."""

    raw: Json
    parent: FormItem | None
    children: list[FormItem] = field(default_factory=list)

    @property
    def link_id(self) -> str:
        return str(self.raw["linkId"])

    @property
    def type(self) -> str:
        return str(self.raw["type"])

    @property
    def is_group(self) -> bool:
        return self.type == "group"

    @property
    def is_question(self) -> bool:
        return self.type not in ("group", "display")

    @property
    def repeats(self) -> bool:
        return self.raw.get("repeats") is True

    @property
    def required(self) -> bool:
        return self.raw.get("required") is True

    @property
    def read_only(self) -> bool:
        return self.raw.get("readOnly") is True

    @property
    def options(self) -> list[Json]:
        return list(self.raw.get("answerOption") or ())

    @property
    def formula(self) -> str | None:
        """The FHIRPath that the answer is calculated by."""
        return ext.expression_in(ext.value(self.raw, ext.CALCULATED))

    @property
    def place(self) -> str:
        """Where the item stands in the Questionnaire."""
        return f"Questionnaire.descendants().where(linkId = '{self.link_id}')"

    def lineage(self) -> Iterator[FormItem]:
        """The item and those it lies in, the innermost first."""
        item: FormItem | None = self
        while item is not None:
            yield item
            item = item.parent

    def questions(self) -> Iterator[FormItem]:
        """The question, or those of the group, that somebody answers; not what is below them."""
        if self.is_question:
            if self.formula is None:
                yield self
            return
        for child in self.children:
            yield from child.questions()

    @property
    def calculates(self) -> bool:
        """Whether the item, or one in it, is calculated."""
        return self.formula is not None or any(child.calculates for child in self.children)


@dataclass(frozen=True, slots=True)
class Form:
    """A Questionnaire that was read."""

    raw: Json
    items: tuple[FormItem, ...]
    by_link: Mapping[str, FormItem]

    @property
    def canonical(self) -> str:
        """`url|version`, as far as it has them."""
        parts = [str(self.raw[name]) for name in ("url", "version") if name in self.raw]
        return "|".join(parts) or "a Questionnaire without a url"

    @property
    def calculated(self) -> list[FormItem]:
        return [item for item in self.by_link.values() if item.formula is not None]

    @property
    def has_constraints(self) -> bool:
        levels = [self.raw, *(item.raw for item in self.by_link.values())]
        return any(True for level in levels for _ in ext.extensions(level, ext.CONSTRAINT))

    def contained(self, kind: str, reference: str) -> Json | None:
        """The contained resource that `#id` means."""
        for each in self.raw.get("contained") or ():
            if each.get("resourceType") == kind and f"#{each.get('id')}" == reference:
                return dict(each)
        return None


def read_form(questionnaire: Json) -> Form:
    """The form of a valid Questionnaire. Raises Invalid, or TooCostly for a huge one."""
    by_link: dict[str, FormItem] = {}

    def read(raw: Json, parent: FormItem | None) -> FormItem:
        item = FormItem(raw, parent)
        if item.link_id in by_link:
            text = f"Two items have the linkId {item.link_id[:64]!r}"
            raise Invalid(text, code="invariant", expression="Questionnaire.item")
        by_link[item.link_id] = item
        if len(by_link) > MOST_ITEMS:
            raise TooCostly(f"The Questionnaire has more than {MOST_ITEMS} items")
        item.children.extend(read(child, item) for child in raw.get("item") or ())
        return item

    items = tuple(read(raw, None) for raw in questionnaire.get("item") or ())
    return Form(questionnaire, items, by_link)
