"""What people write in the books by hand: why something was done, and who did it. Neither may name a person."""

from __future__ import annotations

from registry.errors import InputError
from registry.privacy.shapes import identifier_in

LONGEST_REASON = 120
LONGEST_WHO = 40


def looks_identifying(remark: str) -> bool:
    """Tell whether a remark for the books holds a name, an address or a number of a person.

    Examples
    --------
    >>> looks_identifying("typed twice"), looks_identifying("asked Anna Berg")
    (False, True)
    """
    return identifier_in(remark.strip(), place="remark") is not None


def checked_because(because: str, *, besides: str | None = None) -> str:
    """Return the reason that a person gives for the books, which may not name the climber ``besides`` either.

    Raises
    ------
    InputError
        Empty, too long, or with something in it that identifies a person.
    """
    text = because.strip()
    if not text or len(text) > LONGEST_REASON:
        raise InputError(f"say why with --because, in {LONGEST_REASON} characters at most.")
    if looks_identifying(text):
        raise InputError("the reason seems to hold a name, an address or a number of a person; say it without.")
    if besides and besides in text:
        raise InputError("the reason names the climber; say it without.")
    return text


def checked_who(taken_by: str | None, *, besides: str | None = None) -> None:
    """Refuse a word for the person that names the person, or the climber that it is about.

    Raises
    ------
    InputError
    """
    if not taken_by:
        return
    if len(taken_by) > LONGEST_WHO or looks_identifying(taken_by) or (besides and besides in taken_by):
        raise InputError(
            f"--by holds initials or a role, {LONGEST_WHO} characters at most, never a full name, an address or a "
            "climber. Nothing was changed."
        )
