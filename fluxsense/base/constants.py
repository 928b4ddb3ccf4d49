"""Physical constants in SI units.

The SI fixes h and e exactly (SI Brochure, 9th edition), hence also the flux
quantum.  The magnetic constant is measured; CODATA 2022 gives
1.25663706127(20)e-6 N/A^2.
"""

from typing import Final

PLANCK_J_S: Final = 6.62607015e-34
ELEMENTARY_CHARGE_C: Final = 1.602176634e-19
FLUX_QUANTUM_WB: Final = PLANCK_J_S / (2.0 * ELEMENTARY_CHARGE_C)
"""Superconducting flux quantum h/2e (written Phi0 in units), 2.067833848...e-15 Wb."""
MAGNETIC_CONSTANT_N_A2: Final = 1.25663706127e-6
