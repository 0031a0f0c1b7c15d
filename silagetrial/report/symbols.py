"""The models fitted, in symbols: one line for each, and every term of it in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.data.settings import COVARIATES, Settings
from silagetrial.display.block import Prose
from silagetrial.display.language import say
from silagetrial.display.phrases import joined

__all__ = ["Terms", "groups", "of_loss", "of_models", "terms_of"]

_INDEX: Final = {
    "binding": "i", "opening": "j", "site": "k", "lot": "l", "run": "r", "pair": "p", "bale": "b",
    "batch": "h",
}  # fmt: skip
_FIXED: Final = {"binding": "β", "opening": "τ", "site": "φ", "lot": "λ"}
_RANDOM: Final = {
    "site": "F", "lot": "L", "run": "R", "pair": "P", "bale": "B", "batch": "H", "binding": "β",
    "opening": "τ",
}  # fmt: skip
_MORE_INDICES: Final = "mnqstuvw"
_MORE_FIXED: Final = "αγδηθκνω"
_MORE_RANDOM: Final = "ACDGKM"
_KNOWN: Final = {
    ("fixed", "binding"): "symbol.binding",
    ("fixed", "opening"): "symbol.opening",
    ("fixed", "binding:opening"): "symbol.binding_opening",
    ("fixed", "binding:site"): "symbol.binding_site",
    ("fixed", "site"): "symbol.site",
    ("fixed", "lot"): "symbol.lot",
    ("random", "site"): "symbol.random_site",
    ("random", "site:binding"): "symbol.random_site_binding",
    ("random", "site:binding:opening"): "symbol.random_site_binding_opening",
    ("random", "lot"): "symbol.random_lot",
    ("random", "run"): "symbol.random_run",
    ("random", "bale"): "symbol.random_bale",
    ("random", "bale:opening"): "symbol.random_bale_opening",
    ("random", "batch"): "symbol.random_batch",
}


@dataclass(frozen=True)
class Terms:
    """The terms of a model, each as its factors joined by colons."""

    fixed: tuple[str, ...]
    random: tuple[str, ...]


def terms_of(result: ResponseAnalysis) -> Terms:
    """Return the terms kept in the model of a response that has one.

    Parameters
    ----------
    result : ResponseAnalysis
        With an answer.
    """
    if result.model is None:
        return Terms((), ())
    frame = result.model.terms.frame
    kept = frame[frame["kept"].astype(bool)]
    fixed = tuple(str(term) for term in kept.loc[kept["part"] == "fixed", "term"])
    return Terms(fixed, result.model.random)


def groups(analysis: Analysis) -> dict[Terms, list[ResponseAnalysis]]:
    """Return the responses with an answer, those of one model together."""
    found: dict[Terms, list[ResponseAnalysis]] = {}
    for result in analysis.responses.values():
        if result.answered:
            found.setdefault(terms_of(result), []).append(result)
    return found


def of_models(analysis: Analysis) -> tuple[Prose, ...]:
    """Return each model in symbols, and what each symbol means; nothing without an answer."""
    settings = analysis.trial.settings
    shown: list[Prose] = []
    for terms, results in groups(analysis).items():
        letters = _Letters(terms, settings)
        labels = joined([result.response.label for result in results])
        shown += [
            Prose((say("symbol.model_of", labels=labels),)),
            Prose((letters.line(),), kind="formula"),
            Prose((_response(results, letters), *letters.words(results, settings)), kind="symbols"),
        ]
    return tuple(shown)


def of_loss(analysis: Analysis) -> tuple[Prose, ...]:
    """Return DM loss in symbols; nothing where no bale has one."""
    loss = analysis.responses.get("dm_loss")
    if loss is None or not len(loss.records.rows):
        return ()
    cored = analysis.trial.settings.design == "recored"
    line = "loss = 100 × [1 − (M_1 D_1 + C) / (M_0 D_0)]"
    words = [
        f"M_0, M_1: {say('symbol.masses')}",
        f"D_0, D_1: {_dry_matter(loss, analysis.trial.settings)}",
        f"C: {say('symbol.cores')}",
    ]
    if not cored:
        line, words = line.replace("(M_1 D_1 + C)", "M_1 D_1"), words[:2]
    return (
        Prose((say("symbol.loss"),)),
        Prose((line,), kind="formula"),
        Prose(tuple(words), kind="symbols"),
    )


def _dry_matter(loss: ResponseAnalysis, settings: Settings) -> str:
    """The DM that the loss rests on, as it was corrected."""
    if not loss.records.rows["uncorrected"].notna().any():
        return say("symbol.dry_matter_laboratory")
    forms = {"full": "symbol.dry_matter_full", "short": "symbol.dry_matter_short"}
    return say(forms.get(settings.dm_correction.form, "symbol.dry_matter"))


def _response(results: Sequence[ResponseAnalysis], letters: _Letters) -> str:
    """What is on the left: each response on the scale of its model."""
    scales = {"log": "symbol.log", "identity": "symbol.identity"}
    said = [
        say(scales[r.response.scale], what=r.response.in_sentence, unit=r.response.level_unit)
        for r in results
    ]
    return f"y_{letters.indices}: {say('symbol.response', what=joined(said, last='or'))}"


class _Letters:
    """Letters and indices of the factors of one model."""

    def __init__(self, terms: Terms, settings: Settings) -> None:
        self.terms = terms
        self.covariates = [name for name in settings.analysis.covariates if name in terms.fixed]
        every = [factor for term in (*terms.fixed, *terms.random) for factor in term.split(":")]
        names = [n for n in dict.fromkeys((*every, "bale")) if n not in self.covariates]
        further = (name for name in names if name not in _INDEX)
        more = dict(zip(further, _MORE_INDICES, strict=False))
        self.index = {name: _INDEX.get(name) or more.get(name, "z") for name in names}
        self.fixed = _letters(_FIXED, [n for n in terms.fixed if ":" not in n], _MORE_FIXED)
        self.random = _letters(_RANDOM, [n for n in terms.random if ":" not in n], _MORE_RANDOM)

    @property
    def indices(self) -> str:
        """Indices of one value."""
        order = [*_INDEX, *(name for name in self.index if name not in _INDEX)]
        several = "g" if "bale:opening" in self.terms.random else ""
        return "".join(self.index[name] for name in order if name in self.index) + several

    def line(self) -> str:
        """The model in one line."""
        fixed = [self.of_fixed(term) for term in self.terms.fixed]
        random = [self.of_random(term) for term in self.terms.random]
        right = " + ".join(["μ", *fixed, *random, f"e_{self.indices}"])
        return f"y_{self.indices} = {right}"

    def of_fixed(self, term: str) -> str:
        """A fixed term: Greek letters; a covariate with its value."""
        factors = term.split(":")
        measured = [name for name in factors if name in self.covariates]
        letters = "".join(self.fixed.get(name, "ψ") for name in factors)
        lower = "".join(self.index[name] for name in factors if name not in measured)
        letters = f"({letters})" if len(factors) > 1 else letters
        effect = f"{letters}_{lower}" if lower else letters
        return f"{effect} x_{self.index['bale']}" if measured else effect

    def of_random(self, term: str) -> str:
        """A random term: capital letters."""
        factors = term.split(":")
        factors = [n for n in _INDEX if n in factors] + [n for n in factors if n not in _INDEX]
        letters = "".join(self.random.get(name) or _RANDOM.get(name, "U") for name in factors)
        lower = "".join(self.index[name] for name in factors)
        return f"({letters})_{lower}" if len(factors) > 1 else f"{letters}_{lower}"

    def words(self, results: Sequence[ResponseAnalysis], settings: Settings) -> list[str]:
        """Every term in words."""
        lines = [f"μ: {say('symbol.level')}"]
        for term in self.terms.fixed:
            lines.append(f"{self.of_fixed(term)}: {self._fixed_words(term, results)}")
        for term in self.terms.random:
            lines.append(f"{self.of_random(term)}: {_random_words(term, results)}")
        return [*lines, f"e_{self.indices}: {_residual_words(settings)}"]

    def _fixed_words(self, term: str, results: Sequence[ResponseAnalysis]) -> str:
        known = _KNOWN.get(("fixed", term))
        if term in ("binding", "opening", "site", "lot") and known is not None:
            return say(known, levels=joined(_levels(term, results)))
        if known is not None:
            return say(known)
        if any(name in self.covariates for name in term.split(":")):
            *others, name = sorted(term.split(":"), key=self.covariates.__contains__)
            what = COVARIATES[name]
            if others:
                return say("symbol.covariate_by", what=what, by=joined(others))
            return say("symbol.covariate", what=what)
        if ":" in term:
            return say("symbol.interaction", what=joined(term.split(":")))
        return say("symbol.factor", what=term, levels=joined(_levels(term, results)))


def _letters(known: dict[str, str], names: Sequence[str], more: str) -> dict[str, str]:
    """A letter for each factor: its own, or the next one free."""
    spare = iter(more)
    return {**known, **{name: next(spare, "ψ") for name in names if name not in known}}


def _levels(factor: str, results: Sequence[ResponseAnalysis]) -> list[str]:
    """Levels of a factor in their order, of every response of a model."""
    order: dict[str, None] = {}
    longest = sorted(results, key=lambda r: -len(_own_levels(factor, r)))
    for result in longest:
        order.update(dict.fromkeys(_own_levels(factor, result)))
    return list(order)


def _own_levels(factor: str, result: ResponseAnalysis) -> list[str]:
    levels = {} if result.model is None else result.model.levels
    if factor in levels:
        return list(levels[factor])
    rows = result.records.rows
    return sorted(str(level) for level in rows[factor].dropna().unique())


def _random_words(term: str, results: Sequence[ResponseAnalysis]) -> str:
    if term == "pair":
        several = len(_levels("binding", results)) > 2
        units = [result.records.unit for result in results]
        if all(unit.size == 1 for unit in units):
            return say("symbol.random_set") if several else say("symbol.random_pair")
        names = joined(list(dict.fromkeys(unit.several for unit in units)))
        return say("symbol.random_set_of" if several else "symbol.random_pair_of", units=names)
    known = _KNOWN.get(("random", term))
    if known is not None:
        return say(known)
    return say("symbol.random_other", what=joined(term.split(":")))


def _residual_words(settings: Settings) -> str:
    """What the residual is, with the structure planned for it."""
    plan = settings.analysis
    said = [say("symbol.residual")]
    if plan.residual_by is not None:
        said.append(say("symbol.residual_by", what=joined(plan.residual_by.split(":"))))
    else:
        said.append(say("symbol.residual_one"))
    if plan.serial:
        name = "symbol.serial_measured" if plan.measurement_error else "symbol.serial"
        said.append(say(name))
    return joined(said, last="semicolon")
