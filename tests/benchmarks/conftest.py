"""What measures time runs on demand (`sh deploy/measure`) and not in `deploy/check`: a busy machine proves nothing."""

from pathlib import Path

import pytest

MEASURING = ("test_rude.py", "test_rules_speed.py", "test_streams.py")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark the modules of this folder that measure."""
    measuring = {Path(__file__).with_name(name) for name in MEASURING}
    for item in items:
        if item.path in measuring:
            item.add_marker("load")
