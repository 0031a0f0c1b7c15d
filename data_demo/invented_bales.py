"""What the invented bales are, and how they change in store; `make_demo` writes it down.

With x = log(1 + days in storage), and xe the same on the last planned day, a bale's true state is

    log butyric acid = log(butyric) + slope (x - xe) + site + pair + bale + reading
                       + [second binding] (log_ratio + ratio_slope (x - xe))
    DM loss          = (loss + site + pair + bale + [second binding] loss_difference) x / xe

The laboratory sees oven-dried DM, from which acids and alcohols have evaporated; every result and
every weighing has its own error. Figures of the chemistry are chosen to look right, not measured.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta

import numpy as np

SD_SCALE = 1.0  # kg, one weighing
SD_DM = 5.0  # g/kg fresh, one DM result
LIMITS = {"butyric_acid": 0.3, "propionic_acid": 0.2}  # g/kg DM
CORE_KG = 0.35  # fresh silage in one core


@dataclass(frozen=True)
class Truth:
    """True values on the last planned day; SDs on the scale of the response."""

    butyric: float  # median bale of the reference binding, g/kg DM
    slope: float  # of log butyric acid on log(1 + days)
    log_ratio: float  # second binding to the reference
    ratio_slope: float  # of the log ratio on log(1 + days)
    loss: float  # mean DM loss of the reference binding, percentage points
    loss_difference: float  # second binding minus the reference
    sd_log: tuple[float, float, float]  # pair, bale, reading
    sd_loss: tuple[float, float]  # pair, bale
    sd_dm: tuple[float, float]  # crop DM between pairs, between bales of a pair, g/kg


@dataclass(frozen=True)
class Site:
    """A farm: crop DM in g/kg, and its effects on log butyric acid and on DM loss."""

    name: str
    code: str
    field: str
    started: datetime
    dm: float
    log_butyric: float
    loss: float
    scale_gain: float


@dataclass(frozen=True)
class Accidents:
    """What went wrong: a pair opened late, a bale lost on a day, a bale's sample missing."""

    late: Mapping[str, int]  # pair -> days late
    lost: Mapping[str, tuple[int, str, str]]  # bale -> day, what was seen first, cause
    missing: Mapping[tuple[str, int], str]  # bale and opening -> what happened


@dataclass(frozen=True)
class Plan:
    """One trial as planned; bindings are (reference, second)."""

    folder: str
    title: str
    question: str
    note: str
    seed: int
    recored: bool
    bindings: tuple[str, str]
    openings: tuple[str, ...]
    days: tuple[int, ...]
    window: int  # days either side
    sites: tuple[Site, ...]
    pairs: int  # on each site
    truth: Truth
    accidents: Accidents


@dataclass(frozen=True)
class Bale:
    """A bale with its true state: masses in kg, DM in g/kg; `log` and `loss` are its deviations."""

    name: str
    pair: str
    site: Site
    order: int
    binding: str
    second: bool
    opening: int | None
    batch: int
    baled: datetime
    wrapped: datetime
    mass: float
    dm: float
    total_n: float
    log: float
    loss: float


@dataclass(frozen=True)
class Visit:
    """A bale at one opening: true mass (kg), DM (g/kg) and butyric acid (g/kg DM)."""

    bale: Bale
    opening: int
    at: datetime
    mass: float
    dm: float
    butyric: float

    @property
    def days(self) -> float:
        """Days since film wrapping."""
        return days_between(self.bale.wrapped, self.at)


def days_between(start: datetime, end: datetime) -> float:
    """Days, with their fraction."""
    return (end - start).total_seconds() / 86400


def log_days(plan: Plan, days: float) -> tuple[float, float]:
    """Return x - xe and x / xe of the module's two equations."""
    x, end = math.log1p(days), math.log1p(plan.days[-1])
    return x - end, x / end


def true_median(plan: Plan, *, second: bool, days: float) -> float:
    """Median butyric acid of a binding, g/kg DM, sites weighted equally."""
    truth, (back, _) = plan.truth, log_days(plan, days)
    log_ratio = (truth.log_ratio + truth.ratio_slope * back) if second else 0.0
    return truth.butyric * math.exp(truth.slope * back + log_ratio)


def true_loss(plan: Plan, *, second: bool, days: float) -> float:
    """Mean DM loss of a binding, percentage points."""
    truth, (_, share) = plan.truth, log_days(plan, days)
    return (truth.loss + (truth.loss_difference if second else 0.0)) * share


def make_bales(plan: Plan, rng: np.random.Generator) -> list[Bale]:
    """Bales of every site in the order made: pairs dealt to openings, order drawn in each pair."""
    bales: list[Bale] = []
    for site in plan.sites:
        dealt = rng.permutation(np.arange(plan.pairs) % len(plan.days))
        batches = rng.permutation(np.arange(plan.pairs) % 2)  # whole pairs, all kept frozen
        wait = rng.uniform(72, 108)  # minutes from a bale to its film; the wrapper falls behind
        for number in range(plan.pairs):
            opening = None if plan.recored else int(dealt[number])
            bales += make_pair(plan, rng, site, number, opening, int(batches[number]), wait)
    return bales


def make_pair(
    plan: Plan,
    rng: np.random.Generator,
    site: Site,
    number: int,
    opening: int | None,
    batch: int,
    wait: float,
) -> list[Bale]:
    """Two bales made one after the other from one windrow, which of them first by lot."""
    truth = plan.truth
    pair = f"{site.code}{number + 1:02d}"
    crop_dm = site.dm + rng.normal(0, truth.sd_dm[0])
    total_n = rng.normal(24.5, 1.2)
    log_pair = site.log_butyric + rng.normal(0, truth.sd_log[0])
    loss_pair = site.loss + rng.normal(0, truth.sd_loss[0])
    bales = []
    for place, second in enumerate(rng.permutation(2)):
        baled = site.started + timedelta(minutes=9 * number + 4 * place)
        bales.append(
            Bale(
                name=f"{pair}-{place + 1}",
                pair=pair,
                site=site,
                order=2 * number + place + 1,
                binding=plan.bindings[second],
                second=bool(second),
                opening=opening,
                batch=batch,
                baled=baled,
                wrapped=baled + timedelta(minutes=round(wait + 2 * number)),
                mass=620 + rng.normal(0, 17),
                dm=crop_dm + rng.normal(0, truth.sd_dm[1]),
                total_n=total_n,
                log=log_pair + rng.normal(0, truth.sd_log[1]),
                loss=loss_pair + rng.normal(0, truth.sd_loss[1]),
            )
        )
    return bales


def make_visits(plan: Plan, rng: np.random.Generator, bales: Sequence[Bale]) -> list[Visit]:
    """Follow every bale to its openings, one farm visit an opening, losses and delays applied."""
    openings = range(len(plan.days))
    shift = {(s.code, k): int(rng.integers(-3, 4)) for s in plan.sites for k in openings}
    visits: list[Visit] = []
    for bale in bales:
        cored_kg = cored_dm = 0.0
        lost_on, *_ = plan.accidents.lost.get(bale.name, (math.inf,))
        for k in openings if bale.opening is None else (bale.opening,):
            late = plan.accidents.late.get(bale.pair, 0)
            day = bale.wrapped + timedelta(plan.days[k] + shift[bale.site.code, k] + late)
            at = datetime.combine(day, time(8, 30)) + timedelta(minutes=6 * bale.order)
            visit = look(plan, rng, bale, k, at, cored_kg, cored_dm)
            if visit.days < lost_on:
                visits.append(visit)
            cored_kg += core_kg(plan)
            cored_dm += core_kg(plan) * visit.dm / 1000
    return visits


def core_kg(plan: Plan) -> float:
    """Fresh silage taken at one coring, kg; an opened bale is weighed whole."""
    return 4 * CORE_KG if plan.recored else 0.0


def look(
    plan: Plan,
    rng: np.random.Generator,
    bale: Bale,
    opening: int,
    at: datetime,
    cored_kg: float,
    cored_dm: float,
) -> Visit:
    """State of a bale: gas takes DM, some of it returns as water; film passes vapour."""
    days = days_between(bale.wrapped, at)
    dm_made = bale.mass * bale.dm / 1000
    points = true_loss(plan, second=bale.second, days=days) + bale.loss * log_days(plan, days)[1]
    gone = dm_made * points / 100
    mass = bale.mass - 0.9 * gone - 0.006 * days - cored_kg
    log_butyric = bale.log + rng.normal(0, plan.truth.sd_log[2])
    median = true_median(plan, second=bale.second, days=days)
    dm = 1000 * (dm_made - gone - cored_dm) / mass
    return Visit(bale, opening, at, mass, dm, median * math.exp(log_butyric))


def fermented(visit: Visit, rng: np.random.Generator) -> dict[str, float]:
    """Make the products (g/kg DM) and pH: drier bales ferment less, clostridia use lactate."""
    dry, butyric, days = visit.dm - 350, visit.butyric, visit.days
    young = math.exp(-days / 40)
    return {
        "pH": 4.52 + 0.0042 * dry + 0.04 * butyric + 0.12 * young + rng.normal(0, 0.06),
        # two lactate make one butyrate: 2 x 90.078 / 88.106 g
        "lactic_acid": 60 - 0.2 * dry - 2.045 * butyric - 15 * young + rng.normal(0, 4),
        "acetic_acid": 11 - 0.03 * dry + 0.012 * days + rng.normal(0, 1.1),
        "propionic_acid": (0.25 + 0.04 * butyric) * math.exp(rng.normal(0, 0.35)),
        "butyric_acid": butyric,
        "ethanol": 7 - 0.02 * dry + 0.005 * days + rng.normal(0, 0.9),
        "propanediol": (0.6 + 0.01 * days) * math.exp(rng.normal(0, 0.3)),
        "ammonia_n": 6.5 + 0.9 * butyric + 0.006 * days + rng.normal(0, 0.6),
    }


def oven_dm(dm: float, true: Mapping[str, float]) -> float:
    """Oven DM, g/kg: the full form turned round, 0.95 VFA + 0.08 LA + 0.77 PD + 1.00 AL lost."""
    acids = true["acetic_acid"] + true["propionic_acid"] + true["butyric_acid"]
    lost = 0.95 * acids + 0.08 * true["lactic_acid"] + 0.77 * true["propanediol"] + true["ethanol"]
    return dm * (1 - lost / 1000)


def opening_results(visit: Visit, rng: np.random.Generator) -> dict[str, str]:
    """Return the laboratory's results, each acid per kg of the oven DM it was reported on."""
    true = fermented(visit, rng)
    oven = oven_dm(visit.dm, true)
    found = {"dm": f"{oven + rng.normal(0, SD_DM):.1f}", "dm_basis": "oven"}
    for name, value in true.items():
        if name in ("pH", "ammonia_n"):
            found[name] = f"{value:.2f}" if name == "pH" else f"{value:.1f}"
            continue
        result = value * visit.dm / oven * math.exp(rng.normal(0, 0.03))
        digits = 2 if name in LIMITS else 1
        limit = LIMITS.get(name, 0.0)
        found[name] = f"<{limit}" if result < limit else f"{result:.{digits}f}"
    found["total_n"] = f"{visit.bale.total_n * math.exp(rng.normal(0, 0.03)):.1f}"
    return found


def crop_results(bales: Sequence[Bale], rng: np.random.Generator) -> dict[str, str]:
    """Return the crop at baling: one sample from both bales of a pair, nothing volatile yet."""
    dm = sum(b.dm for b in bales) / len(bales)
    return {
        "dm": f"{dm + rng.normal(0, SD_DM):.1f}",
        "dm_basis": "oven",
        "pH": f"{rng.normal(6.0, 0.08):.2f}",
        "total_n": f"{bales[0].total_n * math.exp(rng.normal(0, 0.03)):.1f}",
        "wsc": f"{95 + 0.25 * (dm - 350) + rng.normal(0, 10):.0f}",
        "ash": f"{rng.normal(94, 6):.0f}",
    }
