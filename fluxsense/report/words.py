"""Words for evidence and probability, with the scale that they come from always named.

Kass & Raftery, J. Am. Stat. Assoc. 90, 773 (1995): B from 1 to 3 "not worth more than a bare mention", 3 to 20
"positive", 20 to 150 "strong", above 150 "very strong".  Their table also lists 2 ln B at 0, 2, 6, 10, which are rounded
figures of the same limits (2 ln 3 = 2.197, 2 ln 20 = 5.991, 2 ln 150 = 10.021); the limits on B are used here.
"""

from __future__ import annotations

from math import exp, isfinite, log, log10

from fluxsense.base.errors import InputError

KASS_RAFTERY = "Kass and Raftery 1995"

KASS_RAFTERY_LIMITS = (3.0, 20.0, 150.0)
_KASS_RAFTERY_WORDS = ("not worth more than a bare mention", "positive", "strong", "very strong")


def _grade(value: float, limits: tuple[float, ...], words: tuple[str, ...]) -> str:
    return words[sum(value >= limit for limit in limits)]


def kass_raftery(log_bayes_factor: float) -> str:
    """Word for the size of a log Bayes factor (its sign does not matter) on the scale of Kass and Raftery.

    Parameters
    ----------
    log_bayes_factor : float
        Natural logarithm.

    Raises
    ------
    InputError
        If it is not a number.
    """
    if log_bayes_factor != log_bayes_factor:
        raise InputError("the log Bayes factor is not a number", remedy="See why its evidence could not be computed")
    return _grade(abs(log_bayes_factor), tuple(log(x) for x in KASS_RAFTERY_LIMITS), _KASS_RAFTERY_WORDS)


def odds_text(log_odds: float) -> str:
    """Odds as text: '12 to 1', '1e+300 to 1' beyond what can be written as a number."""
    size = abs(log_odds)
    if not isfinite(size):
        return "beyond any number to 1"
    if size < log(1e6):
        value = exp(size)
        return f"{value:.3g} to 1" if value < 1000 else f"{value:.0f} to 1"
    return f"10^{log10(2.718281828459045) * size:.0f} to 1"


def evidence_sentence(log_bayes_factor: float, sd: float, first: str, second: str) -> str:
    """What a log Bayes factor says of two hypotheses, in one sentence that names the scale.

    Parameters
    ----------
    log_bayes_factor, sd : float
        Natural logarithm, first hypothesis against second, and its numerical error.
    first, second : str
        The hypotheses, such as "a source" and "no source".
    """
    better, worse = (first, second) if log_bayes_factor >= 0 else (second, first)
    low, high = abs(log_bayes_factor) - 2 * sd, abs(log_bayes_factor) + 2 * sd
    word = kass_raftery(log_bayes_factor)
    words = {kass_raftery(max(low, 0.0)), kass_raftery(high)}
    if low <= 0 or word == _KASS_RAFTERY_WORDS[0]:
        said = f"The data hardly tell {first} from {second}"
    else:
        said = f"The data favour {better} over {worse}"
    number = f"log Bayes factor {log_bayes_factor:+.4g} +- {sd:.2g}, odds {odds_text(log_bayes_factor)} for {better}"
    grade = f'"{word}" evidence' if word != _KASS_RAFTERY_WORDS[0] else f'"{word}"'
    doubt = "" if len(words) == 1 else "; its numerical error reaches into the next grade"
    return f"{said}: {number} at equal prior odds, {grade} on the scale of {KASS_RAFTERY}{doubt}."


def probability_text(value: float, sd: float = 0.0, smallest: float = 0.0) -> str:
    """A probability as text, such as '0.93 +- 0.01', 'below 0.002', 'above 0.998'.

    Parameters
    ----------
    value, sd : float
    smallest : float
        What cannot be told from 0 (or 1) with the draws at hand.
    """
    if value < smallest:
        return f"below {smallest:.2g}"
    if 1 - value < smallest:
        return f"above {1 - smallest:.6g}"
    error = f" +- {sd:.1g}" if sd > 0 else ""
    if value > 0.999:
        return f"1 - {1 - value:.2g}{error}"
    return f"{value:.3g}{error}"
