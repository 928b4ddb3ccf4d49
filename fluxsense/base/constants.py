"""Physical constants in SI units.

The SI fixes h and e exactly (SI Brochure, 9th edition), hence also the flux
quantum, and k.  The magnetic constant, the Bohr magneton and the classical
electron radius are measured; CODATA 2022 gives 1.25663706127(20)e-6 N/A^2,
9.2740100657(29)e-24 J/T and 2.8179403205(13)e-15 m (from memory; the second
agrees with pint's table, the third with mu0 mu_B/Phi0 = 2 r_e).
"""

import math
from typing import Final

PLANCK_J_S: Final = 6.62607015e-34
HBAR_J_S: Final = PLANCK_J_S / (2.0 * math.pi)
BOLTZMANN_J_K: Final = 1.380649e-23
ELEMENTARY_CHARGE_C: Final = 1.602176634e-19
FLUX_QUANTUM_WB: Final = PLANCK_J_S / (2.0 * ELEMENTARY_CHARGE_C)
"""Superconducting flux quantum h/2e (written Phi0 in units), 2.067833848...e-15 Wb."""
MAGNETIC_CONSTANT_N_A2: Final = 1.25663706127e-6
BOHR_MAGNETON_A_M2: Final = 9.2740100657e-24
