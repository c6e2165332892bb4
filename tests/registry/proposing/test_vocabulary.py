"""The words files: nothing claimed twice, our own codes always among them, and one language left out on purpose."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

import registry.proposing.vocabulary
from registry.proposing.contents import profile
from registry.proposing.vocabulary import (
    FIELDS_OF_LIST,
    code_words,
    header_phrases,
    language_of,
    own_codes,
    plain,
)
from registry.proposing.wording import words_of

HERE = Path(registry.proposing.vocabulary.__file__).parent


def test_no_header_names_two_fields() -> None:
    assert not {phrase: uses for phrase, uses in header_phrases().items() if len(uses) > 1}


def test_french_is_left_out() -> None:
    """The French export of the tests shows what a draft is worth in a language that nobody wrote down."""
    headers = tomllib.loads((HERE / "headers.toml").read_text(encoding="utf-8"))["headers"]
    assert {language for uses in headers.values() for language in uses} == {"en", "de", "it", "es", "pt", "nl", "pl"}
    assert not {"doigt", "date blessure", "sexe", "annulaire", "droite"} & (
        set(header_phrases()) | set(code_words("digit"))
    )


def test_no_word_stands_for_two_codes_of_a_list() -> None:
    for name, listed in tomllib.loads((HERE / "code_words.toml").read_text(encoding="utf-8")).items():
        if name == "beside":
            continue
        words = [plain(word) for words in listed.values() for word in words]
        assert len(words) == len(set(words)), name
        assert set(listed) <= {*own_codes(name), "a{n}", "yes", "no"}, name


@pytest.mark.parametrize("name", [*FIELDS_OF_LIST, "structure", "extent"])
def test_our_own_codes_are_always_known(name: str) -> None:
    assert {code_words(name)[plain(code)] for code in own_codes(name)} == set(own_codes(name))


@pytest.mark.parametrize(
    ("name", "letters", "language", "meaning"),
    [
        ("sex", "MF", "", {"M": "male", "F": "female"}),
        ("sex", "MW", "", {"M": "male", "W": "female"}),
        ("sex", "MH", "", {"M": "female", "H": "male"}),
        ("sex", "MV", "", {}),  # mannen en vrouwen, or mujeres y varones
        ("sex", "MV", "nl", {"M": "male", "V": "female"}),
        ("sex", "MV", "es", {"M": "female", "V": "male"}),
        ("sex", "MM", "en", {}),  # one letter alone says nothing
        ("side", "LR", "", {"L": "left", "R": "right"}),
        ("side", "LP", "", {"L": "left", "P": "right"}),
        ("side", "SD", "", {"S": "left", "D": "right"}),
        ("side", "DG", "", {}),  # French is not known
        ("side", "12", "", {}),
    ],
)
def test_letters_are_read_beside_their_partners(
    name: str, letters: str, language: str, meaning: dict[str, str]
) -> None:
    words = words_of(name, profile(list(letters) * 5), language=language)
    assert {word: code for word, (code, _) in words.known.items()} == meaning
    assert set(words.asked) == set(letters) - set(meaning)


def test_headers_vote_for_their_language() -> None:
    assert language_of(["Geslacht", "Vinger", "Finger"]) == "nl"
    assert language_of(["Sex"]) == ""
    assert language_of(["Geslacht", "Vinger", "Geschlecht", "Jahrgang"]) == ""
