"""Findings as sentences: the one place where what was found out is put into words."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from fluxsense.base.findings import Finding
from fluxsense.base.units import OWN_UNIT, dimension_of, format_quantity
from fluxsense.report.words import odds_text

MOST_FILES = 6
"""Files named in one sentence."""

CAUSES: dict[str, tuple[str, str]] = {
    "line_end": (
        "Reflections at the ends of the lines are larger",
        "A reflection trace (S11 and S22) of a tuned-away device shows them; state their return loss.",
    ),
    "direct_path": (
        "A path beside the device is stronger",
        "A sweep with both modes tuned out of the band shows it; state its level.",
    ),
    "line_mixing": (
        "Isolators on one line talk more to each other",
        "Sweep one at the other's frequencies with both pumps off; state [[readout.cross_talk]].",
    ),
    "pump_shift_factor": (
        "The pump moves the modes otherwise",
        "Sweep at several pump powers with the pump on, and state the factor.",
    ),
    "pump_port_imbalance_db": (
        "The pump divides less evenly",
        "Sweep with each pump port, and state the imbalance of the pump hybrid.",
    ),
    "pump_port_phase_rad": (
        "The pump's phases at the two converters are further off",
        "Sweep with each pump port, and state the phase error of the pump hybrid.",
    ),
    "hybrid_imbalance_db": ("The signal hybrid divides less evenly", "Reflection traces tell; state its imbalance."),
    "hybrid_phase_error_rad": (
        "The signal hybrid's phase is further off",
        "Reflection traces tell; state its phase error.",
    ),
    "hybrid_loss_db": ("The signal hybrid loses more", "State its loss as its maker or a test measured it."),
    "arm_phase_rad": (
        "The arms between hybrid and converters are less alike",
        "Reflection traces tell; state their difference in length.",
    ),
    "arm_loss_db": (
        "The arms between hybrid and converters lose less alike",
        "Reflection traces tell; state their difference in loss.",
    ),
    "analyser_offset_hz": ("The analyser's frequencies are further off", "Lock its reference to the pump's."),
    "if_smoothing": ("The sweep smooths more", "Sweep more slowly, or with a wider IF bandwidth."),
    "mode_change_hz": (
        "The modes move further from cooldown to cooldown",
        "Characterize the chip in each cooldown, or take one cooldown by itself.",
    ),
    "mutual_phi0_per_a": (
        "A bias line acts otherwise on a loop",
        "Sweep each bias current alone, or characterize the chip.",
    ),
    "static_flux_phi0": (
        "Flux in a loop differs more from bias to bias",
        "Repeat a bias after the others: it may drift or jump with the bias.",
    ),
    "offset_phi0": ("A loop's flux offset is larger", "Look for trapped flux; a second cooldown changes it."),
    "pump_strength": ("The pump is stronger or weaker", "Check its level at the chip; characterize the chip."),
    "chip_tilt_rad": (
        "A chip is tilted further",
        "Measure the angles between the chips, or apply a known uniform field.",
    ),
    "turn_error_rad": (
        "The source is turned by another angle",
        "Measure the angle of the turn, or turn a source of known orientation.",
    ),
    "flux_focusing": ("A loop gathers the source's flux otherwise", "Apply a known uniform field from a coil."),
}
"""Kinds of eliminated numbers beyond their priors, by the model's array: what is the matter, and what to measure next."""
_ELSE = ("Numbers of the chip are further off", "Characterize the chip, or widen what the study says of them.")

MISTAKE_KINDS = {
    "all signs": "the sign of all bias currents together",
    "some signs": "the sign of some bias currents",
    "exchanged states": "source in and source out exchanged",
    "exchanged axes": "x and y of the loops exchanged",
    "exchanged isolators": "the loops of two isolators exchanged",
    "exchanged loops": "two loops exchanged whose fluxes are alike",
    "other side": "below for above the chip",
}
"""What a known source tests, by the codes of the mistakes."""

SENTENCES: dict[str, str] = {
    # ---- words that come from elsewhere as they are
    "said": "{text}",
    # ---- verdicts without a doubt
    "sound posterior": "The ensembles agree, the chains are long enough, and the data look like draws of the model.",
    "sound evidence": "Both routes to each evidence agree within their errors.",
    "sound plan of detection": "The approximation holds for weak sources; its rates are measured by simulation beside it.",
    "sound study": "The study can be read, and its geometry is possible.",
    "sound simulation": "The campaign is what the study plans, with the truth that stands beside it.",
    "sound characterization": "Every isolator's sweeps are described within noise, and its ring kind and wiring are decided.",
    "rings that flip": "The rings of {of_loops} have no shunts and no branch is stated for them, so that they flip at half a flux "
    "quantum: the search looks on both sides of each flip. orient takes about four times as long as with shunted rings, minutes "
    "for several isolators; state their branch if they were held in one.",
    "sound comparison": "Both results are reliable, and their draws are enough for the odds.",
    "tentative result compared": "The {which} result is tentative, and so is what is made of it.",
    "few draws compared": "Only {count:.0f} independent draws stand behind the odds. Run orient with more --effective.",
    "rough comparison": "A log Bayes factor is known to {sd:.2g} only. Run orient with more --effective.",
    "sound prediction": "The angular errors predicted are small enough for the normal approximation behind them.",
    "sound live answer": "The draws still describe the posterior, and the data look like the model.",
    # ---- while a campaign is measured
    "live: waiting": "Waiting for {missing}.",
    "live: refused": "A full run could not be made: {why}",
    "live: other unknowns": "Isolators or cooldowns have come since the last full run; their sweeps count from the next one on.",
    "live: few draws": "The answer rests on {effective:.0f} effective draws; a full run is due.",
    "live: few repeats": "The noise of isolator {isolator} rests on {freedom} sweeps beyond the first of their kind, and is taken as exact: "
    "cone and regions may be too small until there are {enough}; measure the same again.",
    "live: misfit": "The data lie {sd:.1f} standard deviations further from the model than its noise makes them: something is not "
    "as the study says, or has changed.",
    "live: as of the last full run": "At the last full run: {text}",
    # ---- what to measure next, and when to stop
    "proposal: nothing": "No sweep that may be set would make the error smaller.",
    "proposal: wait": "Go on as before: the next proposal comes with the first answer.",
    "proposal: begin": "To begin with: {what}, and the others of this round.",
    "proposal: angle": "Next: {what}. The round of {count} takes {minutes:.3g} min, and brings the expected error from {now:.3g} to {then:.3g} "
    "degrees: {times:.3g} times as much per second as the study's settings repeated as they are.",
    "proposal: modes": "Next: {what}. It tells the directions apart that are left: the round of {count} takes {minutes:.3g} min, and brings "
    "their squared distance from {now:.3g} to {then:.3g} in units of noise, {times:.3g} times as much per second as the study's settings repeated "
    "as they are.",
    "stop: cone": "Enough: the 90% cone is within the wanted {wanted:.3g} degrees.",
    "stop: source": "Enough: there is a source; the rate of false alarms is {rate:.2g} at most, whenever one looks.",
    "stop: no source": "Enough: the data speak for no source of the stated size; over the prior one is missed at a rate of {rate:.2g} at most.",
    "stop: time": "The time limit of {minutes:.3g} min is reached.",
    "stop: out of reach": "A cone of {wanted:.3g} degrees cannot be reached: no end of repeats would get below {endless:.3g} degrees, because of "
    "the {kind}; with exact knowledge of that it would be {then:.3g}.",
    "stop: floor": "A cone of {wanted:.3g} degrees cannot be reached: repeats without end would end at {endless:.3g} degrees, by what does not "
    "average down: what the model leaves out, numbers of the chip that only a calibration would tell.",
    # ---- do the data look like the model?
    "misfit of traces": "The data do not look like draws of the model (misfit {chi_square:.0f} for {degrees:.0f} expected, "
    "probability {probability:.1g} {figure}; worst: {worst}). Check that the traces belong to this chip, that its parameters are right, "
    "and that no flux jump or interference lies within a group or the pump-off sweeps that it is divided by.",
    "misfit of loud traces": "The data do not look like draws of the model either (misfit {chi_square:.0f} for {degrees:.0f} expected, "
    "probability {probability:.1g} {figure}; worst: {worst}), as ratios of means with so much noise would not: nothing follows from that for the "
    "chip or the traces.",
    "misfit of counts": "The data do not look like draws of the model (misfit {chi_square:.0f} for {degrees:.0f} expected, "
    "probability {probability:.1g} {figure}; worst: {worst}). Check the wiring, the bias currents and the stated rate of wrong readings.",
    "not sampled on": "The best fit does not describe the data: sampling was cut short, since nothing could rest on it.",
    "no candidate fits": "None of the {listed} candidate directions describes the data: the true one may not be in the list, or the chip is "
    'not as stated. With direction_prior = "sphere" it shows which. Sampling was cut short, since nothing could rest on it.',
    "not as stated": "The data look as if {name} were not what the study says (probability {probability:.1g}); freeing what does "
    "not fit would move the direction by up to {shift_sd:.2g} standard deviations. Characterize it again, state its uncertainty, "
    "or look at those sweeps.",
    "not as stated, of candidates": "The data look as if {name} were not what the study says (probability {probability:.1g}); "
    "freeing what does not fit could change the choice. Characterize it again, state its uncertainty, or look at those sweeps.",
    "conflict with prior": "The data put {name} {sd:.1f} standard deviations from where the study states it (probability "
    "{probability:.1g}). Either that statement is too narrow, or another one is wrong and this takes its place.",
    # ---- does a known source come out as the study says?
    "study alone": "Signs, axes and places rest on the study alone: no sweeps with a known source test them. "
    "`fluxsense plan` proposes the fewest.",
    "known source as stated": "Sweeps with a known source ({states}), taken as if it were unknown, come out as the study says: "
    "signs, axes, order and places of the loops, and {strength:.3g} +- {strength_sd:.2g} of its strength.",
    "known source leaves open": "They do not rule out that {mistakes}.",
    "known source, mistake": "Sweeps with a known source ({states}) look as if {mistakes} ({odds} against the study as it stands). "
    "Mend the study or the log, then run it again.",
    "known source unexplained": "Sweeps with a known source ({states}) do not show its flux ({odds} against the study as it "
    "stands), and none of the usual mistakes explains what they show. Check its geometry and current, and which sweeps are logged "
    "as taken with it.",
    "known source new": 'Nothing in the study tests these. The proposed study has a known source and a state "{state}" for it. '
    "The shortest test: {sweeps} sweeps ({minutes:.2g} min) in it, {repeats} with the pump on at {at} and as many with it off at each bias, "
    "leave odds of {odds} or more against each mistake looked for.",
    "known source there": 'The state "{state}" tests these. '
    "The shortest test: {sweeps} sweeps ({minutes:.2g} min) in it, {repeats} with the pump on at {at} and as many with it off at each bias, "
    "leave odds of {odds} or more against each mistake looked for.",
    "known source would leave open": "It cannot tell: {kinds}.",
    "all signs": "all bias currents or mutual inductances, or the known source's current, had the other sign",
    "some signs": "the bias of {of_loops} had the other sign",
    "exchanged states": 'states "{first}" and "{second}" were exchanged',
    "exchanged axes": "x and y of the loops were exchanged",
    "exchanged isolators": 'the loops of isolators "{first}" and "{second}" were exchanged',
    "exchanged loops": "loops {first} and {second} were exchanged",
    "other side": "what the study puts above the chip lay below it, or the other way round",
    "other strength": "the flux of the known source were {strength:.3g} times as large as stated",
    "other place": "the known source lay {moved_um} um from where the study puts it",
    # ---- sampling
    "sampling stopped: time": "Sampling ended early: the time limit was reached. On the command line, the same command goes on "
    "from there.",
    "sampling stopped: interrupted": "Sampling ended early: it was interrupted. On the command line, the same command goes on "
    "from there.",
    "reduction error": "The reduced likelihood is off by {error:.2g} in log-likelihood at some posterior point.",
    "at a bound": "{percent:.0f}% of the draws lie against the bound of the prior of {name}: the data may want a value beyond "
    "it. Widen that prior, or find out what the data disagree with.",
    "sampling against quadrature": "Sampling and quadrature disagree: their means of the source differ by {shift_sd:.2g} "
    "standard deviations.",
    "few evidence draws": "The evidence rests on fewer than {fewest:.0f} effective draws; do not quote the Bayes factor.",
    # ---- sweeps unlike their repeats
    "much left out": "{percent:.0f}% of the sweeps of some group do not look like the rest: which half is right cannot be told. "
    "Look at that group's sweeps in the order of time.",
    "sweeps left out": "{count} of {all} sweeps do not look like their repeats and were left out: {files}. A jump of trapped "
    "flux, a wrong setting or interference can be the cause.",
    "traces of no use": "{count} of {all} traces could not be used and were left out: {files}. Measure them again, or take them "
    "out of the log.",
    "strange sweeps kept": "Sweeps unlike their repeats, of which there are too few to leave any out: {files}. Look at these "
    "first; with {repeats} repeats or more such a sweep is left out.",
    # ---- what the data leave open
    "two opposite directions": "The data leave two opposite directions, with weights {first:.2f} and {second:.2f}: the axis is determined, the "
    "sense along it is not.",
    "several directions": "The data leave {count} separate directions, with weights {weights}: see the table of modes.",
    "rank zero": "No loop takes flux from the {noun}: nothing can be inferred. Move the source or the loops.",
    "rank one": "The flux map has rank one: all loops see the same component of the {noun}, along {axis}; only that component is "
    "determined, the other two are left to the prior. Loops on a chip at another angle, or sweeps with the source turned by a "
    "known rotation, would determine them.",
    "rank two": "The flux map has rank two: the component of the {noun} along {axis} gives no flux in any loop and is left to the "
    "prior. A loop at another angle or place, or sweeps with the source turned by a known rotation, would determine it.",
    "no reference": "There is no reference state: without sweeps with the source out (or turned by a known rotation) the flux "
    "offsets of the loops, known only to {offset_mphi0:.3g} mPhi0, cannot be told from the source's flux (about {flux_mphi0:.3g} "
    "mPhi0 for a source of the stated size), and blur its direction by about {blur_deg:.2g} degrees.",
    "no reference, measured": "There is no reference state: without sweeps with the source out (or turned by a known rotation) "
    "the flux offsets of the loops, known only to {offset_mphi0:.3g} mPhi0, cannot be told from the source's flux (about "
    "{flux_mphi0:.3g} mPhi0 for a source of the stated size), and blur its direction by about {blur_deg:.2g} degrees. They "
    "{verb} the error: {now_deg:.2g} degrees as it is, {then_deg:.2g} degrees with as many sweeps again taken with the source out.",
    "extent unstated": "The study does not say how far the source reaches across: {extent_um:.2g} um is taken, half of its "
    "distance to the nearest wire. State source.extent if it is less; the answer becomes narrower.",
    "extent unstated, measured": "The study does not say how far the source reaches across: {extent_um:.2g} um is taken, half of "
    "its distance to the nearest wire. The error is {now_deg:.2g} degrees with that, and {then_deg:.2g} degrees for a point: state "
    "source.extent if it is less.",
    "zero bias": "Every loop is at zero bias: the traces depend on the fluxes' signs only through their products, so a source and "
    "its reverse give the same data and only the axis is determined. A setting that biases at least one loop to about half a "
    "flux quantum (a current in its bias line) would decide between the two ends.",
    "limit": "What limits the answer most: the {kind}. The error is {now_deg:.2g} degrees as it is, and would be {then_deg:.2g} "
    "degrees with exact knowledge of that.",
    "not in turns": "The sweeps with the source out and those with it in were not taken in turns: {percent:.0f}% of what the flux in "
    "a loop wanders ({flux} over the campaign, as far as the data and the study say) passes for flux of the source, and the answer "
    "is wider for it. In turns it would be {interleaved_percent:.0f}%.",
    "wanders within sweeps": "Repeats differ by what is smooth along a sweep, {percent:.2g}% and {phase_deg:.2g} degrees (an amplifier's "
    "gain, a cable, a standing wave): counted as noise, by what the repeats show of it. Faster or more sweeps make it smaller.",
    "beyond prior": "{cause} than stated or assumed: the data put {name} and its like {times:.1f} times as far out as that allows "
    "(probability {probability:.1g}). {measure_next}",
    "beyond prior, bent": "{cause} than stated or assumed: the data put {name} and its like {times:.1f} times as far out as that "
    "allows (probability {probability:.1g}). So far out the model bends, and other values may fit as well, with another "
    "direction: state what is true of it. {measure_next}",
    "rests on": "The answer rests most on the {name}: were it off by one standard deviation ({quantity}), the direction "
    "would move by {move_deg:.2g} degrees, and the data would not show it.",
    "not linear": "The answer treats the {name} and others as acting in proportion, which does not hold over what the data leave "
    "open (the direction would move by {shift_sd:.2g} standard deviations). State it more closely, or "
    "characterize it.",
    "wiring contradicted": 'The sweeps contradict the stated wiring of isolator "{isolator}" (log odds {log_odds:.0f}): pump ports '
    "1 and 2 may be exchanged.",
    "gain errors": "The traces show gain errors of about {found_percent:.2g}% between settings, more than the study states "
    "({stated_percent:.2g}%); the larger figure was used.",
    "unseen jump": "A jump of {flux} in loop {loop} between the sweeps with the source out and those with it in would move the "
    "direction by {shift_sd:.1f} standard deviations and not be seen. Reference sweeps after the others as well, or more loops, "
    "would show it.",
    "unseen companion": "A flux of {flux} in loop {loop} that comes and goes with the source (a shield that moves, the current of a stage) "
    "would move the direction by {shift_sd:.1f} standard deviations and not be seen. Sweeps with all but the source in place, or more "
    "loops, would show it.",
    "unanimous": "Every group of sweeps went one way without exception, so the data only bound the fluxes. Biases nearer to the "
    "flux at which the direction flips would say more.",
    "little isolation": "{places}: {isolation_db:.1f} dB of isolation at most; a working isolator has {enough_db:g} dB or more (common "
    "practice).{why}",
    "why: beside the modes": "The sweep from {start_ghz:.4g} to {stop_ghz:.4g} GHz lies beside the signal modes at {mode_ghz:.4g} GHz: "
    "correct [sweep] or the modes' frequencies.",
    "why: pump beside": "The pump at {pump_ghz:.4g} GHz does not join signal and idler, which are {matched_ghz:.4g} GHz apart: correct "
    'pump_frequency, or leave it "matched".',
    "why: no flux": "There is next to no flux in loop {loop} ({flux}), and so no coupling: check the bias currents, and the unit of "
    "the mutual inductances.",
    "why: power": "The pump is {level_db:+.0f} dB from reference_power, at which the couplings hold: check both.",
    "why: coupling": "The coupling of stage {stage} is {rho:.2g} times half of the geometric mean of its linewidths, where 0.41 splits "
    "half and half: check the units of the three.",
    "why: loss": "Stage {stage} loses as much inside as it gives to the line: check signal_internal_loss and signal_linewidth.",
    # ---- numbers that cannot be meant
    "source too strong": "{source} puts {flux} into loop {loop}: no ring follows that. Check the unit of its size or field, its place, and "
    "the loop's extent.",
    "source strong": "A source of the stated size puts {flux} into loop {loop}, where the ring's response turns round: several directions "
    "and sizes may fit alike.",
    "source too weak": "A source of the stated size puts {flux} at most into a loop ({loop}), less than any campaign sees. Check the unit of "
    "its size, its distance, and the loops' extents.",
    "extent beyond wire": "A source {extent_um:.3g} um across whose centre is {away_um:.3g} um from the nearest wire reaches through it. Check "
    "source.extent and source.position.",
    "place unknown": "The place of the source is known to {spread_um:.3g} um only, {away_um:.3g} um from the nearest wire: it may lie on "
    "either side of it. Check the unit of position_sd, or find the place first.",
    "noise near the signal": "The noise ({white:.3g} per point) stays at {percent:.0f}% of the signal in the mean of {repeats} sweeps with the "
    "pump off, by which the others are divided: a ratio of such means is not normal, and regions and verdict would not hold. Take {enough} "
    "sweeps, or average in the analyser.",
    "much flux noise": "Flux noise of {flux} from sweep to sweep carries the rings over much of their response: sweeps are blurred rather than "
    "scattered, which the model does not follow. Check its unit.",
    "turns alone": "All states ({states}) hold the source: what it does alike in all of them, as its part along the axis of a turn does, "
    "cannot be told from trapped flux, known to {offset_mphi0:.3g} mPhi0 only. Take sweeps with the source out as well.",
    "no source planned": '[plan] takes the states {states} only, and so never the source: add a state of kind "in" or "turned".',
    "setting twice": 'Settings "{first}" and "{second}" are the same: take more repeats of one of them instead.',
    # ---- what a planned experiment cannot tell apart
    "not told apart": "A source along {truth} would not be told from {image} (expected log odds {log_odds:.2g}; {enough:g} is 20 "
    "to 1). {remedies}",
    "candidates not told apart": "Candidates {first} and {second} would not be told apart (expected log odds {log_odds:.2g}; "
    "{enough:g} is 20 to 1). {remedies}",
    "dipole in the loops' plane": "The dipole lies in the plane of all loops: only its component normal to that plane gives flux. "
    "A loop at another height or angle would determine the others.",
    "determined": "Best determined along {best}, to {best_percent:.2g}% of the stated size; worst along {worst}, to "
    "{worst_percent:.2g}%.",
    "of the log": "{where}: {what}. {remedy}.",
    "slip: conjugated": "The sweeps of {isolators} look like the complex conjugates of what the study predicts: their phases run "
    "the wrong way. Export them as the analyser shows them (e^(+jwt)), and conjugate nothing on the way.",
    "slip: on and off": "In the sweeps of {isolators} pump on and pump off look exchanged. Check the column pump of the log against "
    "the traces.",
    "slip: ports": "In the sweeps of {isolators} ports 1 and 2 look exchanged, of the pump or of the analyser. Check the cables, and "
    "pump_port_1_phase in the study.",
    "slip: decibels": "The traces of {isolators} look like decibels and degrees under an option line that says real and imaginary "
    "part. Write DB in the option line.",
    "slip: magnitudes": "The traces of {isolators} look like magnitudes and degrees under an option line that says real and imaginary "
    "part. Write MA in the option line.",
    "slip: power": "The sweeps of {isolators} look as if the pump were {level_db:+.0f} dB from what the log says: dBm, dBW, W and mW "
    "are such steps apart. Check the column pump_power_dbm, reference_power in the study, and the attenuation between them.",
    "slip: isolators": 'The sweeps of isolators "{first}" and "{second}" look exchanged: each fits the other. Check the column '
    "isolator of the log.",
    "slip: states": "The sweeps of {isolators} with the source in look like those without it, and those without it do not: in and out look "
    "exchanged. Check the column state of the log.",
    "slip: no conversion": "The sweeps of {isolators} with the pump on are alike both ways, as if it converted nothing. Check that the "
    "pump is on and reaches them, and its frequency, there and in the log; or leave their rows out of the log.",
    "slip: no conversion in a setting": 'The sweeps of setting {settings} of isolator "{isolator}" with the pump on are alike both '
    "ways, as if it converted nothing; those of its other settings are not. Check that the pump was on, and its frequency, there and in "
    "the log; or leave their rows out of the log.",
    "slip: port of a setting": 'The sweeps of setting {settings} of isolator "{isolator}" look as if the pump had entered by the other '
    "port, or the current of one of its rings had the other sign, and those of its other settings do not. Check the columns pump_port "
    "and bias of the log; or leave their rows out.",
    "dead pump off": "The pump-off sweeps of {isolators} are exactly zero somewhere, so that nothing can be divided by them. Record them "
    "again.",
    "sweeps unlike the study": "The sweeps of {isolators} without the source look little like what the study predicts, and no usual "
    "slip explains it. Check that they are of this chip, and its numbers.",
    # ---- detect
    "evidence on few draws": "The evidence of {name} rests on {draws:.0f} effective draws, fewer than {fewest:.0f}: do not quote "
    "it. Sample longer, or state narrower priors.",
    "routes disagree": "The two routes to the evidence of {name} disagree: importance sampling {importance:.4g} +- "
    "{importance_sd:.2g}, bridge sampling {bridge:.4g} +- {bridge_sd:.2g}. Do not quote either; a mode may be missed. Run orient "
    "again with another seed and more effective samples.",
    # ---- read-out
    "stated noise against the chain": "The study states white noise of {seen:.3g}, {factor:.3g} times the {white:.3g} that its "
    "read-out chain gives. The stated value is used; leave noise.white out to use the chain's.",
    "measured noise against the chain": "Repeats scatter by {seen:.3g} per quadrature relative to unit transmission, {factor:.3g} "
    "times the {white:.3g} that the read-out chain gives.",
    "cause: power": "It would fit a power at the chip that is {level_db:+.1f} dB from what the chain says.",
    "cause: compression": "{stage} works {level_db:.1f} dB from its 1 dB compression point: lower the power, or look whether it "
    "saturates.",
    "cause: amplifier": "It would fit {stage} being off or without its pump: that makes the noise {factor:.3g} times larger.",
    "cause: bandwidth": "It would fit a noise bandwidth {factor:.3g} times the stated one.",
    "near compression": "{stage} works {margin_db:.1f} dB below its 1 dB compression point, where its gain is {lost_db:.2g} dB low: "
    "changes of the transmission come out too small. Lower the probe power or put less gain before it.",
    "near self-Kerr": 'Isolator "{isolator}": at {power_dbm:.1f} dBm the probe is {margin_db:+.1f} dB from the power '
    "({equal_dbm:.1f} dBm at the chip) at which its own self-Kerr shift changes the sweeps by as much as their averaged noise. "
    "More power would bias the result rather than sharpen it.",
    "self-Kerr unknown": "Nothing is said of the critical currents of the junctions, so that the probe's self-Kerr shift, which bounds "
    "the power that is of use, is not known: state critical_current of each stage.",
    "another sensor": "For this source another kind of sensor is about {factor:.2g} times more sensitive at this distance: {sensor} ({remark}).",
    "bands overlap": 'Isolators "{first}" and "{second}" share a line and their bands overlap by {overlap_mhz:.3g} MHz, where a guard '
    "band of {guard_mhz:.3g} MHz is wanted: each picks up of the other where it is read.",
    "no guard band": 'Isolators "{first}" and "{second}" share a line and have {apart_mhz:.3g} MHz between their bands, less than the '
    "guard band of {guard_mhz:.3g} MHz.",
    "bands apart": "Centres that set them apart with the least move, in the order {sensors}: {centres_ghz} GHz, with bands of "
    "{widths_mhz} MHz.",
    # ---- plan, layout
    "wire by its centre line": 'Loop "{loop}": the centre line of a wire {width_um:.3g} um wide.',
    "outlines written": "Wrote {file}, layer {layer}: {what}.",
    "prediction not valid": "Over a tenth of the angular errors predicted exceed {most_deg:g} degrees, where posteriors are not "
    "normal: the figures rank designs, and are no predictions.",
    "prediction of counts": "The errors follow from the Fisher information of the counts about the truth, averaged over the prior, and take "
    "the stated rate of wrong readings as known. The analyser's noise is left out, and decides sweeps of little isolation too: keep "
    "several times that noise between both directions.",
    "counts test no study": "Counts of directions do not test the study by a known source: signs, axes and places rest on it. A few complex "
    "sweeps with one would test them.",
    "prediction leaves out": "The errors expect the flux in each loop to wander by {flux_mphi0:.2g} mPhi0 over a campaign, the middle of "
    "what `orient` allows for; what they are without stands with what else may be known exactly. They leave out a smooth remainder, line "
    "ends and cross-talk, of which `orient` says by how much they widen its answer.",
}
"""A sentence for each code, its values in braces as `str.format` reads them."""

KIND_WORDS = {
    "offset": "flux offsets of the loops",
    "position": "position of the source",
    "extent": "extent of the source",
    "area": "flux focusing factors",
    "tilt": "tilts of the chips",
    "turn": "angles by which the source is turned",
    "strength": "pump strengths",
    "phase": "pump phase errors",
    "noise": "size of the noise",
    "wrong_way": "rate of wrongly read directions",
    "stage": "mode frequencies, linewidths, couplings, hybrids and pump ports",
    "bias": "mutual inductances and cross-talk of the bias lines",
    "static": "static flux at each set of bias currents",
    "lines": "line ends and direct paths",
    "remainder": "smooth remainder that the model leaves out",
    "drift": "wandering of flux and gain",
}
"""Kinds of nuisances, and of what was learned of the noise."""


FIGURES = {
    "total": "in all",
    "worst_group": "of the worst group",
    "smooth": "of what is smooth along frequency",
}
"""Which figure of the predictive check a probability belongs to."""


def _axis(vector: tuple[float, ...]) -> str:
    """A direction of either sense, its largest component positive."""
    sign = 1 if max(vector, key=abs) >= 0 else -1
    return "(" + ", ".join(f"{round(sign * x, 2) + 0.0:.2f}" for x in vector) + ")"


def _vector(vector: tuple[float, ...]) -> str:
    return "(" + ", ".join(f"{round(x, 2) + 0.0:.2f}" for x in vector) + ")"


def _mistakes(found: tuple[Finding, ...]) -> str:
    words = list(dict.fromkeys(sentence(f) for f in found))
    return ", or ".join(words)


def _remedies(listed: tuple[str, ...]) -> str:
    if not listed:
        return "Nothing that was tried would tell them apart: other bias, pump port, a turned source, an upright loop."
    return f"What would tell them apart: {'; '.join(listed)}."


def _quantity(value: float, unit: str) -> str:
    """A value in the unit in which it reads best."""
    if unit in OWN_UNIT.values():
        return format_quantity(value, dimension_of(unit), 3)
    return f"{value:.3g} {unit}".strip()


SHOWN: dict[str, Callable[[Any], str]] = {
    "axis": _axis,
    "truth": _vector,
    "best": _vector,
    "worst": lambda worst: worst if isinstance(worst, str) else _vector(worst),
    "remedies": _remedies,
    "weights": lambda weights: ", ".join(f"{w:.2f}" for w in weights),
    "places": lambda names: ("Setting " if len(names) == 1 else "Settings ") + ", ".join(names),
    "why": lambda found: "".join(f" {sentence(f)}" for f in found),
    "isolators": lambda names: ("isolator " if len(names) == 1 else "isolators ") + ", ".join(names),
    "files": lambda files: ", ".join(files[:MOST_FILES]) + (", ..." if len(files) > MOST_FILES else ""),
    "mistakes": _mistakes,
    "kinds": lambda codes: "; ".join(MISTAKE_KINDS[c] for c in codes),
    "settings": lambda names: " or ".join(f'"{name}"' for name in names),
    "at": lambda names: ("setting " if len(names) == 1 else "settings ") + ", ".join(names),
    "odds": odds_text,
    "of_loops": lambda names: " and ".join(names),
    "states": lambda names: ", ".join(names),
    "moved_um": lambda moved: "(" + ", ".join(f"{x:+.1f}" for x in moved) + ")",
    "sensors": lambda names: ", ".join(names),
    "widths_mhz": lambda widths: ", ".join(f"{x:.0f}" for x in widths),
    "centres_ghz": lambda centres: ", ".join(f"{x:.4f}" for x in centres),
    "flux": lambda phi0: format_quantity(phi0, "flux", 2),
    "quantity": lambda pair: _quantity(*pair),
    "cause": lambda array: CAUSES.get(array, _ELSE)[0],
    "measure_next": lambda array: CAUSES.get(array, _ELSE)[1],
    "kind": lambda kind: KIND_WORDS.get(kind, kind),
    "figure": lambda name: FIGURES[name],
}
"""Values that are more than a number or a name, by what they are called."""


def sentence(finding: Finding) -> str:
    """A finding in words."""
    values = {name: SHOWN[name](value) if name in SHOWN else value for name, value in finding.items}
    return SENTENCES[finding.code].format(**values)


def sentences(findings: Iterable[Finding]) -> list[str]:
    """Findings in words, each once."""
    return list(dict.fromkeys(sentence(f) for f in findings))
