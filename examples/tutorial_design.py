# %% [markdown]
# # Design an experiment before cooling
#
# What would this chip tell about a magnetic grain, at which working points, in how many sweeps, and which sweeps would
# show a mistake in its study? All from the study alone. About a minute, with what the study leaves unstated taken as exact; for a
# real chip leave `unstated = "default"`, which takes longer.

# %%
from pathlib import Path

from fluxsense import check, plan
from fluxsense.jobs.start import start
from fluxsense.report.figures import image_bytes

here = Path("tutorial_design")
path = here / "study.toml"
if not path.exists():
    start(here)
text = path.read_text()
path.write_text(text.replace('unstated = "default"', 'unstated = "exact"', 1))

# %% [markdown]
# ## 1. Is the study possible?
#
# `check` prints the flux of the source in each loop, which way each isolator transmits for each sign, the isolation to
# expect, and what no measurement with these loops could tell.

# %%
checked = check(path)
print("\n".join(checked.lines()[:12]))

# %% [markdown]
# ## 2. A better experiment
#
# `plan` moves bias, pump power and pump frequency within the study's limits, splits the sweeps over the settings and
# says how long a wanted error takes. It proposes; currents and powers are yours to check.

# %%
proposal = plan(path, seed=1, wanted_deg=2)
now, then = proposal.document["error_now"]["mean_deg"], proposal.document["error_proposed"]["mean_deg"]
print(f"expected angular error: {now:.2g} degrees as it is, {then:.2g} with the proposed working points")
seconds = proposal.document["time"]["seconds"]
print("time to 2 degrees:", "out of reach" if seconds is None else f"{seconds:.0f} s")

# %%
for name in ("landscape", "ambiguity"):
    (here / f"{name}.png").write_bytes(image_bytes(proposal.figures[name], "png", 80))
proposal

# %% [markdown]
# ## 3. Sweeps that test the study
#
# Signs of bias currents, axes and heights cannot be seen in any sweep of an unknown source: with all currents reversed
# the answer is the opposite direction, and as "reliable". A few sweeps with a known source show it.

# %%
for said in proposal.document["known_source"]["said"]:
    print(said)
