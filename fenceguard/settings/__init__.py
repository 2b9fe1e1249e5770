"""The settings of one mower on one lawn: a YAML file, read strictly."""

from fenceguard.settings.load import Loaded, load
from fenceguard.settings.models import Settings

__all__ = ["Loaded", "Settings", "load"]
