"""What would be seen: detection against false alarms, the smallest size, the smallest angle, and how they fall.

Two models side by side.

* Approximation: Rao's score statistic is chi-square, noncentral with v^T M v when there is a source v (see `linear`).  With
  the direction known it is one normal deviate; with the direction unknown its three components each add a degree of
  freedom (the look-elsewhere effect of the direction); with the position of a dipole unknown too, the largest statistic
  over all positions counts, whose distribution lies between chi-square with the rank of one position and chi-square with
  the rank of all together.  Its threshold is found by drawing scores, which costs next to nothing.
* Simulation: nuisances from their priors, the full chip model, noise, the fit without a source: `LinearCampaign.simulate`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import chdtrc, chdtri, chndtr, ndtr, ndtri

from fluxsense.base.errors import InputError
from fluxsense.base.sphere import equal_area_points, random_directions
from fluxsense.detection.linear import RANK_TOLERANCE, score_statistic

FloatArray = npt.NDArray[np.float64]

SKY = 200
"""Directions over which averages over the sphere are taken."""


def _check_probability(value: npt.ArrayLike, name: str) -> FloatArray:
    p = np.asarray(value, dtype=np.float64)
    if not np.all((p > 0) & (p < 1)):
        raise InputError(f"the {name} must lie between 0 and 1", remedy="Give probabilities such as 0.01")
    return p


# ---------------------------------------------------------------- known direction


def known_direction_detection(false_alarm: npt.ArrayLike, d: npt.ArrayLike) -> FloatArray:
    """Detection probability Q(Q^-1(P_FA) - d) of a signal of known shape, d standard deviations large.

    Kay, Fundamentals of Statistical Signal Processing II (1998), ch. 3-4 (from memory, checked by simulation).

    Parameters
    ----------
    false_alarm, d : array_like
        Broadcast against each other.
    """
    threshold = -ndtri(_check_probability(false_alarm, "false-alarm probability"))
    return np.asarray(ndtr(np.asarray(d, dtype=np.float64) - threshold))


# ---------------------------------------------------------------- unknown direction


def chi_square_threshold(false_alarm: npt.ArrayLike, degrees: int) -> FloatArray:
    """Threshold on the score statistic for a false-alarm probability."""
    return np.asarray(chdtri(float(degrees), _check_probability(false_alarm, "false-alarm probability")))


def chi_square_detection(false_alarm: npt.ArrayLike, noncentrality: npt.ArrayLike, degrees: int) -> FloatArray:
    """Detection probability of the score statistic with `degrees` unknown components.

    Parameters
    ----------
    false_alarm : array_like
    noncentrality : array_like
        v^T M v; broadcast against the first.
    degrees : int
        Unknown components of the source (rank of M); 1: a known axis, either sense.
    """
    threshold = chi_square_threshold(false_alarm, degrees)
    return np.asarray(exceedance(threshold, noncentrality, degrees))


def exceedance(threshold: npt.ArrayLike, noncentrality: npt.ArrayLike, degrees: int) -> FloatArray:
    """Probability that a noncentral chi-square exceeds a threshold."""
    t, lam = np.broadcast_arrays(np.asarray(threshold, np.float64), np.asarray(noncentrality, np.float64))
    out = np.where(lam > 0, 1 - chndtr(t, float(degrees), np.maximum(lam, 1e-12)), chdtrc(float(degrees), t))
    # beyond this the series behind chndtr is slow; the root is normal there, to 1e-4
    far = lam > 1e4
    if np.any(far):
        out = np.where(far, ndtr(np.sqrt(np.maximum(lam + degrees - 1, 0)) - np.sqrt(t)), out)
    return np.asarray(np.clip(out, 0.0, 1.0))


def noncentrality_needed(false_alarm: float, detection: float, degrees: int, threshold: float | None = None) -> float:
    """Smallest v^T M v that is detected with the stated probabilities.

    Raises
    ------
    InputError
        If a probability is not between 0 and 1.
    """
    _check_probability(false_alarm, "false-alarm probability")
    _check_probability(detection, "detection probability")
    t = float(chi_square_threshold(false_alarm, degrees)) if threshold is None else threshold

    def excess(root: float) -> float:
        return float(exceedance(t, root * root, degrees)) - detection

    if excess(0.0) >= 0:
        return 0.0
    high = np.sqrt(t) + 8.0
    return float(brentq(excess, 0.0, high, xtol=1e-10) ** 2)


@dataclass(frozen=True)
class LookElsewhere:
    """What not knowing direction and position costs: thresholds of the score statistic at one false-alarm probability.

    Attributes
    ----------
    false_alarm : float
    known : float
        Direction and position known (one deviate, one sense), as the square of its threshold.
    direction : float
        Position known, direction not: chi-square with `degrees`.
    position : float
        Neither known: from drawn scores.
    upper : float
        Bound: chi-square with the rank of all positions together, `degrees_all`.
    degrees, degrees_all : int
    """

    false_alarm: float
    known: float
    direction: float
    position: float
    upper: float
    degrees: int
    degrees_all: int

    @property
    def local_probability(self) -> float:
        """Probability at one known position that the threshold for unknown position corresponds to."""
        return float(chdtrc(float(self.degrees), self.position))


def rank_of(information: FloatArray) -> int:
    """Number of directions in which an information matrix says something."""
    values = np.linalg.eigvalsh(information)
    return int(np.sum(values > RANK_TOLERANCE * max(float(values[-1]), 1e-300)))


def draw_scores(rng: np.random.Generator, information: FloatArray, count: int) -> FloatArray:
    """Scores without a source, normal with the information as covariance; (count, 3K)."""
    values, vectors = np.linalg.eigh(information)
    good = values > 1e-12 * max(float(values[-1]), 1e-300)
    root = vectors[:, good] * np.sqrt(values[good])
    return np.asarray(rng.standard_normal((count, int(good.sum()))) @ root.T)


def look_elsewhere(
    information: FloatArray,
    false_alarm: float,
    rng: np.random.Generator,
    draws: int = 20_000,
    drawn: ScoreDraws | None = None,
) -> LookElsewhere:
    """Thresholds with direction and position known or not.

    Parameters
    ----------
    information : ndarray (3K, 3K)
        Of a `LinearCampaign`; its first triple is the central position.
    false_alarm : float
    rng : Generator
    draws : int
        Scores drawn for the position; at least 200 beyond the threshold are taken.
    drawn : ScoreDraws, optional
        Scores to use instead.
    """
    a = float(_check_probability(false_alarm, "false-alarm probability"))
    degrees, every = rank_of(information[:3, :3]), rank_of(information)
    direction = float(chi_square_threshold(a, degrees))
    upper = float(chi_square_threshold(a, max(every, degrees)))
    position = direction
    if information.shape[0] > 3:
        if drawn is None:
            count = int(min(max(draws, 200 / a), 400_000))
            values = score_statistic(information, draw_scores(rng, information, count))
        else:
            values = drawn.statistics()
        position = float(np.clip(np.quantile(values, 1 - a), direction, upper))
    return LookElsewhere(a, float(ndtri(1 - a)) ** 2, direction, position, upper, degrees, max(every, degrees))


@dataclass(frozen=True)
class ScoreDraws:
    """Drawn scores of campaigns, from which thresholds and detection probabilities for any size of source follow at once.

    With a source of size s in a drawn direction at a drawn position the statistic at position k is the quadratic
    a_k + 2 b_k s + c_k s^2: a_k without a source, b_k and c_k from the source's share of the score.

    Attributes
    ----------
    null, cross, square : ndarray (N, K)
        a, b and c.
    """

    null: FloatArray
    cross: FloatArray
    square: FloatArray

    @classmethod
    def of(
        cls,
        informations: Sequence[FloatArray],
        rng: np.random.Generator,
        draws: int = 20_000,
        places: int | None = None,
    ) -> ScoreDraws:
        """Scores with directions uniform on the sphere and positions drawn evenly.

        Parameters
        ----------
        informations : sequence of ndarray (3K, 3K)
            One for each set of nuisances over which to average.
        rng : Generator
        draws : int
            Altogether.
        places : int, optional
            The first K positions are those of the statistic; a source lies at one of the others (see
            `linear.drawn_campaigns`).  Left out, or as many as there are: the statistic knows every position of a source.
        """
        parts: list[tuple[FloatArray, FloatArray, FloatArray]] = []
        for m in informations:
            count, every = -(-draws // len(informations)), m.shape[0] // 3
            known = every if places is None else places
            others = range(known, every) if known < every else range(every)
            scores = draw_scores(rng, m[: 3 * known, : 3 * known], count).reshape(count, known, 3)
            columns = m[: 3 * known].reshape(3 * known, every, 3)[:, rng.choice(others, size=count)]
            shift = np.einsum("cni,ni->nc", columns, random_directions(rng, count)).reshape(count, known, 3)
            a, b, c = np.empty((count, known)), np.empty((count, known)), np.empty((count, known))
            for k in range(known):
                root = _inverse_root(m[3 * k : 3 * k + 3, 3 * k : 3 * k + 3])
                u, v = scores[:, k] @ root, shift[:, k] @ root
                a[:, k], b[:, k], c[:, k] = np.sum(u * u, axis=1), np.sum(u * v, axis=1), np.sum(v * v, axis=1)
            parts.append((a, b, c))
        null, cross, square = (np.concatenate([p[n] for p in parts]) for n in range(3))
        return cls(null, cross, square)

    def statistics(self, size: float = 0.0) -> FloatArray:
        """The largest statistic over all positions, (N,), for a source of that size (in stated sizes)."""
        return np.asarray(np.max(self.null + size * (2 * self.cross + size * self.square), axis=1))

    def thresholds(self, false_alarm: npt.ArrayLike) -> FloatArray:
        """Thresholds for false-alarm probabilities."""
        p = _check_probability(false_alarm, "false-alarm probability")
        return np.asarray(np.quantile(self.statistics(), 1 - p))

    def detection(self, size: float, threshold: float) -> float:
        """Detection probability of a source of one size in a random direction."""
        return float(np.mean(self.statistics(size) >= threshold))

    def smallest(self, threshold: float, detection: float) -> float:
        """Smallest size that is detected with the stated probability; infinite if none is.

        Raises
        ------
        InputError
            If the probability is not between 0 and 1.
        """
        _check_probability(detection, "detection probability")
        typical = float(np.sqrt(threshold / max(float(np.mean(self.square.max(axis=1))), 1e-300)))
        low, high = 0.0, typical
        while self.detection(high, threshold) < detection:
            low, high = high, 2 * high
            if high > 1e9 * typical:
                return float(np.inf)
        while high - low > 1e-5 * high:
            middle = 0.5 * (low + high)
            low, high = (low, middle) if self.detection(middle, threshold) >= detection else (middle, high)
        return high


def _inverse_root(matrix: FloatArray) -> FloatArray:
    """R with R R^T the inverse of a positive semidefinite matrix on its range."""
    values, vectors = np.linalg.eigh(matrix)
    good = values > RANK_TOLERANCE * max(float(values[-1]), 1e-300)
    return np.asarray(vectors[:, good] / np.sqrt(values[good]))


@dataclass(frozen=True)
class Roc:
    """Detection against false-alarm probability for a source of one size in a random direction.

    Attributes
    ----------
    false_alarm : ndarray (N,)
    known, direction, position : ndarray (N,)
        Detection probability with everything known, with the direction unknown, and with the position unknown as well.
    """

    false_alarm: FloatArray
    known: FloatArray
    direction: FloatArray
    position: FloatArray


def predicted_roc(
    information: FloatArray,
    size: float,
    drawn: ScoreDraws,
    false_alarm: npt.ArrayLike | None = None,
    gains: FloatArray | None = None,
) -> Roc:
    """ROC of a source of one size, averaged over the sphere (and over the positions), to first order.

    Parameters
    ----------
    information : ndarray (3K, 3K)
    size : float
        In stated sizes.
    drawn : ScoreDraws
        Scores to use for the unknown position.
    false_alarm : array_like, optional
    gains : ndarray, optional
        Information relative to the one given, to average over, for the known position.
    """
    g = np.ones(1) if gains is None else gains
    p = np.geomspace(1e-3, 0.999, 60) if false_alarm is None else _check_probability(false_alarm, "false alarm")
    m = information[:3, :3]
    points = equal_area_points(SKY)
    lam = size**2 * np.outer(g, np.einsum("ni,ij,nj->n", points, m, points))
    degrees = rank_of(m)
    known = np.array([float(np.mean(known_direction_detection(x, np.sqrt(lam)))) for x in p])
    direction = np.array([float(np.mean(chi_square_detection(x, lam, degrees))) for x in p])
    position = direction
    if information.shape[0] > 3:
        hit = drawn.statistics(size)
        position = np.array([float(np.mean(hit >= t)) for t in drawn.thresholds(p)])
    return Roc(p, known, direction, position)


def empirical_roc(null: FloatArray, source: FloatArray, false_alarm: npt.ArrayLike) -> FloatArray:
    """Detection probability of simulated statistics at the thresholds that simulated no-source statistics give."""
    thresholds = np.quantile(null, 1 - _check_probability(false_alarm, "false-alarm probability"))
    return np.asarray([float(np.mean(source >= t)) for t in thresholds])


@dataclass(frozen=True)
class SmallestSize:
    """Smallest source that is detected at stated probabilities, in stated sizes.

    Attributes
    ----------
    best, worst : float
        In the direction that the chip sees best and worst; infinite where it is blind.
    any_direction : float
        For a direction drawn at random: averaged over the sphere, the detection probability reaches the stated one.
    best_direction, worst_direction : ndarray (3,)
    """

    best: float
    worst: float
    any_direction: float
    best_direction: FloatArray
    worst_direction: FloatArray


def mean_detection(
    information: FloatArray, size: float, threshold: float, degrees: int, gains: FloatArray | None = None
) -> float:
    """Detection probability of a source of one size averaged over the sphere (and `gains`); information (3, 3)."""
    points = equal_area_points(SKY)
    lam = size**2 * np.einsum("ni,ij,nj->n", points, information, points)
    if gains is not None:
        lam = np.outer(gains, lam)
    return float(np.mean(exceedance(threshold, lam, degrees)))


def smallest_size(
    information: FloatArray,
    false_alarm: float,
    detection: float,
    threshold: float | None = None,
    gains: FloatArray | None = None,
) -> SmallestSize:
    """Smallest detectable size.

    Parameters
    ----------
    information : ndarray (3, 3)
        On the source vector in stated sizes.
    false_alarm, detection : float
    threshold : float, optional
        Of the statistic, if it must hold for an unknown position too.
    gains : ndarray, optional
        Information relative to the one given, over which `any_direction` is averaged.
    """
    degrees = rank_of(information)
    t = float(chi_square_threshold(false_alarm, degrees)) if threshold is None else threshold
    lam = noncentrality_needed(false_alarm, detection, degrees, t)
    values, vectors = np.linalg.eigh(information)
    floor = RANK_TOLERANCE * float(values[-1])
    sizes = np.where(values > floor, np.sqrt(lam / np.maximum(values, 1e-300)), np.inf)
    size = float(sizes[-1])
    high = size
    while mean_detection(information, high, t, degrees, gains) < detection and high < 1e9 * size:
        high *= 2
    found = np.inf
    if high < 1e9 * size:
        found = float(
            brentq(
                lambda s: mean_detection(information, s, t, degrees, gains) - detection,
                size / 4,
                high,
                xtol=1e-6 * size,
            )
        )
    return SmallestSize(size, float(sizes[0]), found, vectors[:, -1], vectors[:, 0])


@dataclass(frozen=True)
class SmallestAngle:
    """Smallest angle between two directions that are told apart, in rad: across the best and the worst tangent."""

    best: float
    worst: float


def smallest_angle(
    information: FloatArray, source: FloatArray, wrong: float = 0.05, prior_precision: float = 0.0
) -> SmallestAngle:
    """Smallest angle resolved for a source vector (3,) in stated sizes.

    Two directions an angle g apart differ by s g along a tangent e; choosing between them by the better likelihood fails
    with probability Q(s g / (2 sd)), sd the marginal standard deviation along e (the size and the other tangent free).

    Parameters
    ----------
    information : ndarray (3, 3)
    source : ndarray (3,)
    wrong : float
        Probability of a wrong choice.
    prior_precision : float
        Of the source's components, in stated sizes.
    """
    _check_probability(wrong, "probability of a wrong choice")
    size = float(np.sqrt(source @ source))
    if not size > 0:
        raise InputError("a source of size zero has no direction", remedy="State a size above zero")
    covariance = np.linalg.pinv(information + prior_precision * np.eye(3), hermitian=True)
    unit = source / size
    projector = np.eye(3) - np.outer(unit, unit)
    values = np.linalg.eigvalsh(projector @ covariance @ projector)[1:]
    angles = 2 * float(-ndtri(wrong)) * np.sqrt(np.maximum(values, 0)) / size
    blind = np.linalg.eigvalsh(information)[0] <= RANK_TOLERANCE * np.linalg.eigvalsh(information)[-1]
    worst = np.pi if blind and prior_precision == 0 else float(min(angles[-1], np.pi))
    return SmallestAngle(float(min(angles[0], np.pi)), worst)


@dataclass(frozen=True)
class Fall:
    """How the smallest detectable size falls with repeats.

    Attributes
    ----------
    repeats : tuple of float
        Relative to those taken (or planned).
    size, without_flux_noise, slow_flux_noise : ndarray (N,)
        Smallest size (random direction) in stated sizes: flux noise as stated (it averages like all else), none, and of
        the same size but slow, so that repeats do not average it.
    angle_rad : ndarray (N,)
        Smallest angle for the source given.
    floor : float
        Size at an unlimited number of repeats with slow flux noise.
    """

    repeats: tuple[float, ...]
    size: FloatArray
    without_flux_noise: FloatArray
    slow_flux_noise: FloatArray
    angle_rad: FloatArray
    floor: float


def fall_with_repeats(
    information_at: Callable[[float, str], FloatArray],
    repeats: Sequence[float],
    source: FloatArray,
    false_alarm: float,
    detection: float,
    unlimited: float = 1e7,
) -> Fall:
    """Smallest size and angle for several numbers of repeats.

    Parameters
    ----------
    information_at : callable
        Takes repeats relative to those taken, and the flux noise ('white', 'none', 'slow'); gives the information (3, 3).
    repeats : sequence of float
    source : ndarray (3,)
        In stated sizes, for the angle.
    false_alarm, detection : float
    unlimited : float
        Stands for any number of repeats.
    """

    def sizes(noise: str) -> FloatArray:
        return np.array(
            [smallest_size(information_at(n, noise), false_alarm, detection).any_direction for n in repeats]
        )

    return Fall(
        tuple(repeats),
        sizes("white"),
        sizes("none"),
        sizes("slow"),
        np.array([smallest_angle(information_at(n, "white"), source).worst for n in repeats]),
        smallest_size(information_at(unlimited, "slow"), false_alarm, detection).any_direction,
    )


def expected_log_bayes_factor(information: FloatArray, source: FloatArray, prior_variance: float = 1 / 3) -> float:
    """Mean over noise of the linear log Bayes factor (one position) for a source vector (3,) in stated sizes.

    With u normal, mean M v and covariance M: (v^T M K M v + tr(K M))/2 - log det(1 + M/P)/2, K = (M + P)^-1.
    """
    kernel = np.linalg.inv(information + np.eye(3) / prior_variance)
    mean = information @ source
    _, log_det = np.linalg.slogdet(np.eye(3) + prior_variance * information)
    return float(0.5 * (mean @ kernel @ mean + np.trace(kernel @ information)) - 0.5 * log_det)


def expected_log_bayes_factor_without(information: FloatArray, prior_variance: float = 1 / 3) -> float:
    """The same mean without a source: tr(K M)/2 - log det(1 + M/P)/2."""
    return expected_log_bayes_factor(information, np.zeros(3), prior_variance)
