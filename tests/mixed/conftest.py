"""Fixtures of the mixed-model tests."""

from __future__ import annotations

import pytest
import reference_models


@pytest.fixture(params=reference_models.NAMES)
def model(request: pytest.FixtureRequest) -> str:
    """Each model of the catalogue by name; `reference_models.fitted` fits it once."""
    name: str = request.param
    return name
