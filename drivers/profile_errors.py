"""What is wrong with a profile or with options, in words of our own: key, what is expected, what was given.

pydantic finds it; its sentences stay here. Each kind of finding that a TOML file can bring about has its words in one
table; :func:`plain_error` makes one error of the first wrong key.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from pydantic import ValidationError

from ..protocol.errors import ConfigurationError

_Facts = Mapping[str, object]


def _always(words: str) -> Callable[[_Facts], str]:
    return lambda _: words


def _options(facts: _Facts) -> str:
    return str(facts["expected"])


_WHOLE: Final = _always("a whole number")
_NUMBER: Final = _always("a number")
_YES_NO: Final = _always("true or false")
_TEXT: Final = _always("a text")
_LIST: Final = _always("a list")
_TABLE: Final = _always("a table")

EXPECTED: Final[Mapping[str, Callable[[_Facts], str]]] = {
    "int_type": _WHOLE,
    "int_parsing": _WHOLE,
    "int_parsing_size": _WHOLE,
    "int_from_float": _WHOLE,
    "float_type": _NUMBER,
    "float_parsing": _NUMBER,
    "finite_number": _always("a finite number"),
    "bool_type": _YES_NO,
    "bool_parsing": _YES_NO,
    "string_type": _TEXT,
    "string_too_short": lambda facts: f"a text of at least {_count(facts, 'min_length', 'character')}",
    "string_too_long": lambda facts: f"a text of at most {_count(facts, 'max_length', 'character')}",
    "string_pattern_mismatch": lambda facts: f"a text of the form {facts['pattern']}",
    "greater_than": lambda facts: f"a number above {_bare(facts['gt'])}",
    "greater_than_equal": lambda facts: f"{_bare(facts['ge'])} or more",
    "less_than": lambda facts: f"a number below {_bare(facts['lt'])}",
    "less_than_equal": lambda facts: f"{_bare(facts['le'])} at most",
    "list_type": _LIST,
    "tuple_type": _LIST,
    "too_short": lambda facts: f"a list of at least {_count(facts, 'min_length', 'value')}",
    "too_long": lambda facts: f"a list of at most {_count(facts, 'max_length', 'value')}",
    "dict_type": _TABLE,
    "model_type": _TABLE,
    "model_attributes_type": _TABLE,
    "literal_error": _options,
    "enum": _options,
    "union_tag_invalid": lambda facts: f"one of {facts['expected_tags']}",
}
"""What was expected, by pydantic's name of the finding; from its list of validation errors."""

_ANOTHER: Final = "another kind of value"


def plain_error(
    error: ValidationError, *, where: str, given: Mapping[str, object], skip: Sequence[str] = (), mend: str = ""
) -> ConfigurationError:
    """Turn pydantic's findings into one error that names the first wrong key and what it should be.

    Args:
        error: The findings.
        where: File or table that was read.
        given: What was read: tells keys of the file from pydantic's names for the branches of a union.
        skip: The branches of the union over ``wire``, which come first in a key.
        mend: How to mend it, whatever it is.
    """
    found: dict[str, list[_Finding]] = {}
    for one in error.errors(include_url=False):
        finding = _Finding(one["type"], one["loc"], one["msg"], one.get("ctx", {}), one["input"])
        found.setdefault(_key(finding, given, skip), []).append(finding)
    key, of_key = next(iter(found.items()))
    first = of_key[0]
    got = given.get("wire") if first.kind == "union_tag_invalid" else first.got
    is_shown = isinstance(got, str | int | float | bool) and first.kind != "extra_forbidden"
    shown = f", got {got!r}" if is_shown else ""
    more = f"; and {len(found) - 1} more" if len(found) > 1 else ""
    text = _message(of_key, skip)
    return ConfigurationError(f"{key}: {text}{shown}{more}" if key else f"{text}{more}", where=where, mend=mend)


@dataclass(frozen=True, slots=True)
class _Finding:
    """One of pydantic's: its name, its way to the value, its sentence, what it compared with, and the value."""

    kind: str
    way: tuple[int | str, ...]
    sentence: str
    facts: _Facts
    got: object


def _message(found: Sequence[_Finding], skip: Sequence[str]) -> str:
    """What all findings of a key say together: a union has one of each of its branches."""
    match found[0].kind:
        case "missing":
            return "is required"
        case "extra_forbidden":
            return "there is no such key here"
        case "union_tag_not_found":
            return f"is required: one of {', '.join(map(repr, skip))} is expected"
    # Our own validators' words come first: only the right branch of a union gets as far as them.
    if own := [one.sentence.removeprefix("Value error, ") for one in found if one.kind == "value_error"]:
        return own[0]
    wanted = [EXPECTED.get(one.kind, _always(_ANOTHER))(one.facts) for one in found]
    return f"{' or '.join(dict.fromkeys(wanted))} is expected"


def _key(one: _Finding, given: Mapping[str, object], skip: Sequence[str]) -> str:
    """The key as it stands in the file."""
    if one.kind.startswith("union_tag_"):
        return "wire"
    way = one.way[1:] if one.way and one.way[0] in skip else one.way
    shown = []
    here: object = given
    for number, part in enumerate(way):
        below = _below(here, part)
        if below is not None:
            here = below
        elif one.kind != "missing" or number < len(way) - 1:
            continue  # pydantic's name for a branch
        shown.append(str(part))
    return ".".join(shown)


def _below(table: object, part: int | str) -> object:
    """What a table or a list has there; None (which TOML does not know) where it has nothing."""
    if isinstance(table, Mapping):
        return table.get(part)
    if isinstance(table, list | tuple) and isinstance(part, int) and part < len(table):
        return table[part]
    return None


def _count(facts: _Facts, name: str, noun: str) -> str:
    count = facts[name]
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _bare(number: object) -> str:
    """A bound as people write it."""
    return f"{number:.15g}" if isinstance(number, float) else str(number)
