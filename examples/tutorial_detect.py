# %% [markdown]
# # Is there a source at all?
#
# A weak source is not a direction with a wide error: first comes the question whether there is one. What could this
# experiment see, and what is said where there is nothing? The data are invented. About a minute.

# %%
from pathlib import Path

from fluxsense import detect, orient, simulate
from fluxsense.jobs.start import start

here = Path("tutorial_detect")
study = here / "study.toml"
if not study.exists():
    start(here)

# %% [markdown]
# ## 1. What the experiment can see
#
# Before any data, `detect` speaks of the experiment as planned: which sources it would find with 90% probability at 1%
# false alarms, how that falls with repeats, and how far apart two directions must be.

# %%
planned = detect(study, seed=1, simulations=0, planned=True)
print("\n".join(planned.lines()))

# %% [markdown]
# ## 2. A campaign with nothing there
#
# A truth file states what the simulator puts in; nothing infers from it.

# %%
empty = here / "empty"
(here / "truth.toml").write_text('[source]\nazimuth = "40 deg"\nelevation = "25 deg"\nsize = "0 fA m^2"\n')
simulate(study, empty, seed=5, truth=here / "truth.toml", force=True)

# %% [markdown]
# ## 3. What `orient` says
#
# Where the Bayes factor speaks for no source, the first sentence names no direction, only how large a source could be.
# The second says what the coil of this study shows: signs, axes and places are right, so it is not they that hide it.

# %%
answer = orient(empty / "study.toml", seed=1, wanted_ess=200)
print("\n".join(answer.lines()[:2]))
(here / "empty.png").write_bytes(answer._repr_png_())
