"""The read-out chain of a study with the files that it names, and what follows from it where the study is silent."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from fluxsense.base.errors import InputError
from fluxsense.data.touchstone import read_sweep
from fluxsense.readout.chain import Chain, check_chain, sweep_seconds, white_noise, with_power_at_chip
from fluxsense.readout.networks import Network
from fluxsense.study import Study, SweepRange

LOOKS = 9
"""Frequencies of a sweep at which a chain's noise is looked at."""


def chain_of(study: Study) -> Chain | None:
    """The read-out chain that a study describes, None if it describes none.

    Parameters
    ----------
    study : Study

    Returns
    -------
    Chain or None

    Raises
    ------
    InputError
        If an element is impossible, a file cannot be read or lies outside the study's folder, or files have different
        reference resistances.
    """
    if study.readout is None:
        return None
    check_chain(study.readout, f"{study.path.name}, readout")
    networks = {}
    resistance: dict[float, str] = {}
    for name in study.readout.files:
        path = study.folder / name
        if not study.allow_outside and not path.resolve().is_relative_to(study.folder.resolve()):
            raise InputError(
                f'the file "{name}" lies outside the study\'s folder',
                where=f"{study.path.name}, readout",
                remedy="Copy it there, or set allow_outside = true under [traces]",
            )
        sweep = read_sweep(path)
        resistance.setdefault(sweep.reference_ohm, name)
        networks[name] = Network(sweep.frequency_hz, sweep.s, name)
    if len(resistance) > 1:
        stated = ", ".join(f"{r:g} ohm ({name})" for r, name in resistance.items())
        raise InputError(
            f"files of the chain have different reference resistances: {stated}",
            where=f"{study.path.name}, readout",
            remedy="Write them anew for one reference resistance",
        )
    return Chain(study.readout, networks)


def looks_hz(sweep: SweepRange) -> list[float]:
    """A few frequencies across a sweep."""
    return [float(f) for f in np.linspace(sweep.start_hz, sweep.stop_hz, LOOKS)]


def unsettled(study: Study) -> Study:
    """The study with what its chain says by itself left to it again: the inverse of `settled`, for writing."""
    chain = chain_of(study)
    if chain is None:
        return study
    noise, plan = study.noise, study.plan
    if math.isclose(noise.white, white_noise(chain, looks_hz(study.sweep)), rel_tol=1e-9):
        noise = replace(noise, white=math.nan)
    if math.isclose(plan.seconds_per_sweep, sweep_seconds(chain.readout, study.sweep.points), rel_tol=1e-9):
        plan = replace(plan, seconds_per_sweep=math.nan)
    return replace(study, noise=noise, plan=plan)


def with_probe_power(study: Study, power_w: float) -> Study:
    """The study with the source power at which so much arrives at the chip, its noise following.

    White noise that the study states, and that is not its chain's, falls with the root of the power.

    Raises
    ------
    InputError
        If the study has no chain, or one that cannot be worked with.
    """
    chain = chain_of(study)
    if chain is None:
        raise InputError("the study has no read-out chain", where=study.path.name, remedy="Add a section [readout]")
    loose = unsettled(study)
    middle = 0.5 * (study.sweep.start_hz + study.sweep.stop_hz)
    moved = with_power_at_chip(chain, middle, power_w).readout
    noise = loose.noise
    if not math.isnan(noise.white):
        noise = replace(noise, white=noise.white * math.sqrt(chain.readout.source_power_w / moved.source_power_w))
    return settled(replace(loose, readout=moved, noise=noise))


def settled(study: Study) -> Study:
    """The study with white noise and duration of a sweep from its chain where it does not state them.

    Raises
    ------
    InputError
        If the chain cannot be worked with (`chain_of`).
    """
    noise, plan = study.noise, study.plan
    if not (math.isnan(noise.white) or math.isnan(plan.seconds_per_sweep)):
        return study
    chain = chain_of(study)
    if chain is None:
        return study
    if math.isnan(noise.white):
        noise = replace(noise, white=white_noise(chain, looks_hz(study.sweep)))
    if math.isnan(plan.seconds_per_sweep):
        plan = replace(plan, seconds_per_sweep=sweep_seconds(chain.readout, study.sweep.points))
    return replace(study, noise=noise, plan=plan)
