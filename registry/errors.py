"""The one error tree. Every message says what, where, how many, and what to do.

::

    AnnularyError                 exit code 2 unless said otherwise
    ├── InputError                a call or a command that cannot be understood
    │   ├── ColumnError           a frame or a file lacks a column, or has one too many
    │   └── OptionError           an option's value is not one of those that exist
    ├── DataError                 exit code 1: the data themselves do not allow what was asked
    ├── DeliveryError             a delivery that cannot be read as one of our tables
    │   └── IdentifierError       exit code 1: a file that holds a direct identifier, refused whole
    └── RegistryFileError         the registry file or a freeze
        ├── NotARegistryError     some other file, or one that is damaged
        ├── RegistryLockedError   another process holds it
        └── NotWritableError      the place cannot be written

No message repeats a cell of a delivery: a refused cell may be exactly the identifying text.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class AnnularyError(Exception):
    """Anything that a person can mend; its text is meant for that person."""

    exit_code = 2


class InputError(AnnularyError):
    """A call or a command that cannot be understood."""


class ColumnError(InputError):
    """A frame or a file lacks a column, or has one too many."""


class OptionError(InputError):
    """An option's value is not one of those that exist."""


class DataError(AnnularyError):
    """The data themselves do not allow what was asked."""

    exit_code = 1


class DeliveryError(AnnularyError):
    """A delivery that cannot be read as one of our tables."""


class IdentifierError(DeliveryError):
    """A file that holds a direct identifier; it is refused whole."""

    exit_code = 1


class RegistryFileError(AnnularyError):
    """The registry file or a freeze cannot be used."""


class NotARegistryError(RegistryFileError):
    """The file is something else, or damaged."""


class RegistryLockedError(RegistryFileError):
    """Another process holds the registry."""


class NotWritableError(RegistryFileError):
    """The place cannot be written."""


def suggestion(word: str, options: Iterable[str]) -> str:
    """Return " Did you mean 'x'?" when an option comes close to the word, else ''."""
    close = difflib.get_close_matches(word.lower(), list(options), n=1, cutoff=0.6)
    return f" Did you mean '{close[0]}'?" if close else ""


def missing_column(column: str, role: str, present: Iterable[str]) -> ColumnError:
    """Say which column is missing, what it was wanted for, and what the table has."""
    names = list(present)
    listed = ", ".join(f"'{name}'" for name in names[:12]) + (", ..." if len(names) > 12 else "")
    return ColumnError(
        f"no column '{column}' (given as {role}); the table has {listed or 'no columns'}.{suggestion(column, names)}"
    )
