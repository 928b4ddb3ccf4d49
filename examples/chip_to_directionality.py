"""From a chip drawing to predicted directionality: outlines -> flux in the loops -> S21 and S12.

    python examples/chip_to_directionality.py [--out FILE] [--quick]

The corners below stand for what a layout program exports. They replace the loops of the study that `fluxsense start`
writes; the rest of that study (rings, modes, bias lines, settings) stays. A grain's moment is then turned through a full
circle in the xz plane, and each isolator's transmission is predicted at a setting.
"""

import argparse
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

import fluxsense
from fluxsense.device.chip import (
    ChipModel,
    check_geometry,
    loop_outlines_m,
    nominal_parameters,
    setting_probe,
    study_flux_map,
)
from fluxsense.study import read_tree, study_of_tree

DRAWING_UM = {
    "east_near": [(5, -4), (17, -4), (17, 10), (11, 10), (11, 4), (5, 4)],  # an L
    "east_far": [(16, 16), (28, 16), (30, 18), (30, 30), (18, 30), (16, 28)],  # two corners cut
    "north_near": [(-10, 5), (2, 5), (2, 17), (-10, 17)],
    "north_far": [(-29, 15), (-15, 15), (-15, 29)],  # a triangle
}

parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
parser.add_argument("--out", type=Path, default=Path("chip_to_directionality.pdf"))
parser.add_argument("--quick", action="store_true", help="fewer directions and frequencies")
options = parser.parse_args()
directions, points = (13, 41) if options.quick else (181, 401)

starter = Path(fluxsense.__file__).with_name("starter.toml")
tree, _ = read_tree(starter)
for loop in tree["loop"]:
    corners = [[f"{x} um", f"{y} um"] for x, y in DRAWING_UM[loop["name"]]]
    for key in ("shape", "center", "side"):
        del loop[key]
    loop["outline"] = corners
study = study_of_tree(tree, starter)
check_geometry(study)

print("Flux of the grain's moment along x, y, z in each loop (mPhi0):")
for loop, row in zip(study.loops, 1e3 * study.source.size * study_flux_map(study), strict=True):
    print(f"  {loop.name:12s}" + "".join(f"{x:9.2f}" for x in row))

angle = np.linspace(-np.pi, np.pi, directions)  # from +z towards +x
turned = np.stack([np.sin(angle), np.zeros(directions), np.cos(angle)], axis=-1)
parameters = nominal_parameters(study).repeated(directions).changed(source=study.source.size * turned)
frequency = np.linspace(study.sweep.start_hz, study.sweep.stop_hz, points)
source_in = [s.kind for s in study.states].index("in")

figure = Figure(figsize=(7.2, 6.4), layout="constrained")
drawing, spectrum, curve = figure.subplot_mosaic([["drawing", "spectrum"], ["curve", "curve"]]).values()
for outline in loop_outlines_m(study):
    drawing.fill(*(1e6 * outline[:, :2].T), facecolor="0.85", edgecolor="black")
drawing.plot(*(1e6 * np.array(study.source.position_m[:2])), "k^")
drawing.set(aspect="equal", xlabel="x (um)", ylabel="y (um)", title="loops, and the grain above them")
for i, (isolator, dashes) in enumerate(zip(study.isolators, ("-", "--"), strict=True)):
    for n, (setting, colour) in enumerate(zip(study.settings, ("black", "tab:orange"), strict=True)):
        model = ChipModel(study, [setting_probe(study, n, i, source_in)], [frequency] * len(study.isolators))
        s = model.scattering(parameters, i, ("21", "12"))[:, 0]  # (directions, 2, points)
        decibels = 20 * np.log10(np.abs(s))
        quiet = np.argmax(np.abs(decibels[:, 0] - decibels[:, 1]).mean(axis=0))  # the frequency that isolates best
        label = f"{isolator.name}, {setting.name}, {frequency[quiet] / 1e9:.3f} GHz"
        curve.plot(np.degrees(angle), (decibels[:, 0] - decibels[:, 1])[:, quiet], dashes, color=colour, label=label)
        if i == n == 0:
            for path, style in ((0, "-"), (1, ":")):
                for k, shade in ((directions // 4, "tab:blue"), (3 * (directions // 4), "tab:red")):
                    label = f"|S{('21', '12')[path]}|, moment along {'-+'[k > directions // 2]}x"
                    spectrum.plot(frequency / 1e9, decibels[k, path], style, color=shade, label=label)
spectrum.set(xlabel="frequency (GHz)", ylabel="dB", title="east, same")
spectrum.set_ylim(-40, 2)
spectrum.legend(fontsize="x-small", loc="lower right")
curve.set(xlabel="angle of the moment from +z towards +x (degrees)", ylabel="20 log10 |S21/S12| (dB)")
curve.axhline(0, color="0.6", linewidth=0.8)
figure.legend(*curve.get_legend_handles_labels(), loc="outside lower center", fontsize="small", ncols=2)
figure.savefig(options.out)
print(f"Wrote {options.out}")
