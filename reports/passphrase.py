"""Passphrases that can be typed on a keyboard whose layout nobody has checked.

The stick starts with whatever layout the image has, and the keys in front of the technician may be
labelled for another. The words are made only of letters that lie on the same key on QWERTY, QWERTZ
and AZERTY keyboards (A, M, Q, W, Y and Z do not), without I (moved on Turkish ones) and without
letters that sound alike when read aloud (C, J, X). The space between words is the same everywhere.
"""

from __future__ import annotations

import itertools
import math
import secrets

CONSONANTS = "bdfghklnprstv"
VOWELS = "eou"
SYLLABLES = tuple("".join(pair) for pair in itertools.product(CONSONANTS, VOWELS))
WORDS = tuple("".join(pair) for pair in itertools.product(SYLLABLES, repeat=2))
"""Every word of two syllables, a consonant and a vowel each: 39 x 39 = 1521."""

COUNT = 6
ENTROPY_BITS = COUNT * math.log2(len(WORDS))
"""63.4 bits: each word is drawn on its own from all 1521, by the system's random source."""


def new_passphrase() -> str:
    """Six words from `WORDS`, one space between them."""
    return " ".join(secrets.choice(WORDS) for _ in range(COUNT))


def as_typed(passphrase: str) -> bytes:
    """What the key is derived from: capital letters and extra spaces make no difference."""
    return " ".join(passphrase.split()).casefold().encode("utf-8", errors="surrogatepass")


def slips(passphrase: str) -> tuple[int, ...]:
    """The places (from 1) of words that `new_passphrase` cannot have made: look for the slip there.

    Places and not words: what was typed is nearly the passphrase, and belongs on no screen.
    """
    return tuple(place for place, word in enumerate(passphrase.casefold().split(), 1) if word not in WORDS)
