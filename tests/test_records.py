"""Records to plain values and back: the same again, or a word of what is wrong."""

import json
import types
from dataclasses import fields, is_dataclass
from typing import Any, Union, get_args, get_origin, get_type_hints

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fenceguard.journal.records import (
    KINDS,
    NAMES_A_RUNG,
    RUNGS,
    Changed,
    Record,
    Start,
    plain,
    record_of,
)
from tests.support.records import NARROW, PLACE, start, stop, summary

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)
"""What a value of a type that is not told may be: settings, say."""


def made(hint: Any) -> st.SearchStrategy[Any]:
    """Values of a type, as far as records use it."""
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        return st.one_of(*map(made, inner))
    if hint is Any:
        return JSON
    if origin is tuple:
        return st.lists(made(inner[0]), max_size=3).map(tuple)
    if origin is dict:
        return st.dictionaries(st.text(max_size=9), made(inner[1]), max_size=3)
    if is_dataclass(hint) and isinstance(hint, type):
        hints = get_type_hints(hint)
        rungs = dict.fromkeys(NAMES_A_RUNG & hints.keys(), st.sampled_from(RUNGS))
        given = {one.name: made(hints[one.name]) for one in fields(hint)}
        return st.builds(hint, **{**given, **rungs})
    known: dict[Any, st.SearchStrategy[Any]] = {
        float: st.floats(allow_nan=False),
        int: st.integers(),
        str: st.text(max_size=9),
        bool: st.booleans(),
        type(None): st.none(),
    }
    return known[hint]


RECORDS = {name: made(kind) for name, kind in KINDS.items()}
EVERY_KIND = pytest.mark.parametrize("kind", KINDS)


def read(kind: str, content: Any) -> Record:
    return record_of(kind, json.loads(json.dumps(content)))


@EVERY_KIND
@given(data=st.data())
def test_a_record_is_the_same_again_after_json(kind: str, data: st.DataObject) -> None:
    record = data.draw(RECORDS[kind])
    again = read(kind, plain(record))
    assert again == record
    assert repr(again) == repr(record), "of the same types as well"
    assert type(again).kind == kind
    assert read(kind, {**plain(record), "seq": 1, "of_later_versions": [None]}) == record


@EVERY_KIND
@settings(max_examples=30)
@given(data=st.data())
def test_a_key_that_is_missing_is_named(kind: str, data: st.DataObject) -> None:
    content = plain(data.draw(RECORDS[kind]))
    key = data.draw(st.sampled_from(sorted(content)))
    del content[key]
    with pytest.raises(ValueError, match=f"^{kind} record without {key}$"):
        read(kind, content)


@EVERY_KIND
@given(data=st.data())
def test_a_value_of_another_type_is_refused_and_named(kind: str, data: st.DataObject) -> None:
    """At any depth but in what may be anything."""
    record = data.draw(RECORDS[kind])
    content = plain(record)
    places = [one for one in spots(content, type(record)) if one[3] is not Any]
    holder, key, name, hint = data.draw(st.sampled_from(places))
    anything: list[Any] = [True, 7, 7.5, "seven", [7], None, {}]
    wrong = [value for value in anything if not fits(value, hint)]
    holder[key] = data.draw(st.sampled_from(wrong))
    with pytest.raises(ValueError, match=name):
        read(kind, content)


def fits(value: Any, hint: Any) -> bool:
    """Whether JSON's value may stand in a field of this type, by the letter of that."""
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        return any(fits(value, one) for one in inner)
    if origin is tuple:
        return isinstance(value, list) and all(fits(one, inner[0]) for one in value)
    if origin is dict:
        return isinstance(value, dict) and all(fits(one, inner[1]) for one in value.values())
    if is_dataclass(hint):
        return False
    return type(value) is hint or (hint is float and type(value) is int)


def spots(content: Any, hint: Any, key: Any = None, holder: Any = None, name: str = "") -> Any:
    """Every value in a record's plain form: where it is held, its key, its field, its type."""
    if holder is not None:
        yield holder, key, name, hint
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        kinds = [kind for kind in inner if is_dataclass(kind) or get_origin(kind)]
        if content is None or not kinds:
            return
        hint = kinds[0]
        origin, inner = get_origin(hint), get_args(hint)
    if is_dataclass(hint) and isinstance(hint, type):
        hints = get_type_hints(hint)
        for one in fields(hint):
            yield from spots(content[one.name], hints[one.name], one.name, content, one.name)
    elif origin is tuple:
        for number, each in enumerate(content):
            yield from spots(each, inner[0], number, content, name)
    elif origin is dict:
        for each in content:
            yield from spots(content[each], inner[1], each, content, name)


@pytest.mark.parametrize("kind", ["", "Start", "intervention_begun", None, 7, ["start"], {}])
def test_a_kind_that_is_not_known(kind: object) -> None:
    with pytest.raises(ValueError, match="unknown kind"):
        record_of(kind, plain(start()))


@pytest.mark.parametrize("content", [[], None, "start", 7])
def test_a_record_that_is_no_mapping(content: Any) -> None:
    with pytest.raises(ValueError, match="start record: not a mapping"):
        record_of("start", content)


def test_several_missing_keys_are_all_named() -> None:
    content = plain(start())
    del content["run"], content["fence_hash"]
    with pytest.raises(ValueError, match="start record without run, fence_hash"):
        record_of("start", content)


@pytest.mark.parametrize("value", [True, 1.0, "1", None])
def test_a_whole_number_is_no_truth_and_no_fraction(value: object) -> None:
    with pytest.raises(ValueError, match="interventions is "):
        record_of("start", plain(start(interventions=value)))


@pytest.mark.parametrize("value", [["fixed"], {"fixed": 1}, True])
def test_what_may_be_a_number_or_a_text_may_be_nothing_else(value: object) -> None:
    told = plain(Changed("full", "halted", "demand", None, (NARROW,), 1, PLACE, "aaaa", "bbbb"))
    told["findings"][0]["value"] = value
    with pytest.raises(ValueError, match="value is "):
        record_of("rung", told)


def test_a_whole_number_may_stand_for_a_length_of_time() -> None:
    record = read("stop", plain(stop(held_s={"reset": 7})))
    assert repr(getattr(record, "held_s", None)) == "{'reset': 7.0}"


def test_a_long_wrong_value_is_told_in_short() -> None:
    with pytest.raises(ValueError) as raised:
        record_of("start", plain(start(run=["x" * 999])))
    assert len(str(raised.value)) < 100


@pytest.mark.parametrize("kind", ["start", "summary", "stop"])
def test_a_rung_that_there_is_not_is_refused(kind: str) -> None:
    content = plain({"start": start(), "summary": summary(), "stop": stop()}[kind])
    with pytest.raises(ValueError, match="rung is 'parked'"):
        record_of(kind, {**content, "rung": "parked"})


def test_the_plain_form_shares_nothing_with_the_record() -> None:
    record = start("hdop")
    content = plain(record)
    content["settings"]["limits"].clear()
    assert isinstance(record, Start) and record.settings["limits"]
