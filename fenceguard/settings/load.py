"""A settings file and the fence that it names, loaded and checked."""

import hashlib
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import ValidationError

from fenceguard.errors import BadInput
from fenceguard.lawn import geojson
from fenceguard.lawn.fence import Fence
from fenceguard.settings.messages import described
from fenceguard.settings.models import Settings
from fenceguard.settings.places import Places

SETUP: dict[str, Any] = {
    "fence": True,
    "outputs": True,
    "inputs": True,
    "journal": True,
    "recording": True,
    "receiver": {"port", "baud"},
}
"""The keys that say where things are and how they are wired. All others can change a decision."""


class Loaded(NamedTuple):
    """Settings and fence, checked, with what identifies them in the journal."""

    settings: Settings
    settings_file: Path
    settings_hash: str
    """Of every key that can change a decision; the same on another port, with other pins."""
    setup_hash: str
    """Of all other keys."""
    fence: Fence
    fence_file: Path
    fence_hash: str

    def path(self, given: str) -> Path:
        """A path from the settings, which is relative to the settings file."""
        return self.settings_file.parent / given


def load(file: Path, overrides: Sequence[str] = ()) -> Loaded:
    """The settings in a file and the fence that they name.

    `overrides` are texts of the form `limits.silence.halted=2.5`. Raises BadInput with one line
    for each fault in either file.
    """
    text = _read(file)
    places = Places(file, text)
    tree = places.tree()
    faults = list(places.empty())
    for override in overrides:
        faults += places.override(tree, override)
    settings = None
    try:
        settings = Settings.model_validate(tree)
    except ValidationError as error:
        faults += described(error, places)
    fence = None
    named = tree.get("fence")
    if isinstance(named, str):
        try:
            fence = geojson.read(file.parent / named)
        except BadInput as error:
            faults.append(str(error))
    if faults or settings is None or fence is None:
        raise BadInput("\n".join(faults))
    fence_file = file.parent / settings.fence
    return Loaded(
        settings,
        file,
        *hashes(settings),
        fence,
        fence_file,
        _hash(fence_file.read_bytes()),
    )


def restored(kept: dict[str, Any], fence: bytes, where: Path) -> Loaded:
    """Settings and fence as a journal keeps them; `where` names it.

    Raises BadInput where this version cannot use them.
    """
    try:
        settings = Settings.model_validate(kept)
        document = json.loads(fence)
    except ValueError as error:
        raise BadInput(f"{where}: settings or fence in it cannot be used: {error}") from error
    drawn = geojson.parse(document, str(where))
    return Loaded(settings, where, *hashes(settings), drawn, where, _hash(fence))


def hashes(settings: Settings) -> tuple[str, str]:
    """The hash of what can change a decision, and the hash of the rest."""
    return (
        _hash_of(settings.model_dump(mode="json", exclude=SETUP)),
        _hash_of(settings.model_dump(mode="json", include=SETUP)),
    )


def _hash_of(tree: dict[str, Any]) -> str:
    return _hash(json.dumps(tree, sort_keys=True).encode())


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:16]


def _read(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8")
    except OSError as error:
        raise BadInput(f"{file}: the settings cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise BadInput(f"{file}: not a text file in UTF-8: {error.reason}") from error
