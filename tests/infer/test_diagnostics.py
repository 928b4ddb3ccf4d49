"""Convergence checks against published reference vectors, autoregressive chains of known memory and planted faults."""

import numpy as np
import pytest
from scipy import stats

from fluxsense.base.errors import InputError
from fluxsense.infer import diagnostics as dg


def autoregressive(rng, phi, shape):
    """x_t = phi x_(t-1) + noise along axis 1, unit variance, started in equilibrium."""
    x = np.empty(shape)
    x[:, 0] = rng.standard_normal(x[:, 0].shape)
    kick = np.sqrt(1 - phi**2) * rng.standard_normal(shape)
    for t in range(1, shape[1]):
        x[:, t] = phi * x[:, t - 1] + kick[:, t]
    return x


def own_r_hat_rank(x):
    """Vehtari et al., Bayesian Anal. 16, 667 (2021), written out here for even lengths: no shared code."""

    def classic(z):
        n = z.shape[1]
        within = z.var(axis=1, ddof=1).mean()
        between = n * z.mean(axis=1).var(ddof=1)
        return np.sqrt(((n - 1) / n * within + between / n) / within)

    def normal(y):
        return stats.norm.ppf((stats.rankdata(y).reshape(y.shape) - 3 / 8) / (y.size + 1 / 4))

    half = x.shape[1] // 2
    y = np.concatenate([x[:, :half], x[:, half:]])
    return max(classic(normal(y)), classic(normal(np.abs(y - np.median(y)))))


def test_r_hat_of_the_small_reference_vector():
    # [[1,2,3,4],[2,3,4,5]]: 1.8885001674 with ranks (r - 3/8)/(S + 1/4)
    assert dg.r_hat_rank([[1, 2, 3, 4], [2, 3, 4, 5]]) == pytest.approx(1.8885001674, abs=1e-9)


def test_r_hat_against_its_definition():
    rng = np.random.default_rng(1)
    for _ in range(5):
        x = rng.standard_normal((3, 40)) + 0.3 * rng.standard_normal((3, 1))
        assert dg.r_hat_rank(x) == pytest.approx(own_r_hat_rank(x), abs=1e-12)


def test_r_hat_sees_place_width_and_heavy_tails():
    rng = np.random.default_rng(2)
    good = rng.standard_normal((4, 1000))
    assert dg.r_hat_rank(good) < 1.01
    shifted = good.copy()
    shifted[0] += 0.5
    assert dg.r_hat_rank(shifted) > 1.01
    wide = good.copy()
    wide[0] *= 3  # the classic statistic passes this one (about 1.001); the folded rank one reads about 1.14
    assert 1.08 < dg.r_hat_rank(wide) < 1.2
    cauchy = stats.cauchy.rvs(size=(4, 1000), random_state=3)
    cauchy[0] += 1.0
    assert dg.r_hat_rank(cauchy) > 1.01


def test_r_hat_pools_walkers_over_time_not_across_it():
    # a common drift: every walker of every ensemble moves on, so the halves differ though the ensembles agree
    rng = np.random.default_rng(4)
    x = rng.standard_normal((3, 200, 8)) + np.linspace(0, 2, 200)[None, :, None]
    assert dg.r_hat_rank(x) > 1.1
    assert dg.r_hat_rank(rng.standard_normal((3, 200, 8))) < 1.01


def test_r_hat_of_things_that_stand_still():
    assert dg.r_hat_rank(np.ones((2, 10))) == 1.0
    assert dg.r_hat_rank(np.repeat([[1.0], [2.0]], 10, axis=1)) == np.inf
    two_valued = np.tile([0.0, 1.0], (2, 50))  # folding leaves no spread
    assert dg.r_hat_rank(two_valued) == pytest.approx(1.0, abs=0.02)


def test_walkers_in_two_modes_never_moving_between_them():
    # two equal modes, each ensemble in its own: every walker mixes well inside, and only R-hat between ensembles tells
    rng = np.random.default_rng(5)
    x = 0.1 * rng.standard_normal((2, 500, 10))
    x[0] += 1
    x[1] -= 1
    assert dg.autocorr_time(x).long_enough  # the usual check passes
    assert dg.r_hat_rank(x) > 1.5


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.8])
def test_effective_size_of_autoregressive_chains(phi):
    # n (1 - phi)/(1 + phi) for the mean of an AR(1) chain; scatter of the estimate over repeats gives the tolerance
    rng = np.random.default_rng(6)
    n = 4 * 2000
    sizes = [dg.ess_bulk(autoregressive(rng, phi, (4, 2000))) for _ in range(12)]
    error = np.std(sizes, ddof=1) / np.sqrt(12)
    assert abs(np.mean(sizes) - n * (1 - phi) / (1 + phi)) < 4 * error + 0.03 * n * (1 - phi) / (1 + phi)


def test_effective_size_with_walkers():
    # 2 x 8 series of 2000 steps, phi = 0.9: 32000/19; scatter of a single estimate some 5%
    x = autoregressive(np.random.default_rng(16), 0.9, (2, 2000, 8))
    assert dg.ess_bulk(x) == pytest.approx(32_000 / 19, rel=0.2)


def test_tail_size_is_smaller_where_a_chain_sticks_in_the_tail():
    rng = np.random.default_rng(7)
    x = rng.standard_normal((4, 1000))
    x[:, 400:460] = 4.0 + 0.01 * rng.standard_normal((4, 60))
    assert dg.ess_tail(x) < 0.5 * dg.ess_bulk(x)
    assert dg.ess_tail(rng.standard_normal((4, 1000))) > 2000


def test_effective_size_ignores_units():
    # a moment in A m^2 is of order 1e-17; the effective size must not depend on that
    x = autoregressive(np.random.default_rng(8), 0.9, (4, 500))
    assert dg.ess_bulk(1e-20 * x) == pytest.approx(dg.ess_bulk(x))
    assert dg.ess_tail(1e-20 * x) == pytest.approx(dg.ess_tail(x))
    assert dg.autocorr_time(1e-20 * x).steps == pytest.approx(dg.autocorr_time(x).steps)


def test_constant_quantity_has_no_error():
    assert dg.ess_bulk(np.full((2, 10, 3), 7.0)) == np.inf
    assert dg.ess_tail(np.full((2, 10, 3), 7.0)) == np.inf


@pytest.mark.parametrize(("phi", "tau"), [(0.5, 3.0), (0.8, 9.0), (0.9, 19.0)])
def test_autocorrelation_time_of_autoregressive_chains(phi, tau):
    # (1 + phi)/(1 - phi); relative scatter sqrt(2 (2 M + 1)/N) with the window M = 5 tau (Sokal's notes, from memory);
    # emcee's estimate is low by another 2%
    x = autoregressive(np.random.default_rng(9), phi, (1, 10_000, 16))
    found = dg.autocorr_time(x)
    assert found.steps == pytest.approx(tau, rel=0.02 + 3 * np.sqrt(2 * (10 * tau + 1) / 160_000))
    assert found.times == pytest.approx(10_000 / found.steps)
    assert found.long_enough
    assert found.steps_missing == 0


def test_short_chain_says_how_many_steps_are_missing():
    x = autoregressive(np.random.default_rng(10), 0.9, (2, 300, 16))
    found = dg.autocorr_time(x)
    assert not found.long_enough
    assert found.steps_missing == pytest.approx(50 * found.steps - 300, abs=1)


def test_the_slowest_ensemble_counts_and_frozen_ones_are_infinite():
    rng = np.random.default_rng(11)
    x = np.concatenate([autoregressive(rng, 0.0, (1, 1000, 8)), autoregressive(rng, 0.9, (1, 1000, 8))])
    assert dg.autocorr_time(x).steps == dg.autocorr_time(x[::-1]).steps > 10
    frozen = np.broadcast_to(np.arange(8.0), (2, 100, 8))
    found = dg.autocorr_time(frozen)
    assert found.steps == np.inf
    assert not found.long_enough
    assert found.steps_missing > 0
    assert dg.autocorr_time(np.ones((2, 100, 8))).long_enough  # one fixed value: nothing to decorrelate


def mode_labels(rng, weights, steps, walkers, stay):
    """Labels that jump to a fresh draw with probability 1 - stay."""
    out = np.empty((len(weights), steps, walkers), dtype=int)
    for e, p in enumerate(weights):
        out[e, 0] = rng.random(walkers) < p
        for t in range(1, steps):
            fresh = rng.random(walkers) < p
            out[e, t] = np.where(rng.random(walkers) < stay, out[e, t - 1], fresh)
    return out


def test_weights_that_agree():
    found = dg.weight_agreement(mode_labels(np.random.default_rng(12), [0.3, 0.3, 0.3], 400, 20, 0.9))
    assert found.agrees
    assert found.reason == "The ensembles agree on the weights of the modes."
    # independent jumps: about 400 x 20/19 draws per ensemble
    assert found.pooled[1] == pytest.approx(0.3, abs=5 * np.sqrt(0.21 / (3 * 421)))
    assert found.error[1] < 0.05
    assert found.weights.shape == (3, 2)


def test_weights_that_only_reflect_the_start():
    frozen = np.broadcast_to((np.arange(20) < 10).astype(int), (3, 100, 20))
    found = dg.weight_agreement(frozen)
    assert not found.agrees
    assert found.transitions.tolist() == [0, 0, 0]
    assert found.reason == (
        "Ensemble 0 changed mode 0 times, fewer than 20, so the weights reflect where the walkers started. "
        "Run longer, or with a move that jumps between modes."
    )


def test_weights_that_differ():
    found = dg.weight_agreement(mode_labels(np.random.default_rng(13), [0.2, 0.2, 0.8], 400, 20, 0.8))
    assert not found.agrees
    assert found.reason.startswith("Ensemble 2 gives mode ")


def test_one_mode_everywhere():
    found = dg.weight_agreement(np.zeros((2, 10, 3), dtype=int), n_modes=2)
    assert found.agrees
    assert found.pooled.tolist() == [1.0, 0.0]


def test_diagnosis_of_a_good_run():
    rng = np.random.default_rng(14)
    x = autoregressive(rng, 0.5, (4, 500, 10, 2))
    found = dg.diagnose(x, ["m_x", "m_y"], mode_labels(rng, [0.5] * 4, 500, 10, 0.5))
    assert found.good
    assert found.verdict == "good"
    assert found.advice == ()
    assert [q.name for q in found.quantities] == ["m_x", "m_y"]


def test_diagnosis_of_bad_runs_names_the_quantity_and_the_remedy():
    rng = np.random.default_rng(15)
    x = autoregressive(rng, 0.5, (4, 500, 10, 2))
    x[0, ..., 1] += 1
    found = dg.diagnose(x, ["m_x", "m_y"])
    assert not found.good
    assert found.verdict == "bad"
    assert [q.verdict for q in found.quantities] == ["good", "bad"]
    assert found.advice[0].startswith("m_y: the ensembles disagree (R-hat ")
    short = dg.diagnose(x[:, :30, :, :1], ["m_x"])
    assert short.verdict == "doubtful"
    assert "more steps per walker should do" in short.advice[-1]
    stuck = dg.diagnose(x[..., :1], ["m_x"], np.broadcast_to(np.arange(10) % 2, (4, 500, 10)))
    assert stuck.verdict == "bad"
    assert stuck.advice == (stuck.weights.reason,)


def test_four_hundred_effective_samples_are_wanted():
    """Vehtari et al., Bayesian Anal. 16, 667 (2021): above 400 (from memory).  Reference: the count of independent draws.

    Each half of each ensemble holds the same normal quantiles in an order of its own, so that R-hat has nothing to object to.
    """
    rng = np.random.default_rng(17)

    def drawn(count):
        quantiles = stats.norm.ppf((np.arange(count // 8) + 0.5) / (count // 8))
        halves = np.array([rng.permutation(quantiles) for _ in range(8)])
        return halves.reshape(4, -1, 1, 1)

    few, many = dg.diagnose(drawn(240), ["m"], fewest_times=1.0), dg.diagnose(drawn(800), ["m"], fewest_times=1.0)
    assert few.quantities[0].r_hat < 1.01
    assert 150 < min(few.quantities[0].ess_bulk, few.quantities[0].ess_tail) < 350
    assert few.verdict == "doubtful"
    assert "(400 wanted)" in few.advice[0]
    assert many.good


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (
            lambda: dg.r_hat_rank(np.zeros((1, 10))),
            "diagnostics: 1 ensemble, but convergence shows only in the agreement of independent ones. Run at least two "
            "ensembles from separate random starts; walkers of one ensemble do not count.",
        ),
        (lambda: dg.r_hat_rank(np.zeros((2, 3))), "diagnostics: 3 steps are too few to judge; at least 4 are needed."),
        (
            lambda: dg.ess_bulk(np.full((2, 10), np.nan)),
            "diagnostics: a chain holds a value that is not finite. Look at the model first.",
        ),
        (
            lambda: dg.ess_bulk(np.zeros(10)),
            "diagnostics: chains must have shape (ensembles, steps) or (ensembles, steps, walkers), got (10,).",
        ),
        (
            lambda: dg.diagnose(np.zeros((2, 10, 4, 3)), ["a"]),
            "diagnose: chains of shape (2, 10, 4, 3) do not fit 1 names. "
            "Pass shape (ensembles, steps, walkers, parameters).",
        ),
        (
            lambda: dg.weight_agreement(np.zeros((2, 10))),
            "weight_agreement: mode numbers must be integers, got float64.",
        ),
        (
            lambda: dg.weight_agreement(np.full((2, 10), 3), n_modes=2),
            "weight_agreement: mode numbers run from 3 to 3, expected 0 to 1. "
            "Give every sample the number of its mode (see clusters).",
        ),
    ],
)
def test_messages(call, text):
    with pytest.raises(InputError) as caught:
        call()
    assert str(caught.value) == text


def test_heavy_libraries_are_imported_only_when_used():
    import subprocess
    import sys

    code = (
        "import sys, fluxsense.infer.diagnostics as d; print([m for m in ('arviz_stats','emcee') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_light_mode_need_not_be_entered_often():
    """Independent draws with a mode of weight 0.001: few changes, and they agree.  Never crossed, it is doubted all the same."""
    rng = np.random.default_rng(3)
    labels = (rng.random((2, 100, 40)) < 0.001).astype(int)
    assert dg.weight_agreement(labels).transitions.max() < 20
    assert dg.weight_agreement(labels).agrees
    stuck = np.zeros((2, 100, 1000), dtype=int)
    stuck[:, :, 0] = 1
    found = dg.weight_agreement(stuck)
    assert not found.agrees
    assert "changed mode 0 times, fewer than 19, so the weights" in found.reason
