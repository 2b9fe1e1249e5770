"""Where each key of a settings file stands, so that a fault can be named by file, line and key."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import yaml

from fenceguard.errors import BadInput

Key = tuple[str | int, ...]


class Places:
    """Where each key stands, so that a fault can be named by file, line and key."""

    def __init__(self, file: Path, text: str) -> None:
        self.file = file
        self._overridden: dict[Key, str] = {}
        try:
            self._root = yaml.compose(text, yaml.SafeLoader)
            self._tree = yaml.safe_load(text)
        except RecursionError as error:
            raise BadInput(f"{file}: not YAML that can be read: nested too deeply") from error
        except (yaml.YAMLError, ValueError) as error:
            mark = getattr(error, "problem_mark", None)
            line = f":{mark.line + 1}" if mark else ""
            problem = getattr(error, "problem", None) or str(error).splitlines()[0]
            raise BadInput(f"{file}{line}: not YAML: {problem}") from error

    def tree(self) -> dict[str, Any]:
        """The settings as plain values. Raises BadInput where they are not a mapping."""
        if self._tree is None:
            raise BadInput(f"{self.file}: the file is empty; start from config/settings.yaml")
        if not isinstance(self._tree, dict):
            raise BadInput(f"{self.file}: not a mapping of keys to values")
        return self._tree

    def empty(self) -> Iterator[str]:
        """Faults that the values alone no longer show: keys without a value, keys given twice."""
        return self._empty((), self._root)

    def _empty(
        self, key: Key, node: yaml.Node | None, around: tuple[yaml.Node, ...] = ()
    ) -> Iterator[str]:
        if any(node is outer for outer in around):
            raise BadInput(f"{self.place(key)}: refers to itself; write the value out")
        if node is not None:
            around = (*around, node)
        if isinstance(node, yaml.MappingNode):
            seen = set()
            for name, value in node.value:
                inner = (*key, name.value)
                if name.value in seen:
                    line = name.start_mark.line + 1
                    yield f"{self.file}:{line}: {dotted(inner)}: given twice; keep one"
                seen.add(name.value)
                yield from self._empty(inner, value, around)
        elif isinstance(node, yaml.SequenceNode):
            for index, value in enumerate(node.value):
                yield from self._empty((*key, index), value, around)
        elif node is not None and node.tag == "tag:yaml.org,2002:null":
            yield f"{self.place(key)}: empty; give it a value, or leave out the key"

    def override(self, tree: dict[str, Any], text: str) -> list[str]:
        """Set one key of the tree; returns the faults of doing so."""
        name, equals, value = text.partition("=")
        key = tuple(name.strip().split("."))
        if not equals or not all(key):
            return [f"--set {text}: not KEY=VALUE, such as limits.silence.halted=2.5"]
        try:
            parsed = value if value == "-" else yaml.safe_load(value)
        except (yaml.YAMLError, ValueError, RecursionError):
            return [f"--set {text[:80]}: the value cannot be read"]
        if _has_empty(parsed):
            return [f"--set {text}: empty; give it a value"]
        branch = tree
        for part in key[:-1]:
            inner = branch.get(part)
            if isinstance(inner, list):
                return [f"--set {text}: {part} is a list; give the whole list"]
            if not isinstance(inner, dict):
                inner = branch[part] = {}
            branch = inner
        branch[key[-1]] = parsed
        self._overridden[key] = text
        return []

    def place(self, key: Key) -> str:
        """File, line and key; for what came from the command line, its text and key."""
        for overridden, text in self._overridden.items():
            if key[: len(overridden)] == overridden:
                return f"--set {text}: {dotted(key)}"
        node = self._root
        line = 1
        for name in key:
            found = _child(node, name)
            if found is None:
                return self._missing_place(key, line)
            line, node = found
        return f"{self.file}:{line}: {dotted(key)}"

    def _missing_place(self, key: Key, line: int) -> str:
        """The place of a key that is not in the file: the override that made it, if one did."""
        for overridden, text in self._overridden.items():
            if overridden[: len(key)] == key:
                return f"--set {text}: {dotted(key)}"
        return f"{self.file}:{line}: {dotted(key)}"


def _child(node: yaml.Node | None, name: str | int) -> tuple[int, yaml.Node] | None:
    """Line and node of one key of a mapping, or of one item of a list."""
    if isinstance(node, yaml.MappingNode):
        for key, value in node.value:
            if key.value == str(name):
                return key.start_mark.line + 1, value
    if isinstance(node, yaml.SequenceNode) and isinstance(name, int) and name < len(node.value):
        item = node.value[name]
        return item.start_mark.line + 1, item
    return None


def _has_empty(value: Any) -> bool:
    if isinstance(value, dict):
        return any(map(_has_empty, value.values()))
    if isinstance(value, list):
        return any(map(_has_empty, value))
    return value is None


def dotted(key: Key) -> str:
    """A key as it is written on the command line and in messages."""
    return ".".join(map(str, key))
