"""Simulate chunk by chunk: the same digits for any number of processes, and what is done is kept.

Trials come in chunks of a fixed size, each with a seed of its own, ``SeedSequence(seed,
spawn_key=(scenario, chunk))``.  Workers take groups of chunks; tallies are added, and early
stopping decided, in the order of the chunks, whatever order they come in.
"""

from __future__ import annotations

import contextlib
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice

import numpy as np
from threadpoolctl import threadpool_limits

from silagetrial.mixed.simulate import CHUNK
from silagetrial.planning.checkpoint import Checkpoint
from silagetrial.planning.runners import Workers, here
from silagetrial.planning.scenario import Scenario
from silagetrial.planning.tally import Tally

__all__ = ["Done", "Progress", "chunk_rng", "chunk_sizes", "simulate"]

GROUP = (8, 16)
"""Fewest and most chunks that a worker takes at once."""
SHARES = 20
"""Jobs that each worker gets where there is enough to do: the last ones end about together."""
BUNDLE = (16, 32)
"""Groups in a job: one for each so many workers, and the most.  What gives out jobs is one process,
which a thousand workers would wait for if each job were short."""


@dataclass(frozen=True)
class Progress:
    """How far a simulation is: trials done and asked for, seconds gone and, at this pace, left."""

    done: int
    asked: int
    gone: float
    left: float

    def __str__(self) -> str:
        """Return a line such as ``4,096 of 10,000 trials, 1 s left``."""
        seconds = self.left
        left = "" if not np.isfinite(seconds) else f", {_clock(seconds)} left"
        return f"{self.done:,} of {self.asked:,} trials{left}"


def _clock(seconds: float) -> str:
    if seconds < 60:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


@dataclass
class Done:
    """What is there of one scenario.

    Attributes
    ----------
    tally : Tally or None
        None before the first chunk.
    chunks : int
        Chunks added so far.
    stopped : bool
        The precision asked for was reached.
    """

    tally: Tally | None = None
    chunks: int = 0
    stopped: bool = False
    waiting: dict[int, Tally] = field(default_factory=dict)

    @property
    def trials(self) -> int:
        """Trials added so far."""
        return 0 if self.tally is None else self.tally.trials

    def take(self, chunks: dict[int, Tally], enough: Callable[[Tally], bool]) -> None:
        """Add chunks when their turn has come; what comes after the end counts for nothing."""
        self.waiting.update(chunks)
        while not self.stopped and self.chunks in self.waiting:
            new = self.waiting.pop(self.chunks)
            self.tally = new if self.tally is None else self.tally + new
            self.chunks += 1
            self.stopped = enough(self.tally)


@dataclass(frozen=True)
class _Group:
    """Chunks ``first, first + 1, ...`` of one scenario, with their sizes."""

    scenario: int
    first: int
    sizes: tuple[int, ...]


@dataclass
class _Clock:
    """Trials asked for and there, and those of this run with the seconds they took."""

    asked: int
    there: int
    fresh: int = 0
    start: float = field(default_factory=time.monotonic)

    def progress(self) -> Progress:
        """How far the run is."""
        gone = time.monotonic() - self.start
        left = gone / self.fresh * (self.asked - self.there) if self.fresh else float("inf")
        return Progress(self.there, self.asked, gone, left)


def chunk_sizes(trials: int) -> tuple[int, ...]:
    """Return the sizes of the chunks that so many trials come in."""
    return tuple(min(CHUNK, trials - at) for at in range(0, trials, CHUNK))


def chunk_rng(seed: int, scenario: int, chunk: int) -> np.random.Generator:
    """Return the generator that the trials of a chunk are drawn with."""
    seeds = np.random.SeedSequence(entropy=seed, spawn_key=(scenario, chunk))
    return np.random.default_rng(seeds)


def simulate(
    scenarios: Sequence[Scenario],
    *,
    trials: int,
    seed: int,
    workers: Workers | None = None,
    enough: Callable[[int, Tally], bool] = lambda _, __: False,
    checkpoint: Checkpoint | None = None,
    progress: Callable[[Progress], None] | None = None,
) -> tuple[list[Done], bool]:
    """Run all scenarios.

    Parameters
    ----------
    scenarios : sequence of Scenario
    trials : int
        Most trials of each.
    seed : int
    workers : Workers, optional
        By default this process.
    enough : callable
        Of a scenario's number and its tally: no more trials are needed.
    checkpoint : Checkpoint, optional
        Where finished chunks are written, and found again.
    progress : callable, optional

    Returns
    -------
    list of Done
        One a scenario.
    bool
        The run was interrupted; what was done till then is there.
    """
    workers = workers or here()
    sizes = chunk_sizes(trials)
    done = [Done() for _ in scenarios]
    if checkpoint is not None:
        for (s, chunk), tally in checkpoint.found(scenarios, seed).items():
            # A last chunk that was cut short, or one beyond the trials asked for, is not ours.
            if chunk < len(sizes) and sizes[chunk] == tally.trials:
                done[s].waiting[chunk] = tally
    for s, each in enumerate(done):
        each.take({}, _of(enough, s))
    clock = _Clock(trials * len(scenarios), sum(_share(each, trials) for each in done))
    size = _group_size(len(sizes) * len(done), workers.count)
    groups = _groups(done, sizes, size)
    bundle = _bundle_size(-(-len(sizes) // size) * len(done), workers.count)
    jobs = (
        (tuple((scenarios[group.scenario], group) for group in some), seed)
        for some in iter(lambda: tuple(islice(groups, bundle)), ())
    )
    try:
        with contextlib.closing(workers.apply(_run, jobs)) as results:
            for result in results:
                # An interrupt between two steps of this would count a chunk by halves.
                with _uninterrupted():
                    for group, tallies in result:
                        _keep(group, tallies, done, _of(enough, group.scenario), clock, trials)
                        if checkpoint is not None:
                            scenario = scenarios[group.scenario]
                            checkpoint.add(scenario, group.scenario, seed, group.first, tallies)
                if progress is not None:
                    progress(clock.progress())
    except KeyboardInterrupt:
        return done, True
    return done, False


def _of(enough: Callable[[int, Tally], bool], scenario: int) -> Callable[[Tally], bool]:
    return lambda tally: enough(scenario, tally)


def _share(each: Done, trials: int) -> int:
    """Trials of a scenario that need not be done any more."""
    return trials if each.stopped else each.trials


def _keep(
    group: _Group,
    tallies: Sequence[Tally],
    done: Sequence[Done],
    enough: Callable[[Tally], bool],
    clock: _Clock,
    trials: int,
) -> None:
    each = done[group.scenario]
    before = _share(each, trials)
    each.take({group.first + k: tally for k, tally in enumerate(tallies)}, enough)
    clock.fresh += sum(group.sizes)
    clock.there += _share(each, trials) - before


@contextlib.contextmanager
def _uninterrupted() -> Iterator[None]:
    """Put an interrupt off until the block has ended."""
    main = threading.current_thread() is threading.main_thread()
    if not main or signal.getsignal(signal.SIGINT) is not signal.default_int_handler:
        yield
        return
    caught: list[int] = []
    signal.signal(signal.SIGINT, lambda number, _: caught.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if caught:
        raise KeyboardInterrupt


def _group_size(chunks: int, workers: int) -> int:
    least, most = GROUP
    return min(max(least, chunks // (SHARES * workers)), most)


def _bundle_size(groups: int, workers: int) -> int:
    each, most = BUNDLE
    return max(1, min(most, workers // each, groups // (SHARES * workers)))


def _groups(done: Sequence[Done], sizes: tuple[int, ...], size: int) -> Iterator[_Group]:
    """Chunks that are not there yet, a group of each scenario in turn."""
    for first in range(0, len(sizes), size):
        for s, each in enumerate(done):
            last = min(first + size, len(sizes))
            wanted = [k for k in range(first, last) if k >= each.chunks and k not in each.waiting]
            if wanted and not each.stopped:
                # Gaps inside a group are drawn again: their chunks give the same digits.
                low, high = wanted[0], wanted[-1] + 1
                yield _Group(s, low, sizes[low:high])


def _run(bundle: Sequence[tuple[Scenario, _Group]], seed: int) -> list[tuple[_Group, list[Tally]]]:
    with threadpool_limits(limits=1):
        return [(group, _tallies(scenario, group, seed)) for scenario, group in bundle]


def _tallies(scenario: Scenario, group: _Group, seed: int) -> list[Tally]:
    return [
        scenario.run(chunk_rng(seed, group.scenario, chunk), size, chunk)
        for chunk, size in enumerate(group.sizes, start=group.first)
    ]
