"""Does a code match the regular expression of a filter?

R4: filter-operator `regex`. Patterns come from clients, so that they run as automata whose time
grows with the text only: no backtracking. The whole text has to match, as in XML Schema, whose
notation HL7's own value sets keep to (`[A-Z]{3}`): literals, `.`, classes, groups, `|`, `*`,
`+`, `?`, `{n,m}`, the escapes `\\d \\w \\s`, and `^`, `$` at the ends, where they say nothing.
"""

from __future__ import annotations

import functools
import string
from collections.abc import Callable
from dataclasses import dataclass, field

MOST_STATES = 500
_LONGEST = 250
_MOST_SETS = 2000

Test = Callable[[str], bool]


class PatternError(ValueError):
    """Not a pattern that can be used here; the text says why."""


@dataclass(slots=True, eq=False)
class _State:
    """`test` reads one character on the way to the first of `then`; without it: go on freely."""

    test: Test | None = None
    then: list[_State] = field(default_factory=list)


_States = frozenset[_State]


@functools.lru_cache(maxsize=64)
def pattern(text: str) -> Pattern:
    """The pattern of this text. Raises PatternError."""
    if len(text) > _LONGEST:
        raise PatternError(f"a pattern has at most {_LONGEST} characters")
    return Pattern(text)


class Pattern:
    """A compiled pattern."""

    def __init__(self, text: str) -> None:
        reader = _Reader(text.removeprefix("^"))
        self._end = _State()
        start = reader.read(self._end)
        self._start = _free({start})
        self._known: dict[tuple[_States, str], _States] = {}

    def matches(self, text: str) -> bool:
        """Whether the whole text matches."""
        states = self._start
        for character in text:
            states = self._step(states, character)
            if not states:
                return False
        return self._end in states

    def _step(self, states: _States, character: str) -> _States:
        key = (states, character)
        found = self._known.get(key)
        if found is None:
            found = _free({s.then[0] for s in states if s.test is not None and s.test(character)})
            if len(self._known) >= _MOST_SETS:
                self._known.clear()
            self._known[key] = found
        return found


def _free(states: set[_State]) -> _States:
    """These states and all that are reached without reading."""
    found = set(states)
    waiting = list(states)
    while waiting:
        state = waiting.pop()
        if state.test is None:
            new = [each for each in state.then if each not in found]
            found.update(new)
            waiting += new
    return frozenset(found)


Maker = Callable[[_State], _State]
"""A piece of a pattern: given the state after it, makes the state before it."""


class _Reader:
    """Recursive descent over the notation; pieces are makers, so that they can be repeated."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.depth = 0
        self.states = 0

    def read(self, end: _State) -> _State:
        maker = self._choice()
        if self._peek() == "$" and self.at == len(self.text) - 1:
            self.at += 1
        if self.at < len(self.text):
            raise PatternError(f"{self._peek()!r} at character {self.at + 1} is not expected")
        return maker(end)

    def state(self, test: Test | None = None, *then: _State) -> _State:
        self._spend()
        return _State(test, list(then))

    def _spend(self) -> None:
        self.states += 1
        if self.states > MOST_STATES:
            raise PatternError("the pattern is too large")

    def _peek(self) -> str:
        return self.text[self.at : self.at + 1]

    def _take(self) -> str:
        character = self._peek()
        if not character:
            raise PatternError("the pattern ends too early")
        self.at += 1
        return character

    def _choice(self) -> Maker:
        branches = [self._sequence()]
        while self._peek() == "|":
            self.at += 1
            branches.append(self._sequence())
        if len(branches) == 1:
            return branches[0]
        return lambda after: self.state(None, *(branch(after) for branch in branches))

    def _sequence(self) -> Maker:
        pieces: list[Maker] = []
        while (character := self._peek()) and character not in "|)":
            if character == "$" and self.at == len(self.text) - 1:
                break
            pieces.append(self._repeated(self._piece()))

        def make(after: _State) -> _State:
            for piece in reversed(pieces):
                after = piece(after)
            return after

        return make

    def _piece(self) -> Maker:
        character = self._take()
        if character == "(":
            return self._group()
        if character in "*+?{}^$])":
            raise PatternError(f"{character!r} at character {self.at} is not expected")
        if character == "[":
            return self._reading(self._class())
        if character == ".":
            return self._reading(lambda read: read != "\n")
        if character == "\\":
            return self._reading(self._escape())
        return self._reading(lambda read, wanted=character: read == wanted)  # type: ignore[misc]

    def _reading(self, test: Test) -> Maker:
        return lambda after: self.state(test, after)

    def _group(self) -> Maker:
        self.depth += 1
        if self.depth > 20:
            raise PatternError("the pattern is nested too deep")
        if self.text.startswith("?:", self.at):
            self.at += 2
        elif self._peek() == "?":
            raise PatternError("groups that look around or have names are not offered")
        inner = self._choice()
        if self._take() != ")":
            raise PatternError("a group is not closed")
        self.depth -= 1
        return inner

    def _repeated(self, piece: Maker) -> Maker:
        while (character := self._peek()) and character in "*+?{":
            self.at += 1
            least, most = {"*": (0, None), "+": (1, None), "?": (0, 1)}.get(character, (0, 0))
            if character == "{":
                least, most = self._bounds()
            piece = self._times(piece, least, most)
        return piece

    def _bounds(self) -> tuple[int, int | None]:
        end = self.text.find("}", self.at)
        inside = self.text[self.at : end] if end >= 0 else ""
        self.at = end + 1
        low, comma, high = inside.partition(",")
        numbers = [part for part in (low, high) if part]
        if not low or any(not (n.isascii() and n.isdecimal() and len(n) < 4) for n in numbers):
            raise PatternError("{…} holds one or two numbers below 1000")
        most = int(high) if high else None if comma else int(low)
        if most is not None and most < int(low):
            raise PatternError("{…} holds the smaller number first")
        return int(low), most

    def _times(self, piece: Maker, least: int, most: int | None) -> Maker:
        def make(after: _State) -> _State:
            if most is None:
                loop = self.state(None)
                loop.then = [piece(loop), after]
                after = loop
            else:
                end = after
                for _ in range(most - least):
                    after = self.state(None, piece(after), end)
            for _ in range(least):
                self._spend()
                after = piece(after)
            return after

        return make

    def _class(self) -> Test:
        wanted = self._peek() != "^"
        self.at += not wanted
        tests: list[Test] = []
        while (character := self._take()) != "]" or not tests:
            tests.append(self._class_part(character))
        return lambda read: any(test(read) for test in tests) is wanted

    def _class_part(self, character: str) -> Test:
        if character == "\\":
            if self._peek() in _CLASSES:
                return self._escape()
            character = self._take()
        low = high = character
        if self._peek() == "-" and self.text[self.at + 1 : self.at + 2] not in ("]", ""):
            self.at += 1
            high = self._take()
            if high == "\\":
                high = self._take()
        if high < low:
            raise PatternError(f"the range {low}-{high} is empty")
        return lambda read: low <= read <= high

    def _escape(self) -> Test:
        character = self._take()
        if character in _CLASSES:
            return _CLASSES[character]
        if character.isalnum():
            raise PatternError(f"the escape \\{character} is not offered")
        return lambda read: read == character


_WORD = frozenset(string.ascii_letters + string.digits + "_")
_CLASSES: dict[str, Test] = {
    "d": lambda read: read in string.digits,
    "D": lambda read: read not in string.digits,
    "w": lambda read: read in _WORD,
    "W": lambda read: read not in _WORD,
    "s": lambda read: read in " \t\n\r\f\v",
    "S": lambda read: read not in " \t\n\r\f\v",
}
