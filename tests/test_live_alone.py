"""Live tests run one after the other, whatever runs beside them."""

import os

import pytest


@pytest.mark.live
def test_where_tests_run_two_at_a_time_the_live_ones_share_a_process(
    request: pytest.FixtureRequest,
) -> None:
    """By the name of the group in a test's own name, by which xdist hands tests out."""
    two_at_a_time = "PYTEST_XDIST_WORKER" in os.environ
    assert request.node.nodeid.endswith("@live") is two_at_a_time
