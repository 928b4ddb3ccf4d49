"""Random numbers by name: one seed, and for each purpose a stream of its own that no other purpose shares.

A `numpy.random.SeedSequence` mixes the seed with a key, so that streams of different keys are independent for all that is
known (numpy's documentation, "Parallel random number generation").  Here the key is a hash of what the numbers are for.
Children that a library spawns from a stream lengthen the key, and so are streams that nobody else has either.
"""

from __future__ import annotations

import hashlib

import numpy as np

KEY_WORDS = 4
"""Words of 32 bits of the key: two of a thousand names share one with a probability of 1e-33."""


def sequence(seed: int, name: str, *numbers: int) -> np.random.SeedSequence:
    """The seed sequence behind `stream`, for a library that wants one.

    Parameters
    ----------
    seed : int
        Of the whole run; zero or above.
    name : str
        What the numbers are for.  One name stands in one place of the code.
    *numbers : int
        Which of many, where one purpose needs several streams: of an isolator, say.
    """
    text = "\0".join([name, *map(str, numbers)])
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    key = tuple(int.from_bytes(digest[4 * k : 4 * k + 4], "big") for k in range(KEY_WORDS))
    return np.random.SeedSequence(int(seed), spawn_key=key)


def stream(seed: int, name: str, *numbers: int) -> np.random.Generator:
    """A generator for one purpose.

    Parameters
    ----------
    seed : int
        Of the whole run; zero or above.
    name : str
        What the numbers are for.  One name stands in one place of the code.
    *numbers : int
        Which of many, where one purpose needs several streams.

    Returns
    -------
    Generator
        The same for the same arguments.

    Examples
    --------
    >>> bool(stream(1, "noise").random() == stream(1, "noise").random())
    True
    >>> bool(stream(1, "noise", 0).random() == stream(1, "noise").spawn(1)[0].random())
    False
    """
    return np.random.default_rng(sequence(seed, name, *numbers))
