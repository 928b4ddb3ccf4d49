"""The study: what its file may say (`types`, with the table of each section's fields), reader and writer.

What belongs here: dataclasses, fields, bounds, default uncertainties, TOML in and out.  What does not: geometry as a whole,
physics, anything that needs numpy.
"""

from fluxsense.study.fields import Uncertain
from fluxsense.study.read import FORMAT_VERSION, MAX_STUDY_BYTES, read_root, read_study, read_tree, study_of_tree
from fluxsense.study.table import MAX_NAME, Table, Vector
from fluxsense.study.types import (
    BiasLine,
    Chip,
    Coil,
    Data,
    DirectionPrior,
    Isolator,
    KeepOut,
    LayoutRules,
    Limits,
    Loop,
    Noise,
    Plan,
    Sampling,
    Setting,
    Setup,
    Source,
    Stage,
    State,
    Study,
    SweepRange,
    TraceForm,
)

__all__ = [
    "FORMAT_VERSION", "MAX_NAME", "MAX_STUDY_BYTES", "BiasLine", "Chip", "Coil", "Data",
    "DirectionPrior", "Isolator", "KeepOut", "LayoutRules", "Limits", "Loop", "Noise", "Plan", "Sampling", "Setting",
    "Setup", "Source", "Stage", "State", "Study", "SweepRange", "Table", "TraceForm", "Uncertain", "Vector", "read_root",
    "read_study", "read_tree", "study_of_tree",
]  # fmt: skip
