"""The display of progress: on a terminal only, and gone when the work ends."""

from __future__ import annotations

import io

import pytest

from registry.commands.progress import shown_progress


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_pipe_stays_clean() -> None:
    stream = io.StringIO()
    with shown_progress(stream) as say:
        say("reading")
    assert stream.getvalue() == ""


def test_a_terminal_sees_the_last_step_and_gets_its_cursor_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    stream = Terminal()
    with shown_progress(stream) as say:
        say("reading")
        say("checking [1]")
    assert "checking [1]" in stream.getvalue()
    assert "\x1b[?25h" in stream.getvalue().rpartition("checking [1]")[2]


def fail_while_shown() -> None:
    with shown_progress(Terminal()) as say:
        say("reading")
        raise ValueError("broken")


def test_a_failure_passes_through() -> None:
    with pytest.raises(ValueError, match="broken"):
        fail_while_shown()
