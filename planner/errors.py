"""What the user is told when something they wrote cannot be used.

A :class:`Problem` names the file, the key, what stands there and the remedy.
Readers collect all of them and raise one :class:`InputProblems`; the command
line prints one line for each and ends with exit code 2.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Problem:
    """One thing in the user's input that has to change.

    Parameters
    ----------
    file : str
        Name of the file, as the user knows it.
    key : str
        Path of the key inside the file, ``""`` when the whole file is meant.
    found : str
        What stands there, as a sentence part: ``"'D1' is also the name of station[0]"``.
    remedy : str
        What to do, as a full sentence.
    """

    file: str
    key: str
    found: str
    remedy: str

    def __str__(self) -> str:
        where = f"{self.file}: {self.key}" if self.key else self.file
        return f"{where}: {self.found}. {self.remedy}"


class InputProblems(Exception):
    """Everything that is wrong with the input, at once.

    Examples
    --------
    >>> str(InputProblems([Problem("array.toml", "site", "is missing", "Add a [site] table.")]))
    'array.toml: site: is missing. Add a [site] table.'
    """

    def __init__(self, problems: Iterable[Problem]):
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class NoNight(Exception):
    """The Sun stays above the limit all night; the message says by how much."""


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word that looks most like ``word``, or None.

    Examples
    --------
    >>> nearest("strok_m", ["name", "stroke_m"])
    'stroke_m'
    """
    matches = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return matches[0] if matches else None
