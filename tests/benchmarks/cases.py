"""What is measured: each function returns lines of the table and checks that both sides give the same numbers."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import emcee
import numpy as np
import numpy.typing as npt
from campaigns import GRAIN, grain_study, summed_digest
from disk import write_traces
from peers import DirectSum, by_circuit, by_lapack, compiled
from scipy.special import ndtri
from timing import Line, compare, in_turn, quartiles

from fluxsense.data.digest import digest_campaign, load
from fluxsense.data.noise_levels import NoiseLevels
from fluxsense.data.touchstone import read_sweep
from fluxsense.device.isolator import hybrid_elements, isolator_scattering
from fluxsense.infer.diagnostics import ess_bulk
from fluxsense.infer.mixture import Law, StudentMixture, from_modes
from fluxsense.infer.modes import ascend
from fluxsense.infer.reduction import ReducedProblem
from fluxsense.infer.reduction import reduced as reduced_problem
from fluxsense.jobs.orient import orient
from fluxsense.jobs.simulate import Truth, draw_truth
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.problem import CampaignProblem, log_posterior
from fluxsense.model.unknowns import Unknowns

FloatArray = npt.NDArray[np.float64]

CPU = "CPU time of this process"
WALL = "wall time"


def _same(what: str, difference: float, limit: float) -> None:
    if not difference <= limit:
        raise SystemExit(f"{what}: the two sides differ by {difference:.3g}, more than {limit:g}")


# ---------------------------------------------------------------- forward model


def random_rows(count: int, seed: int = 1) -> dict[str, Any]:
    """Isolators with unequal stages and imperfect hybrids."""
    rng = np.random.default_rng(seed)
    through, cross = hybrid_elements(rng.normal(0, 0.5, count), rng.normal(0, 0.1, count), rng.uniform(0, 1, count))
    return {
        "signal_frequency_hz": 7e9 + rng.normal(0, 5e6, (count, 2)),
        "idler_frequency_hz": 10e9 + rng.normal(0, 5e6, (count, 2)),
        "signal_linewidth_hz": rng.uniform(1e7, 4e7, (count, 2)),
        "signal_internal_hz": rng.uniform(0, 3e6, (count, 2)),
        "idler_linewidth_hz": rng.uniform(1e7, 4e7, (count, 2)),
        "idler_internal_hz": rng.uniform(0, 3e6, (count, 2)),
        "coupling_hz": rng.normal(0, 1e7, (count, 2)),
        "pump_frequency_hz": np.full(count, 3e9),
        "pump_phase_rad": np.pi / 2 * rng.choice([-1, 1], count),
        "link": np.full(count, np.sqrt(0.5) + 0j),
        "hybrid_through": through,
        "hybrid_cross": cross,
    }


def forward(points: int = 201, count: int = 1024, repeats: int = 15) -> list[Line]:
    """One isolator's S21 and S12, per frequency point."""
    f = np.linspace(6.95e9, 7.05e9, points)
    rows = random_rows(count)
    block = {k: v[:32] for k, v in rows.items()}
    few = {k: v[:2] for k, v in rows.items()}
    expected = isolator_scattering(f, rows)
    _same("batched LAPACK", float(np.max(np.abs(by_lapack(f, block) - expected[:32]))), 1e-11)
    _same("composed circuit", float(np.max(np.abs(by_circuit(f, few) - expected[:2]))), 1e-11)

    def ours() -> Any:
        return isolator_scattering(f, rows)

    whole, ns = points * count, (1e9, "ns/point")
    sizes = len(block["link"]), len(few["link"])
    lines = [
        compare(
            "forward: batched LAPACK, 2+2 modes", ours, lambda: by_lapack(f, block), repeats=repeats,
            per=(whole, points * sizes[0]), scale=ns, wanted=">= 25", note=f"{CPU}; blocks of {sizes[0]} x {points} points",
        ),
        compare(
            "forward: scikit-rf circuit", ours, lambda: by_circuit(f, few), repeats=max(1, repeats // 3),
            per=(whole, points * sizes[1]), scale=ns, wanted=">= 400", note=f"{CPU}; one circuit an isolator, all points at once",
        ),
    ]  # fmt: skip
    for label, flags, wanted in (
        ("-O3", ("-O3",), "<= 3"),
        # the compiler may then change the arithmetic, and the program runs on this kind of processor alone: for information
        ("-O3 -march=native -ffast-math", ("-O3", "-march=native", "-ffast-math"), ""),
    ):
        kernel = compiled(flags)
        if kernel is None:
            print(f"forward: no C compiler that takes {label}: line left out", file=sys.stderr)
            continue
        _same(f"compiled kernel {label}", float(np.max(np.abs(kernel(f, rows) - expected))), 1e-11)
        lines.append(
            compare(
                f"forward: C kernel, {label} (ours/peer)", ours, lambda k=kernel: k(f, rows), repeats=repeats,
                per=(whole, whole), scale=ns, wanted=wanted, inverse=True, note=f"{CPU}; same algebra, kernel.c",
            )
        )  # fmt: skip
    return lines


# ---------------------------------------------------------------- likelihood


def fitted(problem: CampaignProblem, truth: Truth) -> StudentMixture:
    """One component at the mode near the truth: what these lines measure begins after search and fit."""
    best = ascend(problem, problem.unknowns.whitened(truth.parameters)[0])
    if best is None:
        raise SystemExit("no mode near the truth")
    return from_modes([best])


def reduced(problem: CampaignProblem, mixture: Law, tolerance: float = 1e-3) -> ReducedProblem:
    """The reduced likelihood, with errors of log-likelihood differences held to 1e-3."""
    small = reduced_problem(problem, mixture, np.random.default_rng(4), tolerance)
    if small is None:
        raise SystemExit("the reduced likelihood cannot keep this accuracy here")
    return small


def likelihood_repeats(
    folder: Path, counts: tuple[int, ...] = (10, 1000, 100_000), points: int = 401, patterns: int = 4, repeats: int = 15
) -> list[Line]:
    """The full likelihood of digests of more and more repeats."""
    problems = []
    for count in counts:
        study = grain_study(folder, points=points, repeats=count, patterns=patterns)
        truth = draw_truth(study, 1)
        digest = summed_digest(study, truth)
        likelihood = RatioLikelihood(study, digest, truth.port_signs, residual_gain=study.noise.residual_gain)
        problems.append(
            CampaignProblem(Unknowns(study, likelihood.cooldowns, leave_out=("pump_phase_error_rad",)), likelihood)
        )
    x = problems[0].unknowns.draw(np.random.default_rng(2), 40)
    times = in_turn([lambda p=p: p.log_likelihood(x) for p in problems], repeats, time.process_time)
    lines = []
    middle = counts.index(sorted(counts)[len(counts) // 2])
    for count, mine in zip(counts, times, strict=True):
        if count == counts[middle]:
            continue
        ratio = quartiles([a / b for a, b in zip(mine, times[middle], strict=True)])
        lines.append(
            Line(
                f"likelihood: {count} repeats over {counts[middle]}", 1e3 / 40 * float(np.median(times[middle])),
                1e3 / 40 * float(np.median(mine)), "ms/call", *ratio, "<= 1.1", f"{CPU}; all {points} frequencies, batches of 40",
            )
        )  # fmt: skip
    return lines


def likelihood_points(
    folder: Path, sizes: tuple[int, ...] = (201, 801, 3201), patterns: int = 2, repeats: int = 15
) -> list[Line]:
    """The reduced likelihood of sweeps of more and more points."""
    reduced_calls, full_calls, used = [], [], []
    for points in sizes:
        study = grain_study(folder, points=points, repeats=1000, patterns=patterns, cut_states=True)
        truth = draw_truth(study, 1)
        gain = study.noise.residual_gain
        likelihood = RatioLikelihood(study, summed_digest(study, truth), truth.port_signs, residual_gain=gain)
        problem = CampaignProblem(
            Unknowns(study, likelihood.cooldowns, leave_out=("pump_phase_error_rad",)), likelihood
        )
        mixture = fitted(problem, truth)
        small = reduced(problem, mixture)
        x = mixture.draw(np.random.default_rng(5), 40)
        x = np.ascontiguousarray(x[small._distance(x) <= small.radius])
        full = problem.log_likelihood(x)
        likely = full > full.max() - 40  # as posterior points are: the mixture is no more than near the posterior
        difference = (small.log_likelihood(x) - full)[likely]
        used.append((small.terms, float(np.max(np.abs(difference - np.median(difference))))))
        reduced_calls.append(lambda p=small, x=x: p.log_likelihood(x))
        full_calls.append(lambda p=problem, x=x: p.log_likelihood(x))
    times = in_turn(reduced_calls, repeats, time.process_time)
    full = in_turn(full_calls, max(1, repeats // 5), time.process_time)
    lines = []
    for n, points in enumerate(sizes):
        if n == 0:
            continue
        ratio = quartiles([a / b for a, b in zip(times[n], times[0], strict=True)])
        terms, error = used[n]
        lines.append(
            Line(
                f"likelihood: {points} points over {sizes[0]}", 1e3 / 40 * float(np.median(times[0])),
                1e3 / 40 * float(np.median(times[n])), "ms/call", *ratio, "<= 1.5",
                f"{CPU}; {terms} polynomials an isolator, error {error:.1g} in "
                f"log-likelihood; all frequencies take {np.median(full[n]) / np.median(times[n]):.0f} times as long",
            )
        )  # fmt: skip
    return lines


def likelihood_direct(
    folder: Path, points: int = 201, repeats: int = 1000, patterns: int = 4, rounds: int = 3
) -> list[Line]:
    """The likelihood of the digest against the sum over every repeat, white noise only."""
    study = grain_study(folder, points=points, repeats=repeats, patterns=patterns, quiet=True)
    truth = draw_truth(study, 1)
    digest = summed_digest(study, truth)
    noise = NoiseLevels(
        {k: np.sqrt(g.scatter[1:3].mean(axis=1) / (2 * max(g.count - 1, 1))) for k, g in digest.items()},
        {i.name: np.zeros((4, 4)) for i in study.isolators},
        {i.name: True for i in study.isolators},
    )
    likelihood = RatioLikelihood(study, digest, truth.port_signs, residual_gain=0.0, noise=noise)
    unknowns = Unknowns(study, likelihood.cooldowns, leave_out=("pump_phase_error_rad",))
    # the pump phase errors stay at zero on both sides: a sum over repeats has no way to integrate them out
    problem = CampaignProblem(unknowns, likelihood, integrate=False)
    rng = np.random.default_rng(6)
    data = []
    for family in likelihood.families:
        sd = 1 / np.sqrt(family.precision / repeats)
        each = np.empty((sd.shape[0], repeats, *sd.shape[1:]), dtype=complex)
        for k in range(len(each)):
            white = sd[k] * (rng.standard_normal((repeats, *sd.shape[1:], 2)) @ np.array([1, 1j]))
            each[k] = family.ratio[k] + white - white.mean(axis=0)  # with the digest's very mean
        data.append(each)
    direct = DirectSum(likelihood, data)
    mixture = fitted(problem, truth)
    small = reduced(problem, mixture)
    x = mixture.draw(rng, 240)
    x = np.ascontiguousarray(x[small.inside(x)])[:160]  # what four ensembles of forty ask together
    parameters = unknowns.parameters(x)
    slow = np.array([direct(parameters.rows(slice(k, k + 1))) for k in range(4)])
    errors = []
    for fast in (problem.log_likelihood(x[:4]), small.log_likelihood(x[:4])):
        difference = fast - slow
        errors.append(float(np.max(np.abs(difference - difference.mean()))))
    _same("direct sum over repeats", max(errors), 1e-3)
    calls = [
        lambda: small.log_likelihood(x), lambda: problem.log_likelihood(x), lambda: direct(parameters.rows(slice(0, 1)))
    ]  # fmt: skip
    fast, full, peer = in_turn(calls, rounds, time.process_time)
    fast, full = [t / len(x) for t in fast], [t / len(x) for t in full]
    groups = sum(len(f.keys) for f in likelihood.families)
    lines = []
    for label, mine, error, wanted in (
        (f"reduced to {small.terms} polynomials, {points} frequencies", fast, errors[1], ">= 1000"),
        (f"all {points} frequencies", full, errors[0], ""),
    ):
        ratio = quartiles([b / a for a, b in zip(mine, peer, strict=True)])
        lines.append(
            Line(
                f"likelihood: direct sum over {repeats} repeats; {label}", 1e3 * float(np.median(mine)),
                1e3 * float(np.median(peer)), "ms/call", *ratio, wanted,
                f"{CPU}; {groups} groups, batches of {len(x)}; differences between posterior points agree within {error:.1g}",
            )
        )  # fmt: skip
    return lines


# ---------------------------------------------------------------- whole answers


def whole_answer(
    folder: Path, points: int = 401, repeats: int = 1000, patterns: int = 4, effective: float = 4000, steps: int = 3000
) -> list[Line]:
    """From a saved digest to a posterior, against a straightforward script (extrapolated)."""
    study = grain_study(folder, points=points, repeats=repeats, patterns=patterns)
    truth = draw_truth(study, 1)
    summed_digest(study, truth).save(folder / "digest.npz")
    begin, cpu = time.perf_counter(), time.process_time()
    digest = load(folder / "digest.npz")
    result = orient(study, digest, seed=1, wanted_ess=effective)
    ours, ours_cpu = time.perf_counter() - begin, time.process_time() - cpu
    chains = result.posterior.chains
    reached = min(sum(ess_bulk(chains.x[e, :, :, k].T) for e in range(len(chains.x))) for k in range(3))

    # The script: emcee with its own moves from a ball about the truth, every repeat in the likelihood.
    problem = result.posterior.problem
    small = reduced(problem, result.posterior.proposal, 0.1)
    size = problem.unknowns.size
    rng = np.random.default_rng(7)
    start = result.posterior.thinned()[rng.integers(0, 3000, max(40, 2 * size + 2))]
    emcee_rng = np.random.RandomState(8)
    sampler = emcee.EnsembleSampler(len(start), size, lambda x: log_posterior(small, x), vectorize=True)
    sampler.run_mcmc(emcee.State(start, random_state=emcee_rng.get_state()), steps)
    tau = float(np.max(sampler.get_autocorr_time(tol=0, quiet=True)[:3]))
    calls = effective * tau
    # one call of its likelihood, measured on few repeats and scaled to all: the cost is in proportion
    some = min(repeats, 20)
    data = [np.repeat(f.ratio[:, None], some, axis=1) for f in problem.likelihood.families]
    direct = DirectSum(problem.likelihood, data)
    row = problem.unknowns.parameters(start[:1])
    few, one = in_turn(
        [lambda: direct(row), lambda: problem.likelihood.predict(row)], 5, time.process_time
    )  # fmt: skip
    call = float(np.median(one)) + max(float(np.median(few)) - float(np.median(one)), 0.0) * repeats / some
    script = calls * call
    ratio = script / ours_cpu
    return [
        Line(
            f"whole answer: {repeats} repeats x {len(digest)} groups x {points} points", ours_cpu, script, "s",
            ratio, ratio, ratio, ">= 300",
            f"{CPU}, {ours:.1f} s of wall time, from the saved digest: search, sampling to {reached:.0f} effective samples "
            f"(direction, rank-normalised), evidence, checks; the script is EXTRAPOLATED: {call:.2g} s a call (measured on "
            f"{some} repeats) x {tau:.0f} steps of autocorrelation (plain emcee, {steps} steps on our own likelihood) x "
            f"{effective:.0f}",
            {"ours_wall_s": ours, "effective": float(reached), "script_call_s": call, "script_tau": tau,
             "trust": result.document["verdict"]["trust"], "script_steps": steps, "calls": chains.calls},
        )
    ]  # fmt: skip


def nested(
    folder: Path, points: int = 81, repeats: int = 20, patterns: int = 1, live: int = 150, most_calls: int = 100_000
) -> list[Line]:
    """Effective samples a second: our sampler and dynesty on one reduced likelihood."""
    import dynesty

    study = grain_study(folder, points=points, repeats=repeats, patterns=patterns)
    digest = summed_digest(study, draw_truth(study, 1))
    cpu = time.process_time()
    result = orient(study, digest, seed=1, wanted_ess=4000)
    ours = time.process_time() - cpu
    chains = result.posterior.chains
    reached = min(sum(ess_bulk(chains.x[e, :, :, k].T) for e in range(len(chains.x))) for k in range(3))
    small = reduced(result.posterior.problem, result.posterior.proposal, 0.01)  # type: ignore[arg-type]
    unknowns = small.unknowns
    # every unknown of this study has a normal prior in whitened coordinates, up to a scale in the first three
    x = unknowns.draw(np.random.default_rng(1), 4000)
    spread = np.ones(unknowns.size)
    spread[:3] = np.round(np.std(x[:, :3], axis=0).mean() * np.sqrt(3), 1) / np.sqrt(3)
    quadratic = -0.5 * np.sum((x / spread) ** 2, axis=1)
    offset = unknowns.log_prior(x) - quadratic
    _same("prior of the nested sampler", float(np.ptp(offset)), 1e-6)
    sampler = dynesty.NestedSampler(
        lambda v: float(small.log_likelihood(v[None])[0]),
        lambda u: ndtri(u) * spread,
        unknowns.size, nlive=live, sample="rslice", bound="single", rstate=np.random.default_rng(2),
    )  # fmt: skip
    begin = time.process_time()
    sampler.run_nested(print_progress=False, maxcall=most_calls, dlogz=0.1)
    theirs = time.process_time() - begin
    found = sampler.results
    weights = found.importance_weights()
    effective = float(1 / np.sum(weights**2))
    finished = bool(int(np.sum(found.ncall)) < most_calls)
    state = ""
    if not finished:  # weights mean nothing before the bulk is reached
        state = f", STOPPED at {most_calls} calls before the end: each of its points counts as an effective sample, which flatters it"
        effective = float(len(found.logl))
    ratio = (reached / ours) / (effective / theirs)
    return [
        Line(
            "nested sampling (dynesty): effective samples a second", reached / ours, effective / theirs, "1/s",
            ratio, ratio, ratio, ">= 10",
            f"{CPU}; {unknowns.size} unknowns, {small.terms} polynomials an isolator; ours {reached:.0f} in {ours:.1f} s "
            f"with search, evidence, checks; dynesty {effective:.0f} in {theirs:.0f} s, {int(np.sum(found.ncall))} calls, "
            f"{live} live points{state}",
            {"finished": finished},
        )
    ]  # fmt: skip


# ---------------------------------------------------------------- reading


def reading(folder: Path, files: int = 200, repeats: int = 7, points: int = 201) -> list[Line]:
    """Files read one by one, against the parser of a general library alone."""
    from skrf.io.touchstone import Touchstone

    rows = write_traces(folder, files, points)
    names = [str(folder / row.file) for row in rows]
    parsed = Touchstone(names[0])
    sweep = read_sweep(names[0])
    _same("frequencies", float(np.max(np.abs(parsed.f - sweep.frequency_hz))), 0.0)
    _same("values", float(np.max(np.abs(parsed.s.conj() - sweep.s))), 0.0)

    def digested() -> None:
        digest_campaign(rows, folder)

    common: dict[str, Any] = {
        "repeats": repeats, "per": (files, files), "scale": (1e3, "ms/file"), "inverse": True,
    }  # fmt: skip
    return [
        compare(
            "reading: parser of scikit-rf alone (ours/peer)", lambda: [read_sweep(p) for p in names],
            lambda: [Touchstone(p) for p in names], wanted="<= 1.5", note=f"{CPU}; {points} points, guard and conversion", **common,
        ),
        compare(
            "reading into a digest, the same (ours/peer)", digested, lambda: [Touchstone(p) for p in names],
            wanted="", note=f"{CPU}; with hashes, sums and scatter matrices", **common,
        ),
    ]  # fmt: skip


MEMORY = """
import json, resource, sys, time
sys.path[:0] = json.loads(sys.argv[1])
from pathlib import Path
from disk import rows_of
from fluxsense.base.executors import Processes
from fluxsense.data.digest import Told, digest_campaign
from fluxsense.data.outliers import RepeatScreen, node_values
if __name__ == "__main__":
    folder, count, workers = Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4])
    screen = RepeatScreen()
    digest = digest_campaign(rows_of(count), folder, Told(None, screen.keep, node_values),
                             executor=Processes(workers) if workers > 1 else None)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    about = Path("/proc/self/status")
    if about.exists():  # on Linux the figure above starts from the parent's peak
        peak = next(int(x.split()[1]) for x in about.read_text().splitlines() if x.startswith("VmHWM"))
    whole = [float(abs(g.scatter).sum()) for g in digest.values()]
    print(json.dumps([digest.sweeps, peak, whole]))
"""


def digested_apart(folder: Path, files: int, workers: int) -> tuple[float, float, list[float]]:
    """Peak memory in kB, seconds and a sum per group of a process of its own that digests traces, as the command does."""
    script = folder / "apart.py"
    script.write_text(MEMORY, encoding="utf-8")
    paths = json.dumps([str(Path(__file__).parent), str(Path(__file__).parents[2])])
    begin = time.perf_counter()
    answer = subprocess.run(
        [sys.executable, str(script), paths, str(folder), str(files), str(workers)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    spent = time.perf_counter() - begin
    sweeps, peak, sums = json.loads(answer.stdout)
    if sweeps != files:
        raise SystemExit(f"{sweeps} of {files} sweeps arrived")
    return peak, spent, sums


def memory(folder: Path, files: int = 20_000, points: int = 201) -> list[Line]:
    """Peak memory of a process that digests many files."""
    write_traces(folder, files, points)
    peak, spent, _ = digested_apart(folder, files, 1)
    megabytes = peak / 1024
    return [
        Line(
            f"reading: peak memory for {files} files", megabytes, float("nan"), "MB", megabytes, megabytes, megabytes,
            "<= 400", f"largest resident set of a process of its own, libraries included; {spent:.0f} s",
        )
    ]  # fmt: skip


def two_workers(folder: Path, files: int = 12_000, repeats: int = 3, points: int = 201) -> list[Line]:
    """Digesting with two processes and with one, each in a process of its own."""
    write_traces(folder, files, points)
    if digested_apart(folder, files, 1)[2] != digested_apart(folder, files, 2)[2]:
        raise SystemExit("digests by one and by two processes differ")
    return [
        compare(
            "reading: one process over two", lambda: digested_apart(folder, files, 2), lambda: digested_apart(folder, files, 1),
            repeats=repeats, per=(files, files), scale=(1e3, "ms/file"), wanted=">= 1.6", clock=time.perf_counter,
            note=f"{WALL} with the start of all processes; {files} files, {os.cpu_count()} cores; says little on a busy machine",
        )
    ]  # fmt: skip


# ---------------------------------------------------------------- the demo, cold


def cold(folder: Path, study: Path = GRAIN, arguments: tuple[str, ...] = ()) -> list[Line]:
    """`fluxsense orient` from cold, and where its time went by the lines on its standard error."""
    begin = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "fluxsense", "orient", str(study), "--out", str(folder / "results"), *arguments],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2],
    )  # fmt: skip
    parts: dict[str, float] = {}
    stage, since = "start of Python and imports", begin
    assert process.stderr is not None
    for text in process.stderr:
        name = re.split(":", text.strip())[0]
        now = time.perf_counter()
        parts[stage] = parts.get(stage, 0.0) + now - since
        stage, since = name, now
    answer = process.stdout.read() if process.stdout is not None else ""
    if process.wait() not in (0, 1) or "direction" not in (folder / "results" / "result.json").read_text():
        raise SystemExit(f"orient failed: {answer}")
    end = time.perf_counter()
    parts[stage] = parts.get(stage, 0.0) + end - since
    total = end - begin
    told = ", ".join(f"{name} {seconds:.1f} s" for name, seconds in parts.items())
    return [
        Line(
            f"cold: orient {study.parent.name}/{study.name}", total, float("nan"), "s", total, total, total, "",
            f"{WALL}; {told}", {"parts_s": parts},
        )
    ]  # fmt: skip
