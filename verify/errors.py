"""The two kinds of failure that end a command, each with its documented exit code.

Loss is never an exception: it is a finding, collected and reported by the judge.
"""

from __future__ import annotations

EXIT_PASS = 0
EXIT_FAIL = 1
EXIT_USAGE = 2
EXIT_INCONCLUSIVE = 3
EXIT_CANNOT_RUN = 4


class AckproofError(Exception):
    """A failure told to the user in one sentence: what, where, and what to do."""

    exit_code = EXIT_CANNOT_RUN


class UsageError(AckproofError):
    """The command was asked for something it cannot mean; the user must ask differently."""

    exit_code = EXIT_USAGE


class CannotRun(AckproofError):
    """The command was understood but this machine, volume or folder does not let it run."""

    exit_code = EXIT_CANNOT_RUN
