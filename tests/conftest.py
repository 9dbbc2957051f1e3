"""What holds for every test."""

from __future__ import annotations

from hypothesis import settings

# How long one example takes says how busy the machine is; what must be quick is measured in tests/bench.
settings.register_profile("busy machine", deadline=None)
settings.load_profile("busy machine")
