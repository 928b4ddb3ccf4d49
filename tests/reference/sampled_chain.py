"""A read-out chain, sample by sample: every stage adds its own normal noise and bends the amplitude.

Written apart from the package, as a reference for it: no noise temperature is referred to anywhere, nothing is linearised.
"""

import numpy as np

H = 6.62607015e-34
K = 1.380649e-23


def coth_temperature(frequency, temperature):
    """Half a quantum plus Planck's mean photon number, in K."""
    x = H * frequency / K
    photons = 0.0 if temperature == 0 else 1 / np.expm1(x / temperature)
    return x * (0.5 + photons)


def received(source_w, down, up, frequency, bandwidth, rng, transmission):
    """Complex amplitudes, over the noiseless amplitude at the chip and the small-signal gain behind it.

    down, up: lists of dicts with gain (ratio of powers), temperature (of a loss) or added (K, of an amplifier), and
    perhaps p1db (W, at the input).  transmission: complex array, what the chip does to each sample; what it does not pass
    it replaces by noise of 20 mK.
    """

    t = np.asarray(transmission, dtype=complex)

    def normal(kelvin):
        size = np.sqrt(K * kelvin * bandwidth / 2)
        return size * (rng.standard_normal(t.shape) + 1j * rng.standard_normal(t.shape))

    x = np.sqrt(source_w) + normal(coth_temperature(frequency, 300.0))
    at_chip = np.sqrt(source_w)
    gain_behind = 1.0
    for where, stages in (("down", down), ("up", up)):
        if where == "up":
            x = t * x + normal(np.maximum(1 - np.abs(t) ** 2, 0.0) * coth_temperature(frequency, 0.02))
        for stage in stages:
            g = stage["gain"]
            if "added" in stage:
                x = x + normal(stage["added"])
                if "p1db" in stage:
                    x = x / np.sqrt(1 + (10**0.1 - 1) * np.abs(x) ** 2 / stage["p1db"])
                x = np.sqrt(g) * x
            else:
                x = np.sqrt(g) * x + normal((1 - g) * coth_temperature(frequency, stage["temperature"]))
            if where == "down":
                at_chip = at_chip * np.sqrt(g)
            else:
                gain_behind *= g
    return x / (at_chip * np.sqrt(gain_behind))
