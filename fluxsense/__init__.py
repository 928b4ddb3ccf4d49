"""fluxsense: from transmission sweeps to the orientation of a weak magnetic source.

The names below are imported when first used, so that a command that needs little starts fast.  Those of the commands
(``check``, ``simulate``, ``characterize``, ``orient``, ``follow``, ``detect``, ``plan``, ``layout``) take a study or its path and give a
result (``compare`` takes two results): ``print(result)``, ``result.document``, ``result.verdict``; in a notebook it shows itself.
"""

from __future__ import annotations

import sys
from difflib import get_close_matches
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_WHERE = {
    "read_study": "fluxsense.study",
    "load_campaign": "fluxsense.data.campaign",
    "load_screened": "fluxsense.data.campaign",
    "check": "fluxsense.jobs.check",
    "simulate": "fluxsense.jobs.simulate",
    "draw_truth": "fluxsense.jobs.simulate",
    "simulate_digest": "fluxsense.jobs.simulate",
    "write_campaign": "fluxsense.jobs.simulate",
    "characterize": "fluxsense.jobs.characterize",
    "orient": "fluxsense.jobs.orient",
    "orient_each": "fluxsense.jobs.orient",
    "follow": "fluxsense.jobs.follow",
    "Live": "fluxsense.live.campaign",
    "write_report": "fluxsense.jobs.page",
    "detect": "fluxsense.jobs.detect",
    "compare": "fluxsense.jobs.compare",
    "plan": "fluxsense.jobs.plan",
    "layout": "fluxsense.jobs.layout",
}

__all__ = ["__version__", *_WHERE]

if TYPE_CHECKING:
    from fluxsense.data.campaign import load_campaign as load_campaign
    from fluxsense.data.campaign import load_screened as load_screened
    from fluxsense.jobs.characterize import characterize as characterize
    from fluxsense.jobs.check import check as check
    from fluxsense.jobs.compare import compare as compare
    from fluxsense.jobs.detect import detect as detect
    from fluxsense.jobs.follow import follow as follow
    from fluxsense.jobs.layout import layout as layout
    from fluxsense.jobs.orient import orient as orient
    from fluxsense.jobs.orient import orient_each as orient_each
    from fluxsense.jobs.page import write_report as write_report
    from fluxsense.jobs.plan import plan as plan
    from fluxsense.jobs.simulate import draw_truth as draw_truth
    from fluxsense.jobs.simulate import simulate as simulate
    from fluxsense.jobs.simulate import simulate_digest as simulate_digest
    from fluxsense.jobs.simulate import write_campaign as write_campaign
    from fluxsense.live.campaign import Live as Live
    from fluxsense.study import read_study as read_study


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        return getattr(import_module(_WHERE[name]), name)
    near = get_close_matches(name, __all__, 1)
    guess = f"; did you mean {near[0]!r}?" if near and not name.startswith("_") else ""
    raise AttributeError(f"module 'fluxsense' has no attribute {name!r}{guess}")


def __dir__() -> list[str]:
    return [*__all__]


class _Package(ModuleType):
    """The package, in which the job `characterize` hides the folder of that name; imports find the folder all the same."""

    @property
    def characterize(self) -> Any:
        return __getattr__("characterize")

    @characterize.setter
    def characterize(self, folder: ModuleType) -> None:
        """Take no notice of the folder, which an import wants to put here."""


sys.modules[__name__].__class__ = _Package
