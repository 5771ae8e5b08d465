"""What is wrong with a profile is told in words of the project, whatever kind of value a file has in whatever place."""

import tomllib
from collections.abc import Iterator
from copy import deepcopy
from datetime import date
from importlib.resources import files
from typing import Annotated, Any, Literal

import pytest
import tomli_w
from lampwarden.drivers.codecs.modbus import ByteOrder
from lampwarden.drivers.profile import parse_profile
from lampwarden.drivers.profile_errors import plain_error
from lampwarden.protocol.errors import ConfigurationError
from lampwarden.protocol.quantity import Frozen
from pydantic import Field, ValidationError

PYDANTICS_WORDS = ("Input", "should", "valid", "Extra", "Field", "permitted", "Value error", "found using", "[type=")
NO_WORDS = "another kind of value"
PROFILES = {
    each.name: tomllib.loads(each.read_text(encoding="utf-8"))
    for each in files("lampwarden.drivers").joinpath("profiles").iterdir()
    if each.name.endswith(".toml")
}
STRANGE: tuple[Any, ...] = (
    True,
    -1,
    3,
    10**25,
    2.5,
    -1e300,
    float("inf"),
    float("nan"),
    "",
    "strange",
    "é" * 600,
    date(2001, 2, 3),
    [],
    [1],
    ["x", 2, 3],
    {},
    {"strange": 1},
)


class Inner(Frozen):
    """A table."""

    count: int = 1


class Example(Frozen):
    """One key of each kind."""

    whole: int = 1
    number: float = 1.0
    yes: bool = True
    text: Annotated[str, Field(min_length=2, max_length=3)] = "ab"
    letter: Annotated[str, Field(min_length=1)] = "a"
    form: Annotated[str, Field(pattern="^[a-c]$")] = "a"
    above: Annotated[float, Field(gt=0.5)] = 1.0
    least: Annotated[int, Field(ge=2)] = 2
    below: Annotated[float, Field(lt=10)] = 1.0
    most: Annotated[float, Field(le=10)] = 1.0
    pair: tuple[float, float] = (0.0, 1.0)
    row: Annotated[tuple[int, ...], Field(min_length=1, max_length=2)] = (1,)
    choice: Literal["a", "b"] = "a"
    order: ByteOrder = ByteOrder.ABCD
    either: int | str = 1
    inner: Inner = Inner()
    tables: dict[str, Inner] = Field(default_factory=dict)


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("whole", "x", "whole: a whole number is expected, got 'x'"),
        ("whole", [1], "whole: a whole number is expected"),
        ("whole", 1.5, "whole: a whole number is expected, got 1.5"),
        ("whole", float("inf"), "whole: a finite number is expected, got inf"),
        ("number", "x", "number: a number is expected, got 'x'"),
        ("number", {}, "number: a number is expected"),
        ("number", float("nan"), "number: a finite number is expected, got nan"),
        ("yes", "perhaps", "yes: true or false is expected, got 'perhaps'"),
        ("yes", [], "yes: true or false is expected"),
        ("text", 5, "text: a text is expected, got 5"),
        ("text", "a", "text: a text of at least 2 characters is expected, got 'a'"),
        ("text", "abcd", "text: a text of at most 3 characters is expected, got 'abcd'"),
        ("letter", "", "letter: a text of at least 1 character is expected, got ''"),
        ("form", "d", "form: a text of the form ^[a-c]$ is expected, got 'd'"),
        ("above", 0.5, "above: a number above 0.5 is expected, got 0.5"),
        ("least", 1, "least: 2 or more is expected, got 1"),
        ("below", 10, "below: a number below 10 is expected, got 10"),
        ("most", 11, "most: 10 at most is expected, got 11"),
        ("pair", 3, "pair: a list is expected, got 3"),
        ("pair", [3], "pair.1: is required"),
        ("pair", [1, 2, 3], "pair: a list of at most 2 values is expected"),
        ("pair", [1, "x"], "pair.1: a number is expected, got 'x'"),
        ("row", [], "row: a list of at least 1 value is expected"),
        ("choice", "c", "choice: 'a' or 'b' is expected, got 'c'"),
        ("order", "c", "order: 'ABCD', 'CDAB', 'BADC' or 'DCBA' is expected, got 'c'"),
        ("either", 1.5, "either: a whole number or a text is expected, got 1.5"),
        ("inner", 3, "inner: a table is expected, got 3"),
        ("inner", {"count": "x"}, "inner.count: a whole number is expected, got 'x'"),
        ("tables", 3, "tables: a table is expected, got 3"),
        ("tables", {"one": {"cuont": 1}}, "tables.one.cuont: there is no such key here"),
        ("strange", 3, "strange: there is no such key here"),
    ],
)
def test_each_kind_of_finding_has_its_words(key: str, value: object, message: str) -> None:
    with pytest.raises(ValidationError) as caught:
        Example.model_validate({key: value})
    told = plain_error(caught.value, where="file", given={key: value}, mend="look")
    assert str(told) == f"file: {message} (look)"


def test_all_findings_but_the_first_are_counted_by_key() -> None:
    given = {"either": 1.5, "whole": "x", "number": "y"}
    with pytest.raises(ValidationError) as caught:
        Example.model_validate(given)
    told = plain_error(caught.value, where="file", given=given)
    assert str(told) == "file: whole: a whole number is expected, got 'x'; and 2 more"


def places(table: dict[str, Any], way: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    for key, value in table.items():
        yield (*way, key)
        if isinstance(value, dict):
            yield from places(value, (*way, key))


@pytest.mark.parametrize("name", sorted(PROFILES))
def test_no_value_in_no_place_of_a_shipped_profile_brings_words_that_are_not_ours(name: str) -> None:
    told = 0
    for way in places(PROFILES[name]):
        for value in (*STRANGE, None):
            table = deepcopy(PROFILES[name])
            here = table
            for key in way[:-1]:
                here = here[key]
            if value is None:
                del here[way[-1]]
            else:
                here[way[-1]] = value
            error = refusal(tomli_w.dumps(table), name)
            if error is None:
                continue
            told += 1
            said = str(error)
            assert said.startswith(f"{name}: ")
            assert error.mend, said
            ours = said.replace(repr(value), "")
            assert not [word for word in (*PYDANTICS_WORDS, NO_WORDS) if word in ours], said
    assert told > 50


def refusal(text: str, name: str) -> ConfigurationError | None:
    try:
        parse_profile(text, where=name)
    except ConfigurationError as error:
        return error
    return None
