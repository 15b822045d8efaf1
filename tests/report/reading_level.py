"""How easily English reads, by Flesch's formula."""

from __future__ import annotations

import re


def syllables(word: str) -> int:
    """Groups of vowels, without a silent e at the end; a rough count that is right for nine English words in ten."""
    word = word.casefold().strip("'’")
    groups = len(re.findall(r"[aeiouy]+", word))
    silent = re.search(r"(?:[^aeiouyl]|[aeiouy]l)e[ds]?$|[^aeiouy]es$", word) and not re.search(
        r"(?:[td]ed|[sxz]es|ches|shes)$", word
    )
    return max(1, groups - bool(silent))


def reading_ease(texts: list[str]) -> tuple[float, float, float]:
    """Flesch's ease of reading, words a sentence, and share of words of four syllables or more.

    206.835 − 1.015 words a sentence − 84.6 syllables a word; 60 to 70 is plain English, 50 to 60 fairly hard
    (Flesch 1948, J. Appl. Psychol. 32:221-233; from memory). Numbers in digits are left out of the syllables.
    """
    parts = [part for text in texts for part in re.split(r"(?<=[.;:])\s+", text) if part.strip()]
    words = [word for part in parts for word in re.findall(r"[A-Za-z][A-Za-z'’-]*", part)]
    every = [word for part in parts for word in part.split()]
    count = [syllables(word) for word in words]
    ease = 206.835 - 1.015 * len(every) / len(parts) - 84.6 * sum(count) / len(words)
    return ease, len(every) / len(parts), sum(n >= 4 for n in count) / len(words)
