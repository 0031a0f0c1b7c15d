"""How a trial was laid out, in sentences."""

from __future__ import annotations

from silagetrial.data import Trial
from silagetrial.display.language import say
from silagetrial.display.phrases import block_word, count, joined
from silagetrial.planning.analysis_plan import filed_plan
from silagetrial.planning.deviations_made import openings_done

__all__ = ["done_so_far", "laid_out", "lost_bales"]


def laid_out(trial: Trial) -> list[str]:
    """Return the bindings, bales, pairs and farms, how they were drawn, when they were opened.

    Parameters
    ----------
    trial : Trial
    """
    settings = trial.settings
    openings = joined(
        [say("design.opening", opening=o.name, days=f"{o.days:g}") for o in settings.openings]
    )
    sentences = [
        _compared(trial),
        _drawn(trial),
        say("design.openings", openings=openings),
        _opened(trial),
        *_further(trial),
    ]
    return [sentence[0].upper() + sentence[1:] for sentence in sentences]


def done_so_far(trial: Trial) -> str | None:
    """Return the openings that are done, in words; None once all are."""
    done = openings_done(trial)
    if len(done) == len(trial.settings.openings):
        return None
    return say("design.done", openings=joined(list(done))) if done else say("design.none_done")


def lost_bales(trial: Trial) -> int:
    """Return how many bales were lost."""
    return int(trial.events.loc[trial.events["what"] == "lost", "bale"].nunique())


def _compared(trial: Trial) -> str:
    settings, bales = trial.settings, trial.bales
    sites = bales["site"].astype(str)
    pairs = int(bales["pair"].nunique())
    word = block_word(settings.compare)
    by_site = [
        say("design.by_site", site=site, bales=count(int((sites == site).sum()), "bale"))
        for site in dict.fromkeys(sites)
    ]
    said = {
        "others": joined([name for name in settings.compare if name != settings.reference]),
        "reference": settings.reference,
        "bales": count(len(bales), "bale"),
        "sites": count(sites.nunique(), "farm"),
        "by_site": joined(by_site, last="comma"),
        "lost": count(lost_bales(trial), "bale"),
    }
    if not pairs:
        return say("design.compared_unpaired", **said)
    return say("design.compared", **said, pairs=count(pairs, word))


def _drawn(trial: Trial) -> str:
    """Whether the bindings were drawn at random: only a plan filed with the trial says so."""
    filed = filed_plan(trial.source)
    if filed is None or filed.content is None:
        return say("design.not_drawn")
    return say("design.drawn", seed=filed.content["layout"]["seed"], date=filed.date)


def _opened(trial: Trial) -> str:
    """Whether bales were opened once or cored again, and how far that is."""
    recored, so_far = trial.settings.design == "recored", done_so_far(trial)
    if so_far is None:
        return say("design.recored") if recored else say("design.separate")
    if recored:
        return say("design.recored_so_far", done=so_far)
    return say("design.separate_so_far", done=so_far)


def _further(trial: Trial) -> list[str]:
    """Laboratories, and what became of several results of one bale."""
    silage = trial.samples[trial.samples["kind"] != "day0"]
    lines = []
    names = [str(name) for name in dict.fromkeys(silage["laboratory"].dropna())]
    if len(names) > 1:
        said = {"laboratories": count(len(names), "laboratory"), "names": joined(names)}
        lines.append(say("design.laboratories", **said))
    elif names:
        lines.append(say("design.laboratory", names=names[0]))
    results = silage.groupby(["of", "opening"]).size()
    if len(results) and results.max() > 1 and results.nunique() == 1:
        lines.append(say("design.averaged"))
    return lines
