"""TOML files that a user names by an option."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from verify.errors import UsageError

FILE_BYTES_MAX = 1 << 20


def read_toml(path: str, option: str) -> tuple[dict[str, Any], str]:
    """What such a file holds, and its text.

    Args:
        path: of the file; it is read up to `FILE_BYTES_MAX`.
        option: that named it, such as "--about"; for what is said.

    Raises:
        UsageError: if it cannot be read or is no TOML.
    """
    try:
        with open(Path(path), "rb") as file:
            text = file.read(FILE_BYTES_MAX).decode("utf-8")
        return tomllib.loads(text), text
    except OSError as error:
        raise UsageError(f"{option} {path} cannot be read: {error.strerror}") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError, ValueError) as error:
        raise UsageError(f"{option} {path} is not TOML: {str(error)[:200]}") from None
