"""A figure fit for a paper: the posterior on the sphere, as vector graphics.

    python examples/paper_figure.py [STUDY] [--out FILE] [--quick]

STUDY is a study file beside its log and traces; by default the invented corner of data_demo. The truth that `simulate`
left beside the traces is marked if it is there.
"""

import argparse
from pathlib import Path

import fluxsense
from fluxsense.jobs.page import shown
from fluxsense.jobs.simulate import read_truth_source
from fluxsense.report.figures import sphere_map
from fluxsense.report.views import known_source

parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
parser.add_argument("study", nargs="?", default=Path(__file__).parents[1] / "data_demo/corner/study.toml")
parser.add_argument("--out", type=Path, default=Path("posterior.pdf"), help="its ending decides the format")
parser.add_argument("--quick", action="store_true", help="fewer effective samples")
options = parser.parse_args()

study = fluxsense.read_study(options.study)
digest = fluxsense.load_campaign(study)
result = fluxsense.orient(study, digest, seed=1, wanted_ess=300 if options.quick else None)
truth_file = study.log.parent / "truth.toml"
truth = known_source(read_truth_source(truth_file, study)) if truth_file.exists() else None

figure = sphere_map(shown(result), truth)
figure.savefig(options.out, metadata={"Title": study.title})
print(result)
print(f"Wrote {options.out}")
