# %% [markdown]
# # From the sweeps of a fresh chip to a direction
#
# A chip has come back from fabrication. Nobody knows its rings yet, so its study states loops, bias lines and the
# source, and leaves the isolators' numbers out. Three steps lead to a direction: fit the rings, take a campaign, infer.
# The data are invented. About half a minute.

# %%
import shutil
import subprocess
import sys
from pathlib import Path

from fluxsense import orient, simulate
from fluxsense.jobs.characterize import characterize_folder

here = Path("tutorial_direction")
here.mkdir(exist_ok=True)
data = next((p for p in (Path("data_demo"), Path("../data_demo")) if (p / "sweeps").exists()), here / "data")
if not (data / "sweeps").exists():  # away from the repository: the same sweeps, made anew
    script = next(p for p in (Path("demo_sweeps.py"), Path("examples/demo_sweeps.py")) if p.exists())
    subprocess.run([sys.executable, script, data / "sweeps"], check=True)

# %% [markdown]
# ## 1. What the rings are
#
# The log holds a ramp of each bias line with the pump off, then pump powers and frequencies at a few fluxes. From
# those `characterize` fits every ring and isolator with uncertainties, and says what it cannot tell. The command line
# would be `fluxsense characterize data_demo/sweeps/study.toml --out tutorial_direction/fitted`.

# %%
fit, fitted = characterize_folder(data / "sweeps/study.toml", here / "fitted", force=True, report=False)
assert fit.exit_code == 0, fit.verdict.trust
for isolator in fit.document["isolators"]:
    width = isolator["tunable_band_width_hz"] / 1e6
    print(
        f"{isolator['isolator']}: chi-square per value {isolator['chi2_per_value']:.2f}, isolates over {width:.0f} MHz"
    )

# %% [markdown]
# ## 2. A campaign
#
# The fitted study is ready to plan and infer with. Here the campaign is simulated from the true chip, which the
# inference never sees: source out, then source in, at three settings.

# %%
campaign = here / "campaign"
truth = simulate(data / "sweeps/truth_study.toml", campaign, seed=4, force=True).truth
shutil.copy(fitted / "study.toml", campaign / "fitted.toml")

# %% [markdown]
# ## 3. The direction
#
# Everything that the fit left uncertain is carried along. The first line says whether to believe the result; the
# second that nothing has tested the signs and axes of this study, since no known source was measured.

# %%
answer = orient(campaign / "fitted.toml", seed=1, wanted_ess=400)
print(answer)

# %%
(here / "direction.png").write_bytes(answer._repr_png_())
answer

# %% [markdown]
# The truth lies in the 90% region, or it should in nine campaigns of ten:

# %%
vector = truth.parameters["source"][0]
for level, inside in answer.region_contains(vector).items():
    print(f"the truth lies {'in' if inside else 'outside of'} the {100 * level:.0f}% region")
