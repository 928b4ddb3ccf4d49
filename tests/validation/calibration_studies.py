"""Invented studies for the calibration of every kind of inference, small so that hundreds of campaigns can be inferred.

Each study has a few unknowns of every sort that its kind knows; see `tests/validation/calibration.py`.
"""

from __future__ import annotations

from pathlib import Path

from small_study import study_text

from fluxsense.study import Study, read_study

KINDS = ("complex", "magnitude", "direction", "dipole")

_ONE_SETTING = {"fluxes": ((0.5, 0.45, 0.5, -0.45),), "ports": (1,), "wiring": "+90 deg", "points": 21, "repeats": 4}
_SAMPLING = "wanted_ess = 400\nensembles = 2\nwalkers = 40\n"


def _dipole_text() -> str:
    """Four loops of one chip about a dipole whose place is known to 0.4 um, and noisy traces."""
    text = study_text(chips=("chip_z",) * 4, **_ONE_SETTING)  # type: ignore[arg-type]
    text = text.replace(
        'kind = "uniform_field"\nsize = "1.0 uT"\n',
        'kind = "dipole"\nposition = ["1 um", "2 um", "14 um"]\nposition_sd = ["0.4 um", "0.4 um", "0.4 um"]\nsize = "40 fA m^2"\n',
    )
    text = text.replace("white = 0.01", "white = 0.05")
    for n, place in enumerate((("14", "2"), ("-3", "15"), ("-14", "-2"), ("4", "-16"))):
        text = text.replace(
            f'center = ["{100 * n} um", "0 um"]\nside = "20.0 um"',
            f'center = ["{place[0]} um", "{place[1]} um"]\nside = "9 um"',
        )
    return text


def calibration_text(kind: str) -> str:
    """The study of a kind as TOML."""
    if kind == "complex":
        text = study_text(strength_sd=0.02, phase_sd_deg=2.0, flux_noise_mphi0=0.5, **_ONE_SETTING)  # type: ignore[arg-type]
    elif kind == "magnitude":
        text = study_text(strength_sd=0.02, flux_noise_mphi0=0.5, **_ONE_SETTING)  # type: ignore[arg-type]
        text += '\n[data]\nkind = "magnitude"\n'
    elif kind == "direction":
        steps = (-0.1, 0.0, 0.1)
        text = study_text(
            fluxes=[(0.5, a, 0.5, a) for a in steps] + [(a, 0.5, a, 0.5) for a in steps],
            ports=(1,) * 6,
            wiring="+90 deg",
            repeats=20,
            flux_noise_mphi0=40.0,
        )
        text += '\n[data]\nkind = "direction"\nwrong_way = 0.03\nwrong_way_factor = 1.5\n'
    else:
        text = _dipole_text()
    head, _, tail = text.partition("[sampling]\n")
    rest = tail.split("\n\n", 1)
    return head + "[sampling]\n" + _SAMPLING + ("\n" + rest[1] if len(rest) > 1 else "")


def calibration_study(kind: str, folder: Path) -> Study:
    """The study of a kind, written to ``folder`` and read back."""
    path = folder / f"{kind}.toml"
    path.write_text(calibration_text(kind), encoding="utf-8")
    return read_study(path)
