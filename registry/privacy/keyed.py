"""Keyed pseudonyms: one patient number under one key gives one pseudonym.

Nobody without the key can go back, or find a number by trying all of them. Data so treated are
pseudonymised health data, not anonymous: whoever holds the key and the clinic's numbers can resolve them.

References
----------
Krawczyk H, Bellare M, Canetti R (1997) HMAC: keyed-hashing for message authentication. RFC 2104 (from memory).
"""

from __future__ import annotations

import hashlib
import hmac
import os
import re
import secrets
import string
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from registry.errors import InputError, NotWritableError

KEY_BYTES: Final = 32
DEFAULT_PATTERN: Final = "P[0-9]{16}"
"""A letter before sixteen digits: 10^16 pseudonyms, so that two of 100 000 climbers meet with a chance of 5 in ten
million; and no spreadsheet takes it for a number."""

PURPOSE: Final = b"annulary pseudonym 1\x00"
"""Stands before the number, so that the key gives nothing away that another use of it would."""

PIECE = re.compile(r"(?:\[([^\]\\^]+)\]|(\\d)|\\?([A-Za-z0-9_./:#-]))(?:\{(\d{1,2})\})?")


@dataclass(frozen=True)
class Shape:
    """How a pseudonym is written: the signs that may stand at each place."""

    alphabets: tuple[str, ...]

    @property
    def room(self) -> int:
        """How many pseudonyms there are."""
        product = 1
        for alphabet in self.alphabets:
            product *= len(alphabet)
        return product

    def written(self, number: int) -> str:
        """Write a number from 0 to room - 1 in this shape."""
        signs = []
        for alphabet in reversed(self.alphabets):
            number, place = divmod(number, len(alphabet))
            signs.append(alphabet[place])
        return "".join(reversed(signs))


def shape_of(pattern: str) -> Shape:
    """Read a pattern of pseudonyms as the signs that may stand at each place.

    Parameters
    ----------
    pattern
        Plain signs and classes with a fixed count, as ``P[0-9]{6}`` or ``[A-Z]{2}-[0-9A-F]{10}``.

    Raises
    ------
    InputError
        Anything else (an open count, an alternative): pseudonyms cannot be made for it.

    Examples
    --------
    >>> shape_of("P[0-9]{6}").room, shape_of("P[0-9]{6}").written(42)
    (1000000, 'P000042')
    """
    alphabets: list[str] = []
    place = 0
    while place < len(pattern):
        piece = PIECE.match(pattern, place)
        if piece is None:
            raise InputError(
                "pseudonyms cannot be made for the site's pseudonym_pattern: write it as plain signs and classes with "
                f"a fixed count, for example {DEFAULT_PATTERN}."
            )
        signs, digit, plain, count = piece.groups()
        alphabet = _signs(signs) if signs else string.digits if digit else plain
        alphabets += [alphabet] * int(count or 1)
        place = piece.end()
    return Shape(tuple(alphabets))


def pseudonym_of(patient_number: str, *, key: bytes, shape: Shape) -> str:
    """Return the pseudonym of a patient number: HMAC-SHA-256 of the normalised number, written in the shape.

    The site does not enter: two sites with one key and one numbering give one climber the same pseudonym.

    Parameters
    ----------
    patient_number
        The clinic's own number, never a name; see ``normalised``.
    key
        At least 32 bytes.
    shape
        How the pseudonym is written.

    Examples
    --------
    >>> key = bytes(range(32))
    >>> pseudonym_of("4711", key=key, shape=shape_of("P[0-9]{6}")) == pseudonym_of(" 004711", key=key,
    ...     shape=shape_of("P[0-9]{6}"))
    True
    """
    digest = hmac.new(key, PURPOSE + normalised(patient_number).encode("utf-8"), hashlib.sha256).digest()
    # The remainder's bias is below room / 2^256.
    return shape.written(int.from_bytes(digest, "big") % shape.room)


def normalised(patient_number: str) -> str:
    """Return the number as it is hashed: without blanks, in one case, a plain number without leading zeros.

    Spreadsheets lose leading zeros; the same person must keep the pseudonym. Numbers of which one is the other with
    zeros before it are therefore one person's.

    Examples
    --------
    >>> normalised(" 00 4711 "), normalised("a-12"), normalised("A-12")
    ('4711', 'a-12', 'a-12')
    """
    plain = "".join(unicodedata.normalize("NFKC", patient_number).split()).casefold()
    return (plain.lstrip("0") or "0") if plain.isdecimal() else plain


def write_key(path: str | Path) -> Path:
    """Make a new key and write it where nothing stands yet, readable by its owner only.

    Raises
    ------
    NotWritableError
        Something is there already, or the place cannot be written.
    """
    target = Path(path)
    try:
        handle = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        raise NotWritableError(
            f"{target} is there already; a key is never overwritten: without it no pseudonym can be made again."
        ) from None
    except OSError as error:
        raise NotWritableError(f"{target} cannot be written ({error.strerror}); name another place.") from None
    with os.fdopen(handle, "w", encoding="ascii") as file:
        file.write(secrets.token_hex(KEY_BYTES) + "\n")
        file.flush()
        os.fsync(file.fileno())
    return target


def read_key(path: str | Path) -> bytes:
    """Read a key file.

    Raises
    ------
    InputError
        No such file, one that others may read, or one that holds no key of 32 bytes or more.
    """
    source = Path(path)
    try:
        mode = source.stat().st_mode
        text = source.read_bytes()
    except OSError as error:
        raise InputError(f"the key {source} cannot be read ({error.strerror}); check the path of --key.") from None
    if os.name == "posix" and mode & 0o077:
        raise InputError(f"others may read the key {source}; make it yours alone first: chmod 600 {source}")
    try:
        key = bytes.fromhex(text.decode("ascii").strip())
    except ValueError:
        raise InputError(
            f"{source} holds no key: a key is written as hexadecimal digits (annulary key NEW.key)."
        ) from None
    if len(key) < KEY_BYTES:
        raise InputError(f"the key {source} is too short: {KEY_BYTES} bytes at least (annulary key NEW.key).")
    if len(set(key)) < KEY_BYTES // 4:
        raise InputError(f"the key {source} is not random; make one with annulary key NEW.key.")
    return key


def _signs(text: str) -> str:
    """Return the signs of a class such as ``0-9A-F``, each once, in order."""
    signs: list[str] = []
    place = 0
    while place < len(text):
        if text[place + 1 : place + 2] == "-" and place + 2 < len(text):
            signs += [chr(code) for code in range(ord(text[place]), ord(text[place + 2]) + 1)]
            place += 3
        else:
            signs.append(text[place])
            place += 1
    if not signs:
        raise InputError("the site's pseudonym_pattern has a class without a sign; write it like [0-9].")
    return "".join(sorted(set(signs)))
