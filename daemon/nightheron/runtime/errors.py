"""Why the service could not start, or had to end."""

from __future__ import annotations


class CannotStart(Exception):  # noqa: N818 - its text is the whole answer
    """The service must not or cannot start; the text is one sentence for people."""


class Fault(Exception):  # noqa: N818 - it is ours, and it ends the service
    """Something the guard cannot do without has ended."""
