"""Faults of the settings in our words, each with its place."""

import difflib
import re
from collections.abc import Iterator, Sequence
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from fenceguard.settings.models import Settings
from fenceguard.settings.places import Key, Places


def described(error: ValidationError, places: Places) -> Iterator[str]:
    """One line for each fault that the validation found."""
    for detail in error.errors():
        key = tuple(name for name in detail["loc"] if name != "[key]")
        if detail["input"] is None and detail["type"] != "missing":
            continue
        place = places.place(key) if key else str(places.file)
        yield f"{place}: {_said(key, dict(detail))}"


def _said(key: Key, detail: dict[str, Any]) -> str:
    """One validation fault in our words."""
    kind, given = detail["type"], detail["input"]
    if kind == "missing":
        return "missing; it has no default, so give it a value"
    if kind == "extra_forbidden":
        return "unknown key" + _near_miss(str(key[-1]), _names_at(key[:-1]))
    if kind == "literal_error":
        choices = re.findall(r"'([^']*)'", detail["ctx"]["expected"])
        return f"is {given!r}; it must be one of {', '.join(choices)}" + _near_miss(
            str(given), choices
        )
    context = detail.get("ctx", {})
    bounds = [
        f"{word} {context[name]:.10g}" for name, word in BOUND_WORDS.items() if name in context
    ]
    if bounds:
        return f"is {given}; it must be {' and '.join(bounds)}"
    if kind == "value_error":
        return str(context["error"])
    if kind in TYPE_WORDS:
        return f"is {given!r}; it must be {TYPE_WORDS[kind]}"
    return f"is {given!r}: {detail['msg'].lower()}"


TYPE_WORDS = {
    "float_type": "a number",
    "finite_number": "a number",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "string_type": "a text",
    "list_type": "a list",
    "tuple_type": "a list",
    "dict_type": "a mapping of keys to values",
    "model_type": "a mapping of keys to values",
    "model_attributes_type": "a mapping of keys to values",
}
BOUND_WORDS = {"ge": "at least", "le": "at most", "gt": "more than", "lt": "less than"}


def _near_miss(given: str, known: Sequence[str]) -> str:
    near = difflib.get_close_matches(given, known, n=1)
    return f"; did you mean {near[0]}?" if near else ""


def _names_at(key: Key) -> list[str]:
    """The keys that may stand below a key."""
    model: type[BaseModel] | None = Settings
    for name in key:
        field = model.model_fields.get(str(name)) if model else None
        kinds = (field.annotation, *get_args(field.annotation)) if field else ()
        model = next(
            (kind for kind in kinds if isinstance(kind, type) and issubclass(kind, BaseModel)), None
        )
    return list(model.model_fields) if model else []
