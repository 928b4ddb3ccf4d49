"""The main job from Python: traces in, direction and report out.

    python examples/main_job.py [STUDY] [--out DIR] [--quick]

STUDY is a study file beside its log and traces; by default the invented grain of data_demo.
"""

import argparse
from pathlib import Path

import fluxsense

parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
parser.add_argument("study", nargs="?", default=Path(__file__).parents[1] / "data_demo/grain/study.toml")
parser.add_argument("--out", type=Path, default=Path("main_job_results"))
parser.add_argument("--quick", action="store_true", help="fewer effective samples")
options = parser.parse_args()

study = fluxsense.read_study(options.study)
digest = fluxsense.load_campaign(study)
result = fluxsense.orient(study, digest, seed=1, wanted_ess=300 if options.quick else None)
print(result)
options.out.mkdir(parents=True, exist_ok=True)
fluxsense.write_report(options.out / "report.html", result)
