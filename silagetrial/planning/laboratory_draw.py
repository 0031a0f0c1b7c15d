"""The samples of a layout: blind codes, batches with whole pairs, duplicates, the reference."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from silagetrial.planning.allocate import PlannedPair
from silagetrial.planning.blind import draw_codes
from silagetrial.planning.plan import Plan
from silagetrial.planning.plan_checks import room_in_batch
from silagetrial.planning.randomise import deal, permuted

__all__ = ["PlannedSample", "add_controls", "coded_samples", "day_of", "in_batches"]


@dataclass(frozen=True)
class PlannedSample:
    """One result to come from the laboratory.

    Attributes
    ----------
    sample : str
        Blind code.
    of : str or None
        Bale or pair; None for the reference sample.
    kind : str
    opening : str or None
    batch : str or None
        None for a spare pair, which joins a batch when it is used.
    role : str
        ``sample``, ``duplicate`` or ``reference``.
    pair : PlannedPair or None
    binding : str or None
        None at day 0 and for the reference sample.
    of_sample : str or None
        For a duplicate, the code of the other part.
    """

    sample: str
    of: str | None
    kind: str
    opening: str | None
    batch: str | None = None
    role: str = "sample"
    pair: PlannedPair | None = None
    binding: str | None = None
    of_sample: str | None = None


def day_of(plan: Plan, pair: PlannedPair, opening: str | None) -> dt.date | None:
    """Return the planned day of an opening (None: of baling), None where none is planned."""
    if pair.site.baling is None:
        return None
    chosen = None if opening is None else plan.settings.opening(opening)
    return pair.site.baling + dt.timedelta(days=0 if chosen is None else round(chosen.days))


def coded_samples(
    plan: Plan, pairs: Sequence[PlannedPair], rng: np.random.Generator
) -> tuple[PlannedSample, ...]:
    """Give a blind code to every sample of every pair, in the order of baling and opening.

    A sample of the crop is taken once for each pair; samples of a bale as often as the plan says,
    each analysis under a code of its own.
    """
    recored = plan.settings.design == "recored"
    times = plan.laboratory.samples * plan.laboratory.analyses
    kind = "core" if recored else "opening"
    wanted: list[PlannedSample] = []
    for pair in pairs:
        wanted.append(PlannedSample("", pair.pair, "day0", None, pair=pair))
        openings = [o.name for o in plan.settings.openings] if recored else [pair.opening]
        wanted += [
            PlannedSample("", bale.bale, kind, opening, pair=pair, binding=bale.binding)
            for opening in openings
            for bale in pair.bales
            for _ in range(times)
        ]
    codes = draw_codes(rng, len(wanted))
    return tuple(replace(s, sample=code) for s, code in zip(wanted, codes, strict=True))


def in_batches(
    plan: Plan, samples: Sequence[PlannedSample], rng: np.random.Generator
) -> tuple[PlannedSample, ...]:
    """Put whole pairs into batches, the samples of one opening day together.

    Each day (or site, where no day is planned) and opening has batches of its own, as even as can
    be; the pairs of a site are spread over them at random. All results of a pair from one day lie
    in one batch. Spare pairs stay outside until they are used.
    """
    days: dict[tuple[object, ...], dict[str, PlannedPair]] = {}
    for sample in samples:
        if sample.pair is not None and not sample.pair.spare:
            days.setdefault(_day(plan, sample), {})[sample.pair.pair] = sample.pair
    batch_of: dict[tuple[object, ...], str] = {}
    made = 0
    for day in sorted(days, key=repr):
        pairs = list(days[day].values())
        each = sum(_day(plan, s) == day and s.pair is pairs[0] for s in samples)
        count = -(-len(pairs) // max(1, room_in_batch(plan) // each))
        dealt = deal(permuted, rng, range(count), strata=[p.site.label for p in pairs])
        for pair, number in zip(pairs, dealt, strict=True):
            batch_of[(*day, pair.pair)] = f"B{made + number + 1:02d}"
        made += count
    return tuple(
        replace(s, batch=batch_of.get((*_day(plan, s), s.pair.pair)) if s.pair else None)
        for s in samples
    )


def _day(plan: Plan, sample: PlannedSample) -> tuple[object, ...]:
    """What is analysed together: an opening on its day, or at its site."""
    if sample.pair is None:
        return ()
    day = day_of(plan, sample.pair, sample.opening)
    place = sample.pair.site.label if day is None else day.isoformat()
    return (place, sample.kind, sample.opening)


def add_controls(
    plan: Plan,
    samples: Sequence[PlannedSample],
    rng: np.random.Generator,
    *,
    taken: Collection[str],
) -> tuple[PlannedSample, ...]:
    """Add blind duplicates and the frozen reference sample to each batch.

    Parameters
    ----------
    plan : Plan
    samples : sequence of PlannedSample
        From `in_batches`.
    rng : numpy.random.Generator
    taken : collection of str
        Codes that are in use, also those of pairs that were not made.
    """
    added: list[PlannedSample] = []
    for batch in sorted({s.batch for s in samples if s.batch is not None}):
        here = [s for s in samples if s.batch == batch]
        for n in rng.permutation(len(here))[: plan.laboratory.duplicates]:
            source = here[int(n)]
            added.append(replace(source, role="duplicate", of_sample=source.sample))
        if plan.laboratory.reference:
            first = here[0]
            added.append(
                PlannedSample("", None, first.kind, first.opening, batch, role="reference")
            )
    codes = draw_codes(rng, len(added), taken=taken)
    return (*samples, *(replace(s, sample=code) for s, code in zip(added, codes, strict=True)))
