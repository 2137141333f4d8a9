"""A profile for a long look: pytest tests/counting --hypothesis-profile=thorough."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("thorough", max_examples=1000, deadline=None)
