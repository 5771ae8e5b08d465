"""Figures and times as they stand in records."""

import json
import math
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.protocol.quantity import Frozen, Quantity, UtcTime, format_utc
from pydantic import ValidationError

FINITE = st.floats(allow_nan=False, allow_infinity=False)
UNCERTAINTY = st.none() | st.floats(min_value=0.0, allow_nan=False, allow_infinity=False)


class Moment(Frozen):
    at: UtcTime


def parsed(text: str) -> datetime:
    return Moment.model_validate_json(json.dumps({"at": text})).at


class TestQuantity:
    @given(value=FINITE, own=UNCERTAINTY, common=UNCERTAINTY)
    def test_json_keeps_every_digit(self, value: float, own: float | None, common: float | None) -> None:
        quantity = Quantity(value=value, unit="umol/m2/s", u_own=own, u_common=common)
        assert Quantity.model_validate_json(quantity.model_dump_json()) == quantity

    def test_null_needs_a_reason(self) -> None:
        with pytest.raises(ValidationError, match="null value needs a reason"):
            Quantity(value=None, unit="V")

    def test_only_null_has_a_reason(self) -> None:
        with pytest.raises(ValidationError, match="null value needs a reason"):
            Quantity(value=1.0, unit="V", reason="because")

    def test_missing_says_why(self) -> None:
        missing = Quantity.missing("V", "no power meter")
        assert json.loads(missing.model_dump_json()) == {
            "value": None,
            "unit": "V",
            "u_own": None,
            "u_common": None,
            "reason": "no power meter",
        }

    @pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
    @pytest.mark.parametrize("key", ["value", "u_own", "u_common"])
    def test_nan_and_infinity_are_refused(self, bad: float, key: str) -> None:
        with pytest.raises(ValidationError, match="finite number"):
            Quantity.model_validate({"value": 1.0, "unit": "V"} | {key: bad})

    @pytest.mark.parametrize("text", ["NaN", "Infinity", "-Infinity", '"NaN"', "1e999"])
    def test_nan_is_refused_in_json(self, text: str) -> None:
        with pytest.raises(ValidationError):
            Quantity.model_validate_json(f'{{"value": {text}, "unit": "V"}}')

    @pytest.mark.parametrize("key", ["u_own", "u_common"])
    def test_an_uncertainty_is_not_negative(self, key: str) -> None:
        with pytest.raises(ValidationError, match="greater than or equal to 0"):
            Quantity.model_validate({"value": 1.0, "unit": "V", key: -0.1})

    def test_a_unit_is_needed(self) -> None:
        with pytest.raises(ValidationError):
            Quantity(value=1.0, unit="")

    def test_unknown_keys_are_refused(self) -> None:
        with pytest.raises(ValidationError, match="Extra inputs"):
            Quantity.model_validate({"value": 1.0, "unit": "V", "sigma": 1.0})

    def test_it_cannot_be_changed(self) -> None:
        quantity = Quantity(value=1.0, unit="V")
        with pytest.raises(ValidationError, match="frozen"):
            quantity.value = 2.0

    def test_parts_combine_in_quadrature(self) -> None:
        assert Quantity(value=1.0, unit="V", u_own=3.0, u_common=4.0).u == 5.0
        assert Quantity(value=1.0, unit="V", u_own=3.0).u == 3.0
        assert Quantity(value=1.0, unit="V").u is None


class TestTimes:
    """RFC 3339, section 5.8: its own examples (from memory)."""

    def test_fraction_of_a_second(self) -> None:
        assert parsed("1985-04-12T23:20:50.52Z") == datetime(1985, 4, 12, 23, 20, 50, 520_000, tzinfo=UTC)

    def test_an_offset_means_the_same_moment_in_utc(self) -> None:
        moment = parsed("1996-12-19T16:39:57-08:00")
        assert moment == parsed("1996-12-20T00:39:57Z")
        assert moment.tzinfo is UTC
        assert format_utc(moment) == "1996-12-20T00:39:57.000Z"

    @pytest.mark.parametrize("text", ["1990-12-31T23:59:60Z", "1990-12-31T15:59:60-08:00"])
    def test_a_leap_second_is_refused_and_never_taken_for_another(self, text: str) -> None:
        """A bench never writes one: Python's clocks repeat or smear it."""
        with pytest.raises(ValidationError):
            parsed(text)

    def test_an_unknown_offset_is_utc(self) -> None:
        """Section 4.3: -00:00 is UTC whose local offset is unknown."""
        assert parsed("1996-12-20T00:39:57-00:00") == datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC)

    @pytest.mark.parametrize("text", ["1996-12-20T00:39:57", "1996-12-20", "00:39:57Z", "yesterday", ""])
    def test_what_is_no_moment_is_refused(self, text: str) -> None:
        with pytest.raises(ValidationError):
            parsed(text)

    def test_a_moment_without_offset_says_what_it_needs(self) -> None:
        with pytest.raises(ValidationError, match="needs an offset"):
            Moment(at=datetime(2026, 1, 1))  # noqa: DTZ001 - that is the point

    @given(
        st.datetimes(
            timezones=st.sampled_from([UTC, timezone(timedelta(hours=5, minutes=30))]),
            min_value=datetime(1970, 1, 2),  # noqa: DTZ001 - bounds are naive by hypothesis' own rule
            max_value=datetime(2200, 1, 1),  # noqa: DTZ001 - as above
        )
    )
    def test_what_is_written_is_rfc_3339_and_reads_back(self, moment: datetime) -> None:
        text = json.loads(Moment(at=moment).model_dump_json())["at"]
        assert text.endswith("Z")
        assert len(text) == len("1985-04-12T23:20:50.520Z")
        assert abs(parsed(text) - moment) < timedelta(milliseconds=1)
