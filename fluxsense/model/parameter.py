"""A parameter: one number that the study does not know exactly, wherever it enters.

Everything uncertain is an instance of one class: where it lies among the model's named arrays (`ChipParameters`), what is
known of it before any data, its bounds, unit and words.  A new uncertain quantity is a new entry in the list of parameters;
nothing else asks which one it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit

FloatArray = npt.NDArray[np.float64]

NOISE_SCALE: Final = "noise_scale"
WRONG_WAY_RATE: Final = "wrong_way_rate"
POSITION: Final = "position_m"
EXTENT: Final = "source_second_moments_m2"
OFFSET: Final = "offset_phi0"
FOCUSING: Final = "flux_focusing"
PUMP_STRENGTH: Final = "pump_strength"
PUMP_PHASE: Final = "pump_phase_error_rad"
PUMP_PORT_PHASE: Final = "pump_port_phase_rad"
MUTUAL: Final = "mutual_phi0_per_a"
STATIC_FLUX: Final = "static_flux_phi0"
TILT: Final = "chip_tilt_rad"
TURN: Final = "turn_error_rad"
MODE_CHANGE: Final = "mode_change_hz"
FLUX_ARRAYS: Final = (POSITION, EXTENT, OFFSET, FOCUSING, MUTUAL, STATIC_FLUX, TILT, TURN)
"""What decides the flux in a loop, beside the source itself."""

GROUPS: Final = {
    POSITION: "position",
    EXTENT: "extent",
    OFFSET: "offset",
    FOCUSING: "area",
    TILT: "tilt",
    TURN: "turn",
    PUMP_STRENGTH: "strength",
    PUMP_PHASE: "phase",
    PUMP_PORT_PHASE: "phase",
    NOISE_SCALE: "noise",
    WRONG_WAY_RATE: "wrong_way",
    MUTUAL: "bias",
    STATIC_FLUX: "static",
    "line_end": "lines",
    "direct_path": "lines",
}
"""Names of groups of parameters in results, by array; every other array is a number of the isolators and their stages."""


@dataclass(frozen=True)
class Parameter:
    """One uncertain number.

    Attributes
    ----------
    name : str
        In words, unique within a study.
    array : str
        The named array in which it lies (`ChipParameters`), or `NOISE_SCALE` or `WRONG_WAY_RATE`, which belong to the data.
    index : tuple of int
        Its place in that array, the batch axis left out.
    mean, sd : float
        Of its normal prior; see `form`.
    unit : str
        SI unit.
    low, high : float
        Bounds that cut the prior.
    form : str
        plain: mean + sd z, kept within the bounds; log: mean exp(sd z), for a factor; rate: half the logistic function,
        equal to the mean at z = 0 and near mean exp(sd z) while small, for a probability below one half.
    home : int
        The isolator that it acts on; -1 for a quantity of the source or of the data.
    """

    name: str
    array: str
    index: tuple[int, ...]
    mean: float
    sd: float
    unit: str
    low: float = -np.inf
    high: float = np.inf
    form: str = "plain"
    home: int = -1

    @property
    def of_chip(self) -> bool:
        """Whether the forward model holds it; the noise scale and the rate of wrong readings belong to the data."""
        return self.array not in (NOISE_SCALE, WRONG_WAY_RATE)

    @property
    def moves_flux(self) -> bool:
        """Whether it acts through the flux in the loops alone."""
        return self.array in FLUX_ARRAYS

    @property
    def of_source(self) -> bool:
        """Whether it has no meaning without a source."""
        return self.array in (POSITION, EXTENT, TILT, TURN)

    @property
    def group(self) -> str:
        """What it is reported with: its array's group, or "stage" for a number of the chip."""
        return GROUPS.get(self.array, "stage")

    def value(self, whitened: FloatArray) -> FloatArray:
        """Its values for whitened coordinates z."""
        if self.form == "log":
            return np.asarray(self.mean * np.exp(self.sd * whitened))
        if self.form == "rate":
            return np.asarray(0.5 * expit(logit(2 * self.mean) + self.sd * whitened))
        return np.asarray(np.clip(self.mean + self.sd * whitened, self.low, self.high))

    def whitened(self, values: FloatArray) -> FloatArray:
        """Whitened coordinates of values within the bounds: the inverse of `value`."""
        if self.form == "log":
            return np.asarray(np.log(values / self.mean) / self.sd)
        if self.form == "rate":
            return np.asarray((logit(2 * values) - logit(2 * self.mean)) / self.sd)
        return np.asarray((values - self.mean) / self.sd)

    @property
    def value_sd(self) -> float:
        """Standard deviation of its values, to first order."""
        if self.form == "log":
            return self.mean * self.sd
        return self.mean * (1 - 2 * self.mean) * self.sd if self.form == "rate" else self.sd

    def put(self, arrays: dict[str, FloatArray], values: FloatArray) -> None:
        """Set its values (B,) in a batch of named arrays, in place."""
        self.of(arrays[self.array])[:] = values

    def of(self, array: FloatArray) -> FloatArray:
        """Its values (B,) in its array (B, ...): a view."""
        place: tuple[slice | int, ...] = (slice(None), *self.index)
        return np.asarray(array[place])
