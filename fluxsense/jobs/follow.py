"""Follow a running campaign: the answer while it is measured, what to measure next, when to stop.

What stands on disk is a function of the campaign's files and of the last full run: a process that is killed and started again
reads the log and the traces anew, goes on from `posterior.npz`, and loses nothing but the sweep that it was at work on.
"""

from __future__ import annotations

import json
import multiprocessing
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Unpack, cast

from fluxsense.base.errors import FluxsenseError, InputError
from fluxsense.base.files import write_beside
from fluxsense.base.findings import Verdict
from fluxsense.data.digest import Digest
from fluxsense.detection.stored import load_stored
from fluxsense.infer.orient import measured_isolators
from fluxsense.jobs.folder import held, keep, ready
from fluxsense.jobs.options import FollowOptions, FollowSettings, OrientSettings
from fluxsense.jobs.orient import orient_folder, orient_traces, posterior_of
from fluxsense.jobs.result import Provenance, Result, as_study, make_document
from fluxsense.live.anchor import Anchor
from fluxsense.live.bounds import Bounds
from fluxsense.live.campaign import Answer, Live, Moment
from fluxsense.live.proposal import Costs, round_body
from fluxsense.live.stopping import Wanted
from fluxsense.report.live import answer_line, live_page
from fluxsense.study import Study

if TYPE_CHECKING:
    from fluxsense.report.documents import LiveDocument

MOST_MOMENTS = 400
"""Points of the history that are kept in the document."""
MOST_BYTES = 50_000_000


@dataclass(frozen=True, repr=False)
class Following(Result):
    """How a campaign stood when it was last looked at.

    Attributes
    ----------
    answer : Answer
    """

    KIND: ClassVar[str] = "following"

    answer: Answer

    def lines(self) -> list[str]:
        found = cast("LiveDocument", self.document)
        verdict = found["verdict"]
        return [answer_line(found, verdict["trust"], verdict["reasons"]), found["next"]["why"], *found["said"]]


def full_run(study: Study, folder: str, digest: Digest, seed: int) -> Anchor:
    """`orient` of a digest, with what it leaves in a folder; made in a process of its own."""
    found = orient_traces(study, digest, OrientSettings(seed=seed))
    stored = posterior_of(found)
    with suppress(InputError):  # a full disk must not end the campaign; the anchor goes back all the same
        keep(Path(folder) / "result.json", found.document)
        digest.save(Path(folder) / "digest.npz")
        stored.save(Path(folder) / "posterior.npz")
    said = [s for s in found.document["findings"] if s not in stored.reasons]
    return Anchor.of_run(stored, measured_isolators(study, digest), digest.sweeps, said)


def follow(
    study: Study | str | Path,
    folder: str | Path | None = None,
    *,
    tell: Callable[[str], None] | None = None,
    **options: Unpack[FollowOptions],
) -> Following:
    """Follow a campaign until it is enough, nothing comes any more, or it is interrupted.

    Parameters
    ----------
    study : Study or path
    folder : path-like, optional
        Gets `live.json` and what `orient` leaves; `results` beside the study by default.
    tell : callable, optional
        Called with a line of text whenever the answer changed.
    **options
        See `fluxsense.jobs.options.FollowOptions`.

    Returns
    -------
    Following

    Raises
    ------
    InputError
        If study or log cannot be used at all, or the last state cannot be written (`UnwrittenError`).
    """
    study, settings = as_study(study), FollowSettings(**options)
    place = study.folder / "results" if folder is None else Path(folder)
    ready(place)
    with held(place):
        watch = _Watch(study, place, settings, tell or (lambda line: None))
        ended = watch.run()
        found = watch.result()
        write_state(place, found, watch.campaign)
    if ended != "interrupted" and watch.campaign.ready:
        tell_end = tell or (lambda line: None)
        final = orient_folder(study, place, report=settings.report, seed=settings.seed)
        for line in final.lines():
            tell_end(line)
        found = watch.result(final.verdict)
        with held(place):
            write_state(place, found, watch.campaign)
    return found


def write_state(folder: Path, found: Following, campaign: Live) -> None:
    """Write `live.json`, `proposal.json` and `live.html`, each beside and renamed."""
    keep(folder / "live.json", found.document)
    head = {k: found.document[k] for k in ("format", "title", "invented", "verdict", "provenance")}
    keep(
        folder / "proposal.json", {"kind": "proposal", **head, **found.document["next"], "stop": found.document["stop"]}
    )
    current = campaign.current
    draws = None if current is None else current.directions[current.shown]
    write_beside(
        folder / "live.html", live_page(cast("LiveDocument", found.document), draws).encode("utf-8"), sync=False
    )


class _Watch:
    """One process that follows: the campaign, the full run that is under way, and what was last written."""

    def __init__(self, study: Study, folder: Path, settings: FollowSettings, tell: Callable[[str], None]) -> None:
        self.study, self.folder, self.settings, self._tell = study, folder, settings, tell
        self.campaign = Live(
            study,
            seed=settings.seed,
            wanted=Wanted(settings.cone_deg, settings.false_alarm, settings.miss, settings.seconds),
            bounds=Bounds.checked(study, settings.pinned, settings.forbidden),
            costs=Costs.checked(study, settings.settling_s, settings.state_s, settings.by_hand),
            here=False,
        )
        self._said: list[str] = []
        self._unwritten = ""
        self._written = -1e9
        self._running: Future[Anchor] | None = None
        self._running_sweeps = 0
        self._told: str = ""
        self._former, self._former_run = _former_state(folder / "live.json", study)

    # ------------------------------------------------------------ the loop

    def run(self) -> str:
        """Follow until an end; returns which: 'once', 'enough', 'idle' or 'interrupted'."""
        with _worker() as pool:
            self._take_former_run()
            quiet_since = time.monotonic()
            try:
                while True:
                    new = self._look(last=self.settings.once)
                    self._full_run(pool, wait=self.settings.once)
                    if new:
                        quiet_since = time.monotonic()
                    if self.settings.once:
                        self._show(now=True)
                        return "once"
                    if self.campaign.stop is not None:
                        self._show(now=True)
                        return "enough"
                    if self.settings.idle_s is not None and time.monotonic() - quiet_since > self.settings.idle_s:
                        self._look(last=True)
                        return "idle"
                    if not new:
                        time.sleep(self.settings.poll_s)
            except KeyboardInterrupt:
                return "interrupted"

    def _look(self, *, last: bool) -> int:
        """Take up what is new, a sweep at a time."""
        count = 0
        campaign, follower = self.campaign, self.campaign.follower
        for taken in follower.poll(last=last):
            count += campaign.take([taken], follower.intake)
            self._show()
        if count:
            self._show(now=True)
        return count

    def _show(self, now: bool = False) -> None:
        """Tell the answer and write it down, not more often than `write_s`."""
        if not now and time.monotonic() - self._written < self.settings.write_s:
            return
        line = str(self.campaign.answer)
        if line != self._told:
            self._told = line
            self._tell(line)
        try:
            write_state(self.folder, self.result(), self.campaign)
            self._unwritten = ""
        except InputError as fault:
            if not self._unwritten:
                self._tell(f"The state could not be written, and is kept meanwhile: {fault}")
            self._unwritten = str(fault)
        self._written = time.monotonic()

    # ------------------------------------------------------------ full runs

    def _take_former_run(self) -> None:
        """Go on from what a former process left, once the sweeps are read."""
        path = self.folder / "posterior.npz"
        self._stored = None
        if path.exists():
            with suppress(FluxsenseError):
                stored = load_stored(path)
                if stored.study_hash == self.study.sha256:
                    self._stored = stored

    def _full_run(self, pool: ProcessPoolExecutor, *, wait: bool) -> None:
        campaign = self.campaign
        if self._stored is not None and campaign.ready:
            stored, self._stored = self._stored, None
            digest = campaign.digest
            sweeps = min(self._former_run or digest.sweeps, digest.sweeps)
            anchor = Anchor.of_run(stored, measured_isolators(self.study, digest), sweeps)
            if campaign.adopt(anchor):
                self._show(now=True)
        if self._running is None and campaign.due:
            digest = campaign.digest
            self._running_sweeps = digest.sweeps
            self._running = pool.submit(full_run, self.study, str(self.folder), digest, self.settings.seed)
        if self._running is None or not (wait or self._running.done()):
            return
        running, self._running = self._running, None
        try:
            if not campaign.adopt(running.result()):
                return
        except (FluxsenseError, BrokenProcessPool) as fault:
            campaign.refused(str(fault), self._running_sweeps)
        self._show(now=True)

    # ------------------------------------------------------------ the document

    def result(self, final: Verdict | None = None) -> Following:
        """How it stands; with the verdict of a last full run, that is the verdict."""
        campaign = self.campaign
        campaign.propose()  # first: it may find that the wanted cone is out of reach
        answer = campaign.answer
        verdict = answer.verdict if final is None else final
        follower = campaign.follower
        said = follower.faults[:20]
        if follower.restarts:
            said.append(
                f"Everything was read anew {follower.restarts} times: the log was replaced, or a trace changed after it was taken."
            )
        if self._unwritten:
            said.append(f"The state could not be written at some time: {self._unwritten}")
        body = answer.body | {
            "waiting": follower.waiting[:20],
            "said": said,
            "history": [asdict(m) for m in self.moments()],
            "noise": campaign.noise(),
            "next": round_body(campaign.propose(), self.study),
        }
        options = {k: v for k, v in asdict(self.settings).items() if v is not None and k not in ("seed", "write_s")}
        digest_hash = campaign.intake.digest.content_hash() if campaign.intake.sweeps else None
        provenance = Provenance(self.study.sha256, digest_hash, self.settings.seed, options)
        return Following(make_document(Following, self.study, verdict, provenance, body), self.study, verdict, answer)

    def moments(self) -> list[Moment]:
        """The history, of a former process too, thinned."""
        first = self.campaign.history[0].sweeps if self.campaign.history else 10**9
        every = [m for m in self._former if m.sweeps < first] + self.campaign.history
        step = max(1, -(-len(every) // MOST_MOMENTS))
        return [*every[::step], *(every[-1:] if (len(every) - 1) % step else [])]


@contextmanager
def _worker() -> Iterator[ProcessPoolExecutor]:
    """One process beside this one, which is not waited for in the end."""
    pool = ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn"))
    try:
        yield pool
    finally:
        workers = list((pool._processes or {}).values())
        pool.shutdown(wait=False, cancel_futures=True)
        for process in workers:
            process.terminate()


def _former_state(path: Path, study: Study) -> tuple[list[Moment], int]:
    """The history that a former process left, and the sweeps of its last full run; nothing if it is of another study."""
    try:
        document = json.loads(path.read_bytes()[:MOST_BYTES])
        if document["provenance"]["study_hash"] != study.sha256:
            return [], 0
        moments = [
            Moment(int(m["sweeps"]), float(m["busy_s"]), float(m["cone_deg"]), float(m["misfit_sd"]))
            for m in document["history"]
        ]
        return moments, int(document.get("full_run_sweeps", 0))
    except (OSError, ValueError, KeyError, TypeError):
        return [], 0
