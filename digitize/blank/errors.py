"""What is raised where no blank can be made of a pattern."""

from __future__ import annotations

from digitize.errors import DigitizeError, Exit


class NotDeveloped(DigitizeError):
    """The bend lines do not divide the piece into faces, or its blank cannot be cut."""

    exit_code = Exit.PATTERN
