"""What long work calls with one line of text at a time."""

from collections.abc import Callable

Progress = Callable[[str], None]
