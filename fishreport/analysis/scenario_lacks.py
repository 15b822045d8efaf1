"""What a study lacks for the scenarios of a species: in words for readers, and under its key for who writes the study file."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

# Key of an input → the input in words, as it stands in a sentence.
_WORDS = {
    "asymptotic_length_mm": "the length that fish grow towards",
    "growth_coefficient": "how fast they grow towards it",
    "natural_mortality": "how many die of natural causes",
    "density_per_km": "how many fish there are in a km",
    "fishing_mortality": "how many die of fishing",
    "weight": "what fish weigh at their length",
    "length_km": "the length of the water",
}
_KEY = re.compile(r"\b[a-z]+(?:_[a-z]+)+\b")


@dataclass(frozen=True, slots=True)
class Lack:
    """One input that cannot be known.

    Attributes
    ----------
    key : str
        Its name in the study file; empty where the trouble is not one input.
    why : str
        Why it is not known.
    remedy : str
        What to do about it, with keys of the study file.
    """

    key: str
    why: str
    remedy: str = ""

    @property
    def what(self) -> str:
        """What is missing and why, by its key: ``growth_coefficient (9 aged fish where ...)``."""
        return f"{self.key} ({self.why})" if self.key else self.why

    def __str__(self) -> str:
        return f"{self.what}: {self.remedy}" if self.remedy else self.what


def hand_lack(code: str, key: str, why: str, *, other: str = "") -> Lack:
    """An input that may be given by hand for the species of this code, or else by `other`."""
    return Lack(key, why, f"give it under [species.{code}.life_history]{f', or {other}' if other else ''}")


def lacks_in_words(lacks: Sequence[Lack]) -> str:
    """All that is lacking as a clause for readers, without a key: ``how many die of fishing is not known (no creel survey)``.

    Inputs that lack for one reason stand together.
    """
    groups: dict[str, list[str]] = {}
    said = []
    for one in lacks:
        if one.key in _WORDS:
            groups.setdefault(one.why, []).append(_WORDS[one.key])
        else:
            said.append(_KEY.sub(lambda found: found[0].replace("_", " "), str(one)))
    known = [f"{' and '.join(names)} {'is' if len(names) == 1 else 'are'} not known ({why})" for why, names in groups.items()]
    return "; ".join([*known, *said])
