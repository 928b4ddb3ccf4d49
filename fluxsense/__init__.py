"""fluxsense: from transmission sweeps to the orientation of a weak magnetic source.

The names below are imported when first used, so that a command that needs little starts fast.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_WHERE = {
    "read_study": "fluxsense.study",
    "load_campaign": "fluxsense.data.campaign",
    "load_screened": "fluxsense.data.campaign",
    "orient": "fluxsense.infer.orient",
    "overview": "fluxsense.overview",
    "draw_truth": "fluxsense.simulate",
    "simulate_digest": "fluxsense.simulate",
    "write_campaign": "fluxsense.simulate",
    "write_report": "fluxsense.report.page",
}

__all__ = ["__version__", *_WHERE]

if TYPE_CHECKING:
    from fluxsense.data.campaign import load_campaign as load_campaign
    from fluxsense.data.campaign import load_screened as load_screened
    from fluxsense.infer.orient import orient as orient
    from fluxsense.overview import overview as overview
    from fluxsense.report.page import write_report as write_report
    from fluxsense.simulate import draw_truth as draw_truth
    from fluxsense.simulate import simulate_digest as simulate_digest
    from fluxsense.simulate import write_campaign as write_campaign
    from fluxsense.study import read_study as read_study


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        return getattr(import_module(_WHERE[name]), name)
    raise AttributeError(f"module 'fluxsense' has no attribute {name!r}")
