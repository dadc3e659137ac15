"""The sentences of each language, from one file each. What has no sentence here is not said.

English tells of causes in the matrix's own words; every other language has them in its file.
"""

import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any, Final

from daemon.control.interlocks import MATRIX

LANGUAGES: Final = {"en": "English", "es": "Español"}
"""By its code, each in its own words."""
DEFAULT: Final = "en"
_OF_CAUSE: Final = ("meaning", "likely", "check")

_FORMS: Final = {"zero", "one", "two", "few", "many", "other"}

Sentence = str | Mapping[str, str]
"""One text; or one for each of the language's plural forms (CLDR), chosen by `count`."""


@cache
def catalogue(language: str) -> Mapping[str, Sentence]:
    """Return the sentences of a language by their keys, such as morning.fine. Raises KeyError for an unknown one."""
    if language not in LANGUAGES:
        raise KeyError(language)
    text = files("api.words").joinpath(f"{language}.toml").read_text("utf-8")
    found = dict(_flat(tomllib.loads(text), ""))
    if language == DEFAULT:
        found |= {f"cause.{row.code}.{what}": getattr(row, what) for row in MATRIX for what in _OF_CAUSE}
    return MappingProxyType(found)


def _flat(table: Mapping[str, Any], before: str) -> Iterator[tuple[str, Sentence]]:
    for name, found in table.items():
        key = f"{before}{name}"
        if isinstance(found, str) or set(found) <= _FORMS:
            yield key, found
        else:
            yield from _flat(found, f"{key}.")
