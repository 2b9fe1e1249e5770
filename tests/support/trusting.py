"""What the tests of trust and reckoning share: the parameters of a mower at 0.5 m/s."""

from typing import Any

from fenceguard.judgement.parameters import Parameters
from fenceguard.settings import Settings
from tests.support.lawns import OUTLINE


def parameters(**changes: Any) -> Parameters:
    """All parameters, by default settings but for the changes."""
    mower = {"outline_m": OUTLINE, "antenna_m": [0, 0], **changes.pop("mower", {})}
    content = {"fence": "x", "outputs": "none", "mower": mower, **changes}
    return Settings.model_validate(content).parameters()


TRUST = parameters().trust
