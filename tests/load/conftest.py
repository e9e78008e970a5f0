"""Everything here measures time, so it runs on demand (`sh deploy/measure`) and not in `deploy/check`: a busy machine proves nothing."""

from pathlib import Path

import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what stands in this folder."""
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            item.add_marker("load")
