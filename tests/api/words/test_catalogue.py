"""Both languages say everything: the same keys, the same words to fill in, and every interlock cause in each."""

import re
import string

import pytest

from api.words.catalogue import LANGUAGES, Sentence, catalogue
from daemon.control.interlocks import MATRIX

_CODE = re.compile(r"[a-z]+_[a-z]+|`|\bNone\b|\bnull\b|[A-Z]{4,}_[A-Z]+")
"""What no sentence shows: names of variables, commands, and what a program says for nothing."""


def _texts(sentence: Sentence) -> list[str]:
    return [sentence] if isinstance(sentence, str) else list(sentence.values())


def _fields(sentence: Sentence) -> set[str]:
    found = (field for text in _texts(sentence) for _, field, _, _ in string.Formatter().parse(text))
    return {field for field in found if field}


@pytest.mark.parametrize("language", sorted(set(LANGUAGES) - {"en"}))
def test_a_language_is_complete(language: str) -> None:
    """It has every key of English, no other, and fills in the same words."""
    english, other = catalogue("en"), catalogue(language)
    assert set(english) == set(other)
    assert {key: _fields(english[key]) for key in english} == {key: _fields(other[key]) for key in other}


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_cause_has_its_sentences(language: str) -> None:
    """What happened, what it means, what is likely, what to check, what it does and who resets it."""
    known = catalogue(language)
    for row in MATRIX:
        for what in ("happened", "meaning", "likely", "check"):
            assert known[f"cause.{row.code}.{what}"]
        assert known[f"effect.{row.effect.name}"] and known[f"reset.{row.reset.value}"]
        assert known[f"priority.{row.priority.name}"]


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_sentence_shows_a_code(language: str) -> None:
    """Nobody reads the name of a variable, a command, or None."""
    for key, sentence in catalogue(language).items():
        for text in _texts(sentence):
            plain = re.sub(r"\{[a-z]+\}", "", text)
            assert not _CODE.search(plain) and plain.strip(), (key, text)
