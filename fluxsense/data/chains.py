"""The read-out chain of a study with the files that it names, and what follows from it where the study is silent."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from fluxsense.base.errors import InputError
from fluxsense.data.touchstone import read_sweep
from fluxsense.readout.chain import Chain, check_chain, sweep_seconds, white_noise
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
