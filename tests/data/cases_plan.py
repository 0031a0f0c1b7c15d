"""What can be wrong with the curve, covariates, responses and limits of trial.toml."""

from __future__ import annotations

from problem_case import Case, error, toml


def plan(check: str, key: str, lines: str, found: str, remedy: str) -> Case:
    """Return a case of lines added to [analysis]."""
    edit = toml("seed =", f"{lines}\nseed =")
    return error(check, edit, "trial.toml", f"analysis.{key}", None, found, remedy)


PLAN = (
    plan("curve_planned", "knots", 'curve = "spline"', "curve = 'spline' without knots",
         "add knots"),
    plan("curve_planned", "knots", 'curve = "broken"', "curve = 'broken' without knots",
         "add knots"),
    plan("curve_planned", "knots", 'curve = "log"\nknots = [60]', "knots = [60] with curve = 'log'",
         "or remove knots"),
    plan("curve_planned", "knots", "knots = [60]", "knots = [60] with no curve", "add curve ="),
    plan("curve_planned", "knots", 'curve = "broken"\nknots = [150, 60]', "knots = [150, 60]",
         "put the knots in order"),
    plan("curve_planned", "knots", 'curve = "broken"\nknots = [60, 60]', "knots = [60, 60]",
         "put the knots in order"),
    plan("curve_planned", "knots", 'curve = "broken"\nknots = [240]', "knots = [240]",
         "each between two openings"),
    plan("curve_planned", "knots", 'curve = "spline"\nknots = [0]', "knots = [0]",
         "each between two openings"),
    plan("curve_planned", "curve", 'curve = "spline"\nknots = [100, 150]',
         "a curve of 3 coefficients for 2 openings", "plan fewer knots"),
    plan("random_slopes", "slopes", 'slopes = ["bale"]', "slopes = ['bale'] without a curve",
         "or remove slopes"),
    plan("random_slopes", "slopes", 'curve = "log"\nslopes = ["bales"]', "slopes names 'bales'",
         "did you mean 'bale'?"),
    plan("random_slopes", "slopes", 'curve = "log"\nslopes = ["additive"]',
         "slopes names 'additive'", "remove it"),
    plan("covariate_names", "covariates", 'covariates = ["density"]',
         "covariates names 'density': the binding helps to make the density", "report it beside"),
    plan("covariate_names", "covariates", 'covariates = ["bale_mass"]',
         "the mass of a bale depends on how it is bound", "remove it"),
    plan("covariate_names", "covariates", 'covariates = ["wrap_damage"]',
         "damage to the wrap comes after the binding", "remove it"),
    plan("covariate_names", "covariates", 'covariates = ["holes"]',
         "damage to the wrap comes after the binding", "remove it"),
    plan("covariate_names", "covariates", 'covariates = ["day0_butyric_acid"]',
         "butyric acid of the crop is mostly below the laboratory's limit", "remove it"),
    plan("covariate_names", "covariates", 'covariates = ["pH"]',
         "at an opening it is a result of the storage", "remove it"),
    plan("covariate_names", "covariates", 'covariates = ["day0_dn"]',
         "it is not known to be measured before the binding acts", "did you mean 'day0_dm'?"),
    plan("further_responses", "responses", 'responses = ["dm_loss"]',
         "responses names 'dm_loss', which is always analysed", "remove it"),
    plan("further_responses", "responses", 'responses = ["lactic_acd"]',
         "responses names 'lactic_acd'", "did you mean 'lactic_acid'?"),
    plan("limits", "limits", "limits = {dm_loss = 0}", "limits.dm_loss = 0",
         "write the level that matters"),
    plan("margins", "margins", "margins = {butyric_acid = 0.8}", "margins.butyric_acid = 0.8",
         "write the largest difference that does not matter"),
    plan("margins", "margins", "margins = {dm_loss = 0}", "margins.dm_loss = 0",
         "write the largest difference that does not matter"),
    plan("structure", "serial", "serial = true", "serial = true with bales opened once",
         "remove it, or correct [design] bales"),
    plan("structure", "measurement_error", "measurement_error = true",
         "measurement_error = true without serial = true", "add serial = true"),
    plan("parse_settings", "limits", "limits = {loss = 8}", "limits = {'loss': 8}",
         "correct the value of limits"),
    plan("parse_settings", "curve", 'curve = "logg"', "curve = 'logg'", "did you mean 'log'?"),
    plan("parse_settings", "knots", 'knots = ["60"]', "knots = ['60']",
         "correct the value of knots"),
)  # fmt: skip
