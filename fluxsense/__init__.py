"""fluxsense: from transmission sweeps to the orientation of a weak magnetic source."""

__version__ = "0.1.0"
