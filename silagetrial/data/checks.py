"""All checks of a trial, each a small function, all of them always run."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Final

from silagetrial.data import (
    checks_blind,
    checks_design,
    checks_due,
    checks_groups,
    checks_known,
    checks_names,
    checks_opened,
    checks_others,
    checks_plan,
    checks_ranges,
    checks_runs,
    checks_settings,
    checks_times,
    checks_together,
    checks_values,
)
from silagetrial.data.draft import Draft
from silagetrial.data.read_settings import SETTINGS_FILE
from silagetrial.data.schema import SHEET, TABLES, file_name
from silagetrial.errors import Problem

__all__ = ["CHECKS", "SETTINGS_CHECKS", "Problem", "in_order", "run_checks"]

SETTINGS_CHECKS: Final[tuple[Callable[[Draft], Iterator[Problem]], ...]] = (
    checks_settings.bindings,
    checks_settings.openings,
    checks_settings.analysis_names,
    checks_settings.analysis_numbers,
    checks_settings.measurement_sds,
    checks_settings.short_form_crop,
    checks_plan.curve_planned,
    checks_plan.random_slopes,
    checks_plan.covariate_names,
    checks_plan.further_responses,
    checks_plan.limits,
    checks_plan.margins,
    checks_plan.structure,
)
"""Checks of the settings by themselves, before there is a table."""

CHECKS: Final[tuple[Callable[[Draft], Iterator[Problem]], ...]] = (
    *SETTINGS_CHECKS,
    checks_settings.factor_columns,
    checks_names.looked_up,
    checks_names.duplicate_names,
    checks_names.ambiguous_names,
    checks_known.bindings_known,
    checks_known.openings_known,
    checks_known.samples_of_known,
    checks_known.weighings_known,
    checks_known.events_known,
    checks_known.seen_known,
    checks_known.scales_known,
    checks_known.scales_described,
    checks_groups.group_weighings,
    checks_groups.parts_known,
    checks_groups.composite_parts,
    checks_groups.composites_kept_whole,
    checks_names.duplicate_rows,
    checks_design.pair_bindings,
    checks_design.pair_complete,
    checks_design.pair_of_one_place,
    checks_design.pair_made_alike,
    checks_runs.made_in_turn,
    checks_design.opening_planned,
    checks_design.opening_used,
    checks_due.day0_sample_there,
    checks_due.opening_sample_there,
    checks_due.first_weighing_there,
    checks_due.opening_weighing_there,
    checks_design.pair_one_batch,
    checks_design.same_scale,
    checks_times.film_after_baling,
    checks_together.hours_recorded,
    checks_together.film_soon,
    checks_together.hours_alike,
    checks_times.nothing_before_baling,
    checks_together.weighed_with_film_on,
    checks_times.day0_at_baling,
    checks_times.window_kept,
    checks_together.pair_opened_together,
    checks_together.opened_once,
    checks_together.weighed_when_sampled,
    checks_times.lost_before_sample,
    checks_times.cores_weighed,
    checks_ranges.not_negative,
    checks_ranges.within_limits,
    checks_opened.one_scorer_a_pair,
    checks_opened.hot_bales,
    checks_opened.rises_alike,
    checks_ranges.results_possible,
    checks_ranges.results_plausible,
    checks_others.parts_within_dm,
    checks_others.acids_within_dm,
    checks_others.ten_fold_jump,
    checks_others.limits_of_one_size,
    checks_others.dm_not_moisture,
    checks_values.dm_basis_given,
    checks_values.dm_bases_agree,
    checks_values.oven_loss_overstated,
    checks_values.acids_for_full_form,
    checks_values.dm_for_short_form,
    checks_values.mass_gain,
    checks_values.mass_lost,
    checks_values.nir_butyric,
    checks_values.butyric_zero,
    checks_values.film_on_alike,
    checks_blind.binding_as_seen,
    checks_blind.key_samples_known,
    checks_blind.key_opening_kept,
)
"""Every check of a draft that is in order; none depends on another having passed."""

_FILES: Final = (SETTINGS_FILE, *(file_name(table) for table in TABLES))


def _place(file: str) -> int:
    """Return where a file stands among the tables; a sheet stands where its file would."""
    _, _, sheet = file.partition(SHEET)
    name = file_name(sheet) if sheet else file
    return _FILES.index(name) if name in _FILES else len(_FILES)


def run_checks(draft: Draft) -> tuple[Problem, ...]:
    """Return what every check has to say."""
    return tuple(problem for check in CHECKS for problem in check(draft))


def in_order(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """Return problems, errors first, then by file and line."""
    return tuple(
        sorted(
            problems,
            key=lambda item: (
                item.severity != "error",
                _place(item.file),
                item.file,
                item.line or 0,
                item.column or "",
                item.found,
            ),
        )
    )
