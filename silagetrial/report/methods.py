"""How the numbers were made, said so that a reader can judge and repeat it."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any, Final

import numpy as np

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display.block import Prose
from silagetrial.display.phrases import block_word, count, joined, level_name, p_value
from silagetrial.report.tables_results import COEFFICIENTS, named
from silagetrial.report.tables_witnesses import side_by_side
from silagetrial.report.trust import by_design, by_rows

__all__ = ["design", "methods", "model", "notes", "references", "rerun", "witnesses"]

_REFERENCES: Final = (
    "Patterson, H. D. & Thompson, R. (1971). Recovery of inter-block information when block sizes "
    "are unequal. Biometrika 58, 545-554.",
    "Kenward, M. G. & Roger, J. H. (1997). Small sample inference for fixed effects from "
    "restricted maximum likelihood. Biometrics 53, 983-997.",
    "Nelder, J. A. (1954). The interpretation of negative components of variance. Biometrika 41, "
    "544-548.",
    "Searle, S. R., Speed, F. M. & Milliken, G. A. (1980). Population marginal means in the linear "
    "model. The American Statistician 34, 216-221.",
    "Hothorn, T., Bretz, F. & Westfall, P. (2008). Simultaneous inference in general parametric "
    "models. Biometrical Journal 50, 346-363.",
    "Seabold, S. & Perktold, J. (2010). statsmodels: econometric and statistical modeling with "
    "Python. Proceedings of the 9th Python in Science Conference, 92-96.",
    "Weissbach, F. & Kuhla, S. (1995). Stoffverluste bei der Bestimmung des "
    "Trockenmassegehaltes von Silagen und Grünfutter. Übersichten zur Tierernährung 23, 189-214.",
)

_RERUN: Final = (
    "The folder of this report is complete: data/ holds a byte copy of the input, report.ipynb "
    "the notebook behind this page, results.json every estimate at full precision.",
    "Install the package in Python 3.11 or later, in the version that manifest.json names.",
    "In this folder, run the command: silagetrial reproduce . (with the full stop). It checks "
    "every file, runs the report again and names each number that comes out otherwise.",
    "Or run silagetrial report data --out again, or open report.ipynb in any notebook program and "
    "run all its cells. The numbers come out the same.",
    "manifest.json also holds the SHA-256 of every file, the version of every package used, the "
    "processor's kernel of linear algebra, the seed, the command and the time.",
)


def design(trial: Trial) -> Prose:
    """Return how the trial was laid out: bindings, bales, pairs, sites, openings."""
    settings, bales = trial.settings, trial.bales
    others = [name for name in settings.compare if name != settings.reference]
    sites = list(dict.fromkeys(str(site) for site in bales["site"]))
    pairs = bales["pair"].nunique()
    lost = trial.events.loc[trial.events["what"] == "lost", "bale"].nunique()
    openings = joined([f"{o.name} ({o.days:g} days)" for o in settings.openings])
    word = block_word(settings.compare)
    grouped = f" in {count(pairs, word)}" if pairs else ", in no pairs"
    lines = [
        f"{joined(others)} compared with {settings.reference}: {count(len(bales), 'bale')}"
        f"{grouped} on {count(len(sites), 'site')} ({joined(sites)}); "
        f"{count(lost, 'bale')} lost to the trial.",
        f"Openings: {openings}, counted from film wrapping.",
    ]
    if settings.design == "recored":
        lines.append(
            "The same bales were cored at each opening. Each core lets air in, so that an effect "
            "of coring cannot be told from time in storage."
        )
    else:
        lines.append("Each bale was opened once, at the opening planned for it.")
    return Prose(tuple(line[0].upper() + line[1:] for line in lines))


def notes(result: ResponseAnalysis) -> Prose:
    """Return how the values of a response were made: units, limits, correction, basis."""
    return Prose(result.records.notes, kind="list")


def model(result: ResponseAnalysis) -> Prose:
    """Return the model chosen in one line, and what its answer is about."""
    choice = result.model
    if choice is None:
        return Prose((f"{result.response.label}: there are no values to choose a model for.",))
    response = f"log({result.response.name})" if result.response.scale == "log" else (
        result.response.name
    )  # fmt: skip
    fixed = choice.formula.replace("y ~", f"{response} ~", 1)
    random = joined(choice.random) if choice.random else "none besides the residual"
    lines = [f"{result.response.label}: {fixed}; random: {random}."]
    if result.answered:
        lines.append(
            f"The answer is about {choice.scope}; the error of the binding has "
            f"{count(choice.error_df, 'degree of freedom')} in the design."
        )
    if result.records.unit.size > 1:
        lines.append(
            f"A {result.records.unit.each} stands in the place of a bale, and those of the same "
            "pairs in the place of a pair: they are the replicates."
        )
    lines.append("The terms follow from the design and the plan, never from the data.")
    return Prose((" ".join(lines),))


def witnesses(trial: Trial, result: ResponseAnalysis) -> Prose:
    """Return how far the paired t and statsmodels bear the model out, or disagree with it."""
    if not result.answered:
        return Prose((f"{result.response.label}: without a model there is nothing to check.",))
    lines = [_paired_words(trial, result)]
    if result.witness is None:
        lines.append(
            "statsmodels' MixedLM, which holds variances at zero or above, finds no maximum for "
            "this model: there is nothing to compare."
        )
    else:
        frame = result.witness.table
        digits = frame["digits"].to_numpy()
        errors = digits[(frame["quantity"] == "std_error").to_numpy()]
        word = "agrees" if result.witness.agrees else "does not agree"
        lines.append(
            f"statsmodels' MixedLM, fitted to the same model, {word}: the log-likelihood has "
            f"{digits[0]:.0f} digits in common, the standard errors at least {errors.min():.0f}. "
            f"{result.witness.remark}".strip()
        )
    return Prose((*lines, *by_rows(trial, result)))


def _paired_words(trial: Trial, result: ResponseAnalysis) -> str:
    label, alpha = result.response.label, trial.settings.analysis.alpha
    if "estimate" not in result.exact.frame or result.exact.frame["p_value"].isna().all():
        return f"{label}: there is no paired t beside the model."
    both = named(trial, result, side_by_side(result))
    both = both[both["p_paired"].notna()]
    ratio = result.response.effect == "ratio"
    model, paired = both["model"].to_numpy(), both["paired"].to_numpy()
    apart = np.abs(np.log(paired / model) if ratio else paired - model)
    both["far"] = apart > both["model_error"].to_numpy() / 2
    both["verdict"] = (both["p_model"] < alpha) != (both["p_paired"] < alpha)
    parted = both[both["verdict"] | both["far"]]
    if not len(parted):
        return (
            f"{label}: the paired t says the same as the model at every contrast: no verdict at "
            f"{alpha:g} differs, and no estimate by more than half a standard error."
        )
    one = both["term"].nunique() == 1
    where = [_where_parted(row, one=one) for row in parted.to_dict("records")]
    advice = " Take what only one of the two shows as not settled." if both["verdict"].any() else ""
    return (
        f"{label}: the model and the paired t disagree on {joined(where)}. That can be, because "
        "the model pools the error of all openings and uses incomplete pairs too, while the "
        "paired t takes complete pairs only, each contrast with its own spread. Where the spread "
        f"differs between openings{_alike(trial)} the paired t is the safer one.{advice}"
    )


def _alike(trial: Trial) -> str:
    """The other case for the paired t: only bales cored again and again can show it."""
    if trial.settings.design != "recored":
        return ""
    return ", or a bale's results are the more alike the closer in time,"


def _where_parted(row: Mapping[Hashable, Any], *, one: bool) -> str:
    """Name a contrast on which the two disagree, and in what."""
    name = row["contrast"] if one else f"{row['comparison']}, {row['contrast']}"
    if row["verdict"]:
        both = f"model {p_value(row['p_model'])}, paired t {p_value(row['p_paired'])}"
        return f"{name} ({both})"
    return f"{name} (estimates more than half a standard error apart)"


def methods(analysis: Analysis) -> Prose:
    """Return the methods, one point each."""
    level = level_name(analysis.level)
    return Prose(
        (
            "Linear mixed models by restricted maximum likelihood (Patterson & Thompson 1971), "
            "butyric acid on the logarithm, DM loss as it is. Variances of random terms are free "
            "in sign, which keeps the identities with the paired t and analysis of variance "
            "(Nelder 1954); a negative one is reported as none detected.",
            "Standard errors, degrees of freedom and tests after Kenward & Roger (1997).",
            "Adjusted means weigh all levels of other factors equally (Searle et al. 1980). The "
            "mean of a logarithm, told in g/kg DM, is a median; a difference of logarithms is a "
            "ratio.",
            f"Simultaneous {level} intervals and adjusted p over the openings of one comparison "
            "from the multivariate t at the family's smallest degrees of freedom (Hothorn et al. "
            "2008). The comparison named in the plan, its bindings at its opening, stands by its "
            "own interval in each response.",
            "Growth with storage is one contrast named before the data: the change of the "
            "difference from the first to the last opening along a straight line in "
            "log(1 + days).",
            "A result below the laboratory's limit counts as half the limit. An opening with more "
            "than half its results below the limit, in any binding, leaves the model and is "
            "reported as counts.",
            "DM loss by mass balance: 1 minus dry matter at opening over dry matter at wrapping, "
            "binding and film taken off, earlier cores added back. A slightly negative loss is "
            "noise and stays.",
            "A value measured outside the window of its opening, by the calendar, is none of that "
            "opening: it is listed among what is left out and counts for a curve over storage "
            "only. Its partner stays, as with any value that is missing.",
            "DM at opening corrected for volatiles lost in the oven where the plan asks for it "
            f"(Weissbach & Kuhla 1995). {COEFFICIENTS} The crop's sample at baling is in no model "
            "of butyric acid or DM loss.",
            "Two independent checks: the paired t of each contrast, pair by pair, and "
            "statsmodels' MixedLM (Seabold & Perktold 2010).",
            *_together(analysis),
            *by_design(analysis),
            *_bootstrap(analysis),
        ),
        kind="list",
    )


def _together(analysis: Analysis) -> tuple[str, ...]:
    """What a value of several bales is; nothing where every value is of one bale."""
    several = [r for r in analysis.responses.values() if r.records.unit.size > 1]
    if not several:
        return ()
    units = joined([f"{r.response.in_sentence} in {r.records.unit.several}" for r in several])
    return (
        f"Analysed as values of several bales: {units}. Each is one value and one unit, never "
        "divided among its bales or copied to them; bindings are compared between units of the "
        "same pairs, and a unit without such a partner stands alone. One response holds units of "
        "one size, because several bales together vary less than one: the size that holds the "
        "most bales, counted at every opening, whatever the results. What is left out for that is "
        "listed.",
    )


def _bootstrap(analysis: Analysis) -> tuple[str, ...]:
    """What the planned bootstrap does; nothing where none is planned."""
    plan = analysis.trial.settings.analysis
    if not plan.bootstrap:
        return ()
    return (
        f"Parametric bootstrap-t of the primary contrast (Efron & Tibshirani 1993, An Introduction "
        f"to the Bootstrap, section 12.5): {plan.bootstrap} data sets drawn from the fitted model "
        f"and fitted again, seed {plan.seed}; those that could not be fitted are counted.",
    )


def references() -> Prose:
    """Return the references of the methods."""
    return Prose(_REFERENCES, kind="list")


def rerun() -> Prose:
    """Return how to run the report again."""
    return Prose(_RERUN, kind="list")
