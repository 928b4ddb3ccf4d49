"""Maps over executors: the same results as a plain loop, from threads, processes and a dask cluster on this machine."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from executor_work import Counted, always_deadly, deadly_draw, draw, refuse, slow_draw
from small_study import small_study

from fluxsense.base.errors import InputError
from fluxsense.base.executors import Processes, WorkerError, ordered_map
from fluxsense.data.campaign import load_campaign
from fluxsense.detection.detect import planned_likelihood
from fluxsense.detection.linear import drawn_campaigns, linear_campaign, simulated_statistics
from fluxsense.jobs.orient import orient_each
from fluxsense.jobs.simulate import draw_truth, write_campaign
from fluxsense.study import read_study

ITEMS = range(40)


class Here(Executor):
    """An executor of no known kind that works in this process."""

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as fault:
            future.set_exception(fault)
        return future


@pytest.fixture
def shared(tmp_path: Path) -> Counted:
    return Counted(tmp_path, np.random.default_rng(3).standard_normal(1000))


def unpacked(folder: Path) -> dict[str, int]:
    """How often each process unpacked the data."""
    pids = [path.name.split("-")[1] for path in folder.glob("unpacked-*")]
    return {pid: pids.count(pid) for pid in set(pids)}


def numbers(results: Iterator[tuple[float, int]]) -> list[float]:
    return [value for value, _ in results]


def test_threads_and_unknown_executors_give_what_a_loop_gives(shared: Counted) -> None:
    alone = numbers(ordered_map(draw, ITEMS, shared))
    assert len(set(alone)) == len(ITEMS)
    with ThreadPoolExecutor(3) as pool:
        assert numbers(ordered_map(draw, ITEMS, shared, executor=pool)) == alone
        assert numbers(ordered_map(draw, iter(ITEMS), shared, executor=pool, batch=7)) == alone
    assert unpacked(shared.folder) == {}  # threads see the data of this process
    assert numbers(ordered_map(draw, ITEMS, shared, executor=Here(), batch=3)) == alone
    assert list(unpacked(shared.folder).values()) == [1]


@pytest.mark.parametrize("items", [[], [4]])
def test_few_items(shared: Counted, items: list[int]) -> None:
    assert numbers(ordered_map(draw, items, shared, executor=Here())) == numbers(ordered_map(draw, items, shared))


def test_own_processes_get_the_data_once_each(shared: Counted) -> None:
    alone = numbers(ordered_map(draw, ITEMS, shared))
    found = list(ordered_map(slow_draw, ITEMS, shared, executor=Processes(2)))
    assert [v for v, _ in found] == alone
    assert set(unpacked(shared.folder).values()) == {1}
    assert len(unpacked(shared.folder)) == 2


def test_somebody_elses_processes_get_the_data_once_each_and_survive(shared: Counted) -> None:
    alone = numbers(ordered_map(draw, ITEMS, shared))
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        found = list(ordered_map(slow_draw, ITEMS, shared, executor=pool, batch=2))
        assert [v for v, _ in found] == alone
        counts = unpacked(shared.folder)
        assert set(counts.values()) == {1}  # a process that has the data does not unpack them again
        # another map over the same pool is not given the data of this one
        other = Counted(shared.folder, shared.values + 1.0)
        assert numbers(ordered_map(draw, ITEMS, other, executor=pool)) == numbers(ordered_map(draw, ITEMS, other))


def test_the_work_of_a_dead_process_is_done_again(shared: Counted) -> None:
    alone = numbers(ordered_map(draw, ITEMS, shared))
    assert numbers(ordered_map(deadly_draw, ITEMS, shared, executor=Processes(2), batch=2)) == alone
    assert (shared.folder / "died").exists()


def test_work_that_kills_every_process_is_given_up(shared: Counted) -> None:
    with pytest.raises(
        WorkerError, match=r"^workers died 2 times over the same work \(BrokenProcessPool\)\. Use fewer"
    ):
        list(ordered_map(always_deadly, ITEMS, shared, executor=Processes(1), tries=2))


def test_somebody_elses_broken_pool_is_said(shared: Counted) -> None:
    with (
        ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool,
        pytest.raises(WorkerError, match=r"this executor cannot go on without it"),
    ):
        list(ordered_map(always_deadly, ITEMS, shared, executor=pool))


@pytest.mark.parametrize("workers", [None, 2])
def test_the_first_fault_in_order_is_raised_and_what_came_before_is_given(workers: int | None) -> None:
    seen: list[int] = []
    with ThreadPoolExecutor(2) as pool, pytest.raises(ValueError, match="item 7"):
        seen.extend(ordered_map(refuse, ITEMS, None, executor=pool if workers else None, batch=1))
    assert seen == list(range(7))


def test_a_map_that_is_left_early_leaves_the_executor_running(shared: Counted) -> None:
    with ThreadPoolExecutor(2) as pool:
        results = ordered_map(draw, ITEMS, shared, executor=pool)
        first = next(results)
        results.close()  # type: ignore[attr-defined]
        assert pool.submit(draw, shared, 0).result() == first


def test_impossible_numbers_are_refused() -> None:
    with pytest.raises(InputError, match="0 processes cannot do anything"):
        Processes(0)
    with pytest.raises(InputError, match="batch: a batch of 0 items is none"):
        ordered_map(draw, ITEMS, None, batch=0)


def test_dask_cluster_of_this_machine(shared: Counted, tmp_path: Path) -> None:
    """Two worker processes, one of which kills itself under way: the same results, data unpacked once per process."""
    distributed = pytest.importorskip("distributed")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the cluster's own start and of its mourning for the dead worker
        with (
            distributed.LocalCluster(
                n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
            ) as cluster,
            distributed.Client(cluster) as client,
        ):
            workers = client.run(lambda: __import__("os").getpid())
            executor = client.get_executor()
            alone = numbers(ordered_map(draw, ITEMS, shared))
            found = list(ordered_map(slow_draw, ITEMS, shared, executor=executor, batch=2))
            assert [v for v, _ in found] == alone
            assert {pid for _, pid in found} == set(workers.values())
            assert unpacked(tmp_path) == {str(pid): 1 for pid in workers.values()}
            found = list(ordered_map(deadly_draw, ITEMS, shared, executor=executor, batch=2))
            assert [v for v, _ in found] == alone
            # what the dead worker had finished before may stand; item 5 and what it still held were done by another
            died = int((tmp_path / "died").read_text())
            assert died in workers.values()
            assert found[ITEMS.index(5)][1] != died


@pytest.mark.slow
def test_many_campaigns_and_roc_simulations_are_the_same_on_two_processes(tmp_path: Path) -> None:
    """Whole inferences, one of them impossible, and campaigns simulated for a ROC."""
    studies = []
    for n in range(2):
        (tmp_path / f"{n}").mkdir()
        study = small_study(tmp_path / f"{n}", size_ut=0.2, points=9, repeats=2)
        write_campaign(study, draw_truth(study, n), study.folder)
        studies.append(study.path)
    studies.insert(1, tmp_path / "none.toml")
    (tmp_path / "ways").mkdir()
    ways = small_study(
        tmp_path / "ways",
        fluxes=[(0.5, 0.1, 0.5, 0.1)],
        ports=(1,),
        flux_noise_mphi0=40.0,
        wiring="+90 deg",
        extra='[data]\nkind = "direction"\n',
    )
    write_campaign(ways, draw_truth(ways, 6), ways.folder)
    studies.append(ways.path)
    here, there = (list(orient_each(studies, seed=3, wanted_ess=100, executor=e)) for e in (None, Processes(2)))
    assert [item.study for item in here] == [str(s) for s in studies]
    assert "none.toml" in here[1].fault
    assert here[1].document is None
    assert here == there
    assert here[0].document != here[2].document
    assert [item.fault for item in (here[0], *here[2:])] == ["", "", ""]

    study = read_study(studies[0])
    digest = load_campaign(study)
    campaign = linear_campaign(study, digest, planned_likelihood(study, digest))
    drawn = drawn_campaigns(study, digest, campaign, np.random.default_rng(1), 3)
    for size in (0.0, 1e-7):
        alone = simulated_statistics(drawn, 20, size, np.random.default_rng(1))
        assert alone.shape == (20,)
        assert (
            alone.tobytes() == simulated_statistics(drawn, 20, size, np.random.default_rng(1), Processes(2)).tobytes()
        )
