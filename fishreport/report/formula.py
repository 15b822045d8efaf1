"""Formulas of the narrative: a subset of LaTeX mathematics, read into a tree that both report formats are written from."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from fishreport.exceptions import ReportError
from fishreport.report.formula_signs import ACCENTS, FENCES, FUNCTIONS, GREEK, LARGE, OPERATORS, SIGNS, SPACES, SPOKEN, UPRIGHT


@dataclass(frozen=True)
class Sign:
    """A letter, number, operator, function name or piece of upright text."""

    text: str
    kind: Literal["letter", "number", "operator", "large", "function", "text"]
    speech: str


@dataclass(frozen=True)
class Space:
    """Horizontal space in quarters of an em."""

    quarters: int


@dataclass(frozen=True)
class Row:
    """Things beside each other."""

    items: tuple[Node, ...]


@dataclass(frozen=True)
class Fraction:
    """One over the other; without a bar for a binomial coefficient."""

    above: Node
    below: Node
    bar: bool = True


@dataclass(frozen=True)
class Root:
    """A square root, or the root of that index."""

    inside: Node
    index: Node | None


@dataclass(frozen=True)
class Scripts:
    """Something with a subscript, a superscript, or both."""

    base: Node
    below: Node | None
    above: Node | None


@dataclass(frozen=True)
class Accent:
    """A mark over something."""

    mark: str
    base: Node


@dataclass(frozen=True)
class Fence:
    """Something between stretching brackets; an empty bracket is invisible."""

    opening: str
    inside: Node
    closing: str


Node = Sign | Space | Row | Fraction | Root | Scripts | Accent | Fence

_TOKEN = re.compile(r"\s+|\\[A-Za-z]+\*?|\\.|\d+(?:\.\d+)?|.", re.DOTALL)
_DEEPEST = 20


class _Reader:
    def __init__(self, source: str) -> None:
        self.source = source
        self.tokens = list(_TOKEN.findall(source))
        self.place = 0
        self.depth = 0

    def fail(self, why: str) -> ReportError:
        shown = self.source.strip()
        return ReportError(f"the formula ${shown if len(shown) <= 120 else shown[:120] + '…'}$ cannot be set: {why}")

    def skip_space(self) -> None:
        while self.place < len(self.tokens) and self.tokens[self.place].isspace():
            self.place += 1

    def peek(self) -> str:
        self.skip_space()
        return self.tokens[self.place] if self.place < len(self.tokens) else ""

    def take(self) -> str:
        token = self.peek()
        self.place += 1
        return token

    def row(self, *ends: str) -> Row:
        self.depth += 1
        if self.depth > _DEEPEST:
            raise self.fail("it is nested too deeply")
        items: list[Node] = []
        while (token := self.peek()) not in ends:
            if not token:
                raise self.fail(f"{ends[-1]} is missing")
            if token in ("}", "\\right", "&"):
                raise self.fail(f"{token} has nothing that it belongs to")
            items.append(self.scripted())
        self.depth -= 1
        return Row(tuple(items))

    def scripted(self) -> Node:
        base: Node = Row(()) if self.peek() in ("^", "_") else self.atom()
        below: Node | None = None
        above: Node | None = None
        while (token := self.peek()) in ("^", "_", "'"):
            self.take()
            if token == "'":
                if above is not None:
                    raise self.fail("it has two superscripts in one place")
                above = Sign("′", "operator", "prime")
            elif token == "_":
                if below is not None:
                    raise self.fail("it has two subscripts in one place")
                below = self.group()
            else:
                if above is not None:
                    raise self.fail("it has two superscripts in one place")
                above = self.group()
        return base if below is None and above is None else Scripts(base, below, above)

    def group(self) -> Node:
        if self.peek() == "{":
            self.take()
            inside = self.row("}")
            self.take()
            return inside
        if self.peek() in ("", "^", "_", "}"):
            raise self.fail("something is missing after ^, _ or a command")
        token = self.peek()
        if token.isdigit() and len(token) > 1:  # x^12 raises x to 1
            self.tokens[self.place] = token[1:]
            return Sign(token[0], "number", token[0])
        return self.atom()

    def words(self) -> str:
        if self.peek() != "{":
            raise self.fail("a command for text needs its text in braces")
        self.place += 1
        depth = 1
        found: list[str] = []
        while self.place < len(self.tokens):
            token = self.tokens[self.place]
            self.place += 1
            depth += (token == "{") - (token == "}")
            if depth == 0:
                return re.sub(r"\s+", " ", "".join(found))
            if token.startswith("\\") and token[1:] not in ("%", "$", "_", "&", "#", "{", "}", " ", ","):
                raise self.fail(f"the command {token} is not known inside text")
            found.append(token[1:] if token.startswith("\\") else token)
        raise self.fail("} is missing")

    def fence(self) -> str:
        token = self.take()
        if token not in FENCES and token not in ("\\lvert", "\\rvert"):
            raise self.fail(f"{token or 'nothing'} is not a bracket that \\left or \\right can take")
        return FENCES.get(token, "|")

    def atom(self) -> Node:
        token = self.take()
        if token == "{":
            self.place -= 1
            return self.group()
        if token.startswith("\\"):
            return self.command(token[1:])
        if token[0].isdigit():
            return Sign(token, "number", token)
        if token in SIGNS:
            return Sign(SIGNS[token][0], "operator", SIGNS[token][1])
        if token == "~":
            return Space(2)
        if token.isalpha() and len(token) == 1:
            return Sign(token, "letter", token)
        raise self.fail(f"the character {token!r} is not known in formulas")

    def command(self, name: str) -> Node:
        if name in GREEK:
            return Sign(GREEK[name], "letter", name.removeprefix("var") if name.islower() else f"capital {name.lower()}")
        if name in OPERATORS:
            return Sign(OPERATORS[name][0], "operator", OPERATORS[name][1])
        if name in LARGE:
            return Sign(LARGE[name][0], "large", LARGE[name][1])
        if name in FUNCTIONS:
            return Sign(name, "function", SPOKEN.get(name, name))
        if name in SPACES:
            return Space(SPACES[name])
        if name in ("frac", "dfrac", "tfrac"):
            return Fraction(self.group(), self.group())
        if name == "binom":
            return Fence("(", Fraction(self.group(), self.group(), bar=False), ")")
        if name == "sqrt":
            index: Node | None = None
            if self.peek() == "[":
                self.take()
                index = self.row("]")
                self.take()
            return Root(self.group(), index)
        if name in ACCENTS:
            return Accent(ACCENTS[name], self.group())
        if name in UPRIGHT:
            text = self.words()
            return Sign(text, "function" if name == "operatorname" else "text", text)
        if name == "mathbf":
            return self.group()
        if name == "left":
            opening = self.fence()
            inside = self.row("\\right")
            self.take()
            return Fence(opening, inside, self.fence())
        known = "fractions, roots, scripts, Greek letters, sums, operators, \\text, accents, \\left … \\right and functions"
        raise self.fail(f"the command \\{name} is not known; known are {known}")


def read_formula(source: str) -> Node:
    """The tree of a formula.

    Raises
    ------
    ReportError
        If it holds a command that is not known (the message names it), or is not well formed.
    """
    reader = _Reader(source)
    tree = reader.row("")
    if not tree.items or not speak(tree):
        raise reader.fail("it is empty")
    return tree


def _fence_words(text: str, which: str) -> str:
    names = {"(": "parenthesis", ")": "parenthesis", "[": "bracket", "]": "bracket", "{": "brace", "}": "brace", "|": "bar"}
    return f"{which} {names[text]}" if text else ""


def speak(node: Node) -> str:
    """The formula in words, for a reader who cannot see it."""
    words = re.sub(r"\s+([,;])", r"\1", " ".join(_spoken(node).split()))
    return re.sub(r",+", ",", words).strip(" ,")


def _spoken(node: Node) -> str:
    match node:
        case Sign(speech=speech):
            return speech
        case Space():
            return ""
        case Row(items=items):
            return " ".join(_spoken(item) for item in items)
        case Fraction(above=above, below=below, bar=bar):
            if not bar:
                return f"{_spoken(above)} choose {_spoken(below)}"
            return f"the fraction {_spoken(above)} over {_spoken(below)}, end fraction,"
        case Root(inside=inside, index=None):
            return f"the square root of {_spoken(inside)}, end root,"
        case Root(inside=inside, index=index) if index is not None:
            return f"the root of index {_spoken(index)} of {_spoken(inside)}, end root,"
        case Scripts(base=base, below=below, above=above):
            if isinstance(base, Sign) and base.kind == "large":
                start = f" from {_spoken(below)}" if below is not None else ""
                stop = f" to {_spoken(above)}" if above is not None else ""
                return f"{base.speech}{start}{stop} of"
            if isinstance(base, Sign) and base.speech.endswith(" of") and above is None and below is not None:
                return f"{base.speech.removesuffix(' of')} sub {_spoken(below)} of"
            words = _spoken(base)
            words += f" sub {_spoken(below)}" if below is not None else ""
            if isinstance(above, Sign) and above.text == "′":
                return f"{words} prime"
            if isinstance(above, Sign) and above.text in "23":
                return f"{words} {'squared' if above.text == '2' else 'cubed'}"
            return words + (f" to the power {_spoken(above)}" if above is not None else "")
        case Accent(mark=mark, base=base):
            return f"{_spoken(base)} {mark}"
        case Fence(opening=opening, inside=inside, closing=closing):
            return f"{_fence_words(opening, 'open')} {_spoken(inside)} {_fence_words(closing, 'close')}"
    raise TypeError(type(node).__name__)
