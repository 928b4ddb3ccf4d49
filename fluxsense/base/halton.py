"""The points of Halton: even in a cube, the same every time (`scipy.stats.qmc` has them; importing it takes a third of a second)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def primes(count: int) -> list[int]:
    """The first so many."""
    found: list[int] = []
    number = 2
    while len(found) < count:
        if all(number % p for p in found):
            found.append(number)
        number += 1
    return found


def halton(count: int, size: int) -> npt.NDArray[np.float64]:
    """Points 1 to `count` of the unscrambled sequence in [0, 1)^size, (count, size): digits of the number, mirrored at the point.

    J. H. Halton, Numer. Math. 2, 84 (1960), from memory.
    """
    out = np.zeros((count, size))
    for k, base in enumerate(primes(size)):
        left = np.arange(1, count + 1)
        place = 1.0 / base
        while np.any(left):
            out[:, k] += (left % base) * place
            left //= base
            place /= base
    return out
