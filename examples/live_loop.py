"""A loop that measures what is proposed until it is enough, with a simulated instrument in the place of the laboratory's own.

    python examples/live_loop.py STUDY [--cone DEG] [--seed N]

The truth is drawn from the study's priors; the instrument measures what the model says with the study's noise.  In a laboratory
`measure` would set bias and pump, wait, and return what the analyser gives: frequencies and S-parameters, (F,) and (F, 2, 2).
"""

import argparse

import fluxsense
from fluxsense.live.instrument import SimulatedInstrument
from fluxsense.live.proposal import Costs
from fluxsense.live.stopping import Wanted

parser = argparse.ArgumentParser()
parser.add_argument("study")
parser.add_argument("--cone", type=float, default=2.0, help="half-angle of the 90%% cone that is wanted, in degrees")
parser.add_argument("--seed", type=int, default=1)
asked = parser.parse_args()

study = fluxsense.read_study(asked.study)
truth = fluxsense.draw_truth(study, asked.seed)
instrument = SimulatedInstrument(study, truth.parameters, truth.port_signs, asked.seed)

costs = Costs(study.plan.seconds_per_sweep, settling_s=60.0)
campaign = fluxsense.Live(study, seed=1, wanted=Wanted(cone_deg=asked.cone, seconds=8 * 3600.0), costs=costs)
while campaign.stop is None:
    for proposal in campaign.propose().proposals:
        instrument.wait(proposal.seconds - proposal.repeats * costs.sweep_s)  # settling
        for time_s, sweep in instrument.measure(proposal.key, proposal.repeats):
            campaign.add(proposal.key, sweep, time_s=time_s)
    print(campaign.answer)
