"""Error types, the exit status each one leads to, and the text of their messages."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

EXIT_DONE = 0
EXIT_PARTIAL = 1
EXIT_USAGE = 2
EXIT_NUMERICAL = 3
EXIT_INTERRUPTED = 130
EXIT_MEANINGS = {
    EXIT_DONE: "done",
    EXIT_PARTIAL: "some points failed, or an unforeseen failure",
    EXIT_USAGE: "wrong usage, input or output folder",
    EXIT_NUMERICAL: "numerical failure",
    EXIT_INTERRUPTED: "interrupted",
}


class WakesimError(Exception):
    """Base of all errors the program reports in one line and without a traceback."""

    exit_status = EXIT_PARTIAL


class CaseError(WakesimError):
    """The user's input is wrong; each problem is one line naming file, key, value and range."""

    exit_status = EXIT_USAGE

    def __init__(self, problems: str | list[str]) -> None:
        self.problems = [problems] if isinstance(problems, str) else list(problems)
        super().__init__("\n".join(self.problems))


class OutputError(WakesimError):
    """Results cannot be written where the user asked (exists, no permission, disk full)."""

    exit_status = EXIT_USAGE


class NumericalError(WakesimError):
    """A solver failed or a result is not finite."""

    exit_status = EXIT_NUMERICAL


def shorten(text: str, width: int = 60) -> str:
    """The text, cut with an ellipsis when longer than ``width``."""
    return text if len(text) <= width else text[: width - 3] + "..."


def one_line(text: str) -> str:
    """The text with line breaks and other unprintable characters escaped."""
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text
    )


def closest(word: str, known: Iterable[str], cutoff: float = 0.6) -> str | None:
    """The known word nearest to ``word``, or None when none is near."""
    folded = {name.casefold(): name for name in known}
    found = difflib.get_close_matches(word[:80].casefold(), list(folded), n=1, cutoff=cutoff)
    return folded[found[0]] if found else None
