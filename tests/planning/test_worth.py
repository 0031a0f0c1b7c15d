"""The page "is this trial worth doing?" and its pictures, on ordinary and on hostile plans."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image

from silagetrial import cli
from silagetrial.display.block import Picture
from silagetrial.display.cautions import cautions, deferral
from silagetrial.errors import NoAnswer, UsageError
from silagetrial.planning.ask import size_of_trial
from silagetrial.planning.budget import budget
from silagetrial.planning.costs import cost_of
from silagetrial.planning.curves import axis_of_pairs, detectable_by_pairs, power_by_pairs
from silagetrial.planning.facts import found_before, gather
from silagetrial.planning.finished import Finished
from silagetrial.planning.money_words import best_plans, cost_words, money, worth_of
from silagetrial.planning.pairs import pairs_needed
from silagetrial.planning.plan import NextTrial, Plan
from silagetrial.planning.power import detectable_difference, power
from silagetrial.planning.read_plan import read_plan
from silagetrial.planning.value import TrialValue, value_of_trial
from silagetrial.planning.worth import TITLE, Worth, worth
from silagetrial.planning.worth_folder import write_worth
from silagetrial.planning.worth_words import answer, effect_words, of_hundred, pairs_words

pytestmark = pytest.mark.slow

DEMO = Path(__file__).parents[2] / "data_demo" / "plan_two_farms" / "plan.toml"


@pytest.fixture(scope="module")
def plan() -> Plan:
    return read_plan(DEMO)


@pytest.fixture(scope="module")
def page(plan: Plan) -> Worth:
    return worth(plan)


def changed(plan: Plan, response: str = "butyric_acid", **assumed: object) -> Plan:
    other = replace(plan.assumptions[response], **assumed)
    return replace(plan, assumptions={**plan.assumptions, response: other})


def without_effect(plan: Plan) -> Plan:
    analysis = replace(plan.settings.analysis, important={}, margins={})
    return replace(changed(plan, effect=()), settings=replace(plan.settings, analysis=analysis))


def words(found: Worth) -> str:
    return " ".join(str(found).split())


def test_the_page_tells_the_numbers_of_the_plan(plan: Plan, page: Worth) -> None:
    text = words(page)
    found, needed = power(plan), pairs_needed(plan)
    seen = detectable_difference(plan)
    assert text.startswith(f"{TITLE} {plan.settings.title} {plan.settings.question}")
    assert f"about {100 * found.power:.0f} in 100 such trials would show a difference" in text
    assert f"it takes {needed.pairs} pairs on each of 2 farms, {needed.total} in all" in text
    assert f"(ratio {seen.other_side:.2f})" in text
    assert f"divided by {found.half_width:.2f}" in text
    assert found.wording in text
    assert money(cost_of(plan), "EUR").replace("\N{NARROW NO-BREAK SPACE}", " ") in text
    assert page.value is not None
    assert f"{abs(page.value.net):,.0f}".replace(",", " ") in text
    for caution in (*cautions(), deferral()):
        assert " ".join(caution.split()) in text
    assert "invented, for demonstration" in text


class _Outside(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.sources: list[str] = []
        self.alts: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.sources += [given[key] or "" for key in ("src", "href") if key in given]
        if tag == "img":
            self.alts.append(given.get("alt") or "")


def test_the_page_is_one_file_and_its_pictures_speak(page: Worth) -> None:
    parser = _Outside()
    parser.feed(page.to_html())
    assert parser.sources
    assert all(source.startswith(("data:image/png", "#")) for source in parser.sources)
    assert len(parser.alts) == 3
    assert all(re.search(r"\d", alt) for alt in parser.alts)


def test_text_of_the_plan_never_becomes_markup(plan: Plan) -> None:
    bindings = ("<b>net</b>", "film & $x$")
    settings = replace(
        plan.settings, title="<script>alert(1)</script>", compare=bindings, reference=bindings[0],
        analysis=replace(plan.settings.analysis, contrast=(bindings[1], bindings[0])),
    )  # fmt: skip
    hostile = replace(
        plan, settings=settings, costs=replace(plan.costs, currency="<i>EUR</i>"), lost=0.0
    )
    html = worth(hostile).to_html()
    assert "<script" not in html
    assert "<b>net" not in html
    assert "<i>EUR" not in html
    assert "&lt;b&gt;net&lt;/b&gt;" in html


def test_power_no_better_than_the_size_of_the_test_is_called_that(plan: Plan) -> None:
    text = " ".join(answer(gather(changed(plan, effect=(0.99,)))))
    assert "would probably not show what it looks for" in text
    assert "about 5 in 100" in text
    assert "hardly more than the 5 in 100 that show a difference where there is none" in text
    assert "Even 200 pairs on each farm would not give 80 % power" in text


def test_verdicts_by_power(plan: Plan) -> None:
    strong = " ".join(answer(gather(changed(plan, effect=(0.1,)))))
    assert "can answer its question, if the assumptions hold" in strong
    assert "more than 99 in 100" in strong
    middling = " ".join(answer(gather(changed(plan, effect=(0.45,)))))
    assert "too small to rely on" in middling


def test_without_an_effect_the_page_says_what_could_be_seen(plan: Plan) -> None:
    found = worth(without_effect(plan))
    text = words(found)
    assert "cannot be said yet: no ratio of butyric acid is named" in text
    assert "under [assumptions.butyric_acid]" in text
    assert "With the pairs planned it shows, with 80 % power, that butyric acid is" in text
    assert "No value of the next trial: not given are the expected ratio" in text
    assert set(found.charts) == {"detectable"}
    assert found.budget is None


def test_nothing_affordable_is_said_with_the_cheapest(plan: Plan) -> None:
    assert plan.costs is not None
    poor = replace(plan, costs=replace(plan.costs, money=500.0))
    said = " ".join(best_plans(budget(poor, most_pairs=12, samples=(1,), analyses=(1,))))
    assert re.search(r"500 EUR pay for none of them: the cheapest costs \d", said)
    assert "more than the 500 EUR there are" in cost_words(poor)
    rich = replace(plan, costs=replace(plan.costs, money=1e6))
    assert cost_words(rich).endswith("there are pay for it.")


def test_no_plan_strong_enough_is_said_with_the_strongest(plan: Plan) -> None:
    weak = changed(plan, effect=(0.97,))
    found = budget(weak, most_pairs=9, samples=(1,), analyses=(1,))
    first = best_plans(found)[0]
    assert first.startswith(f"None of {len(found.options)} plans looked at reaches 80 % power")


def test_the_best_plans_are_described(plan: Plan) -> None:
    found = budget(plan, samples=(1,), analyses=(1,))
    said = " ".join(best_plans(found))
    assert found.cheapest is not None
    assert f"{found.cheapest.choice.pairs} pairs on each of 2 farms, opened at 8 months" in said
    assert "It gives up 2 months and 5 months, about which it then says nothing." in said
    assert "The first named is also the one with most power for" in said
    dear = replace(found, money=found.cheapest.cost + 3000)
    assert re.search(r"Most power for .* EUR: .* power \d\d %", " ".join(best_plans(dear)))
    short = replace(found, options=found.options[found.options["openings"].map(len) == 1])
    assert "None that keeps all openings has that power." in " ".join(best_plans(short))


def test_three_bindings_come_in_sets(plan: Plan) -> None:
    settings = replace(plan.settings, compare=("net", "film", "twine"))
    text = words(worth(replace(plan, settings=settings, lost=0.0), search=False))
    assert "sets on each of 2 farms" in text
    assert "sets, spare ones included" in text
    assert not re.search(r"\d pairs", text)
    assert "-0%" not in text


def test_most_values_below_the_limit_is_a_refusal_with_a_reason(plan: Plan) -> None:
    found = worth(changed(plan, limit=5.0))
    text = words(found)
    assert found.facts is None
    assert "would lie below the limit of 5 g/kg DM. What to do:" in text
    assert "The plan costs" in text
    assert deferral() in text
    assert 'class="st-refusal"' in found.to_html()
    bare = worth(replace(changed(plan, limit=5.0), costs=None))
    assert "What it costs" not in words(bare)


def test_growth_and_average_are_worded(plan: Plan) -> None:
    growth = gather(replace(plan, aim="growth"))
    assert effect_words(growth, 0.76) == (
        "the ratio of butyric acid, film against net, changes by a factor of 0.76 from 2 months to "
        "8 months"
    )
    assert "stays the same" in effect_words(growth, 1.0)
    average = gather(replace(plan, aim="average"))
    assert effect_words(average, 0.7).endswith("on average over 2 months, 5 months and 8 months")
    dm = gather(plan, response="dm_loss")
    assert effect_words(dm, -1.0) == (
        "DM loss is 1 percentage point lower with film than with net at 8 months"
    )
    assert "is the same with film and net" in effect_words(dm, 0.0)
    moved = gather(replace(plan, aim="growth"), response="dm_loss")
    assert "changes by \N{MINUS SIGN}2.00 percentage points" in effect_words(moved, -2.0)


def test_claims_are_worded(plan: Plan) -> None:
    analysis = replace(plan.settings.analysis, margins={"butyric_acid": 1.5})
    claim = changed(replace(plan, settings=replace(plan.settings, analysis=analysis)), effect=())
    text = " ".join(answer(gather(claim)))
    assert "would show that the two are equivalent (margin 1.50)" in text
    assert "or a larger difference" not in text
    noninferior = replace(
        claim,
        settings=replace(claim.settings, analysis=replace(analysis, claim="non-inferiority")),
    )
    text = " ".join(answer(gather(noninferior)))
    assert "would show that film is no worse than net (margin 1.50)" in text
    curve = power_by_pairs(claim, pairs=(9, 18))
    assert curve["effect"].iloc[0] == "ratio 1.00"


def test_precision_is_an_alternative(plan: Plan) -> None:
    text = " ".join(answer(gather(replace(plan, half_width=1.5))))
    needed = pairs_needed(plan, half_width=1.5).pairs
    assert f"from the estimate divided by 1.50 to 1.50 times it, it takes {needed} pairs" in text
    far = " ".join(answer(gather(replace(plan, half_width=1.01))))
    assert "Even 200 pairs on each farm do not make it reach" in far


def test_one_farm_has_no_each(plan: Plan) -> None:
    alone = gather(replace(plan, sites=plan.sites[:1]))
    assert "on each" not in pairs_words(alone)


def test_another_response_has_no_price(plan: Plan) -> None:
    text = words(worth(plan, response="dm_loss", search=False))
    assert "No value of the next trial for DM loss." in text


def test_without_prices_and_decision_each_is_named(plan: Plan) -> None:
    text = words(worth(replace(plan, costs=None, next_trial=None)))
    assert "No prices in the plan." in text
    assert "bales_per_year, years and gain_per_bale under [next_trial]" in text


def test_of_hundred() -> None:
    assert of_hundred(0.001) == "fewer than 1 in 100"
    assert of_hundred(0.9999) == "more than 99 in 100"
    assert of_hundred(0.354) == "about 35 in 100"


def test_money_in_words() -> None:
    assert money(-1234.4, "EUR") == "\N{MINUS SIGN}1\N{NARROW NO-BREAK SPACE}234 EUR"
    assert money(-0.2, "") == "0"
    loss = TrialValue(mean=-0.5, sd=1.0, perfect=100.0, sample=60.0, cost=100.0, bales=50.0)
    assert "it costs 40 EUR more than that" in worth_of(loss, "EUR")
    assert "that is 20 EUR more than it costs" in worth_of(replace(loss, cost=40.0), "EUR")


def past(plan: Plan, **fields: object) -> Finished:
    rows = (
        {"term": "film - net", "opening": "8 months", "estimate": 0.6, "std_error": 0.12,
         "scale": "ratio"},
    )  # fmt: skip
    made = Finished(
        "the finished report 'x'", "butyric_acid", "separate", ("pair", "residual"),
        np.array([0.1, 0.3]), np.diag([0.003, 0.01]), "95 % intervals of the ratio: x",
        {"differences": rows, "average": (), "growth": ()},
    )  # fmt: skip
    return replace(made, **fields)


def test_what_is_believed_may_come_from_a_finished_trial(plan: Plan) -> None:
    assert plan.next_trial is not None
    open_plan = replace(plan, next_trial=replace(plan.next_trial, effect_sd=None))
    found = worth(open_plan, spread=past(plan), search=False)
    seen = detectable_difference(open_plan, spread=past(plan))
    # Standard error of a logarithm: that of the ratio over the ratio.
    expected = value_of_trial(
        open_plan.next_trial, effect=float(np.log(0.6)), effect_sd=0.2,
        std_error=seen.std_error, cost=cost_of(plan),
    )  # fmt: skip
    assert found.value == expected
    text = words(found)
    assert "have 80 % power with 80 % confidence" in text
    assert "How much butyric acid varies is taken from the finished report 'x'." in text
    assert "Averaged over that uncertainty the plan's power is 0." in text
    other = past(plan, estimates={"differences": ()})
    assert found_before(gather(open_plan, spread=other), other) is None
    assert "effect_sd under [next_trial]" in words(worth(open_plan, spread=other, search=False))


def test_curves_are_powers_of_the_plan(plan: Plan) -> None:
    data = power_by_pairs(plan, pairs=(9, 18))
    assert list(dict.fromkeys(data["effect"])) == ["ratio 0.77", "ratio 0.60", "ratio 0.46"]
    middle = data[data["effect"] == "ratio 0.60"]
    assert list(middle["pairs"]) == [18, 36]
    assert middle["power"].iloc[1] == pytest.approx(power(plan, pairs=18).power)
    assert (middle["low"] < middle["power"]).all()
    assert (middle["high"] > middle["power"]).all()
    assert data[data["effect"] != "ratio 0.60"]["low"].isna().all()
    near = power_by_pairs(changed(plan, effect=(0.99,)), pairs=(9,))
    assert list(near["effect"]) == ["ratio 0.995", "ratio 0.990", "ratio 0.985"]
    seen = detectable_by_pairs(plan, pairs=(9, 18), side=-1.0)
    assert seen["effect"].iloc[1] == pytest.approx(detectable_difference(plan, pairs=18).other_side)
    assert (seen["low"] > seen["effect"]).all()


def test_the_axis_of_pairs_reaches_past_the_plan(plan: Plan) -> None:
    counts = axis_of_pairs(plan, 32)
    assert counts[0] == 3
    assert counts[-1] >= 32
    assert all(count % 3 == 0 for count in counts)
    recored = replace(plan, settings=replace(plan.settings, design="recored"))
    assert axis_of_pairs(recored, None)[0] == 2
    assert axis_of_pairs(recored, None)[-1] >= 18


def charts(page: Worth) -> list[Picture]:
    return [page.charts[name] for name in ("power", "detectable", "frontier")]


def test_pictures_are_a_column_wide_at_300_dots(page: Worth) -> None:
    for chart in charts(page):
        image = Image.open(io.BytesIO(chart.png))
        assert image.width == int(85 / 25.4 * 300)
        root = ElementTree.fromstring(chart.svg)
        assert root.attrib["width"].startswith(f"{85 / 25.4 * 72:.2f}"[:5])
        assert len(chart.data)
        assert np.isfinite(chart.data.select_dtypes("number").drop(
            columns=["low", "high"], errors="ignore")).all(axis=None)  # fmt: skip


def test_the_same_plan_gives_the_same_bytes(plan: Plan, page: Worth) -> None:
    again = worth(plan)
    for name, chart in page.charts.items():
        assert again.charts[name].png == chart.png
        assert again.charts[name].svg == chart.svg
    assert again.to_html() == page.to_html()


def test_pictures_have_marks_and_line_styles(page: Worth) -> None:
    root = page.charts["power"].svg.decode()
    for colour in ("#0072b2", "#d55e00", "#009e73"):
        assert colour in root
    assert "stroke-dasharray" in root


def test_a_difference_that_is_negative_is_drawn_below_none(plan: Plan) -> None:
    found = worth(plan, response="dm_loss", search=False)
    assert (found.charts["detectable"].data["effect"] < 0).all()
    assert "\N{MINUS SIGN}1.00" in found.charts["power"].alt


def test_the_folder_holds_page_text_pictures_and_data(page: Worth, tmp_path: Path) -> None:
    out = tmp_path / "page"
    files = {path.relative_to(out).as_posix() for path in write_worth(page, out)}
    assert files == {
        "worth.html", "worth.txt", "worth_files.json",
        *(f"pictures/{name}.{end}" for name in page.charts for end in ("png", "svg", "csv")),
    }  # fmt: skip
    assert (out / "worth.txt").read_text(encoding="utf-8") == str(page)
    write_worth(page, out)  # an earlier one is replaced
    (out / "worth.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match=r"worth\.txt"):
        write_worth(page, out)


def test_the_command_answers_in_lines(capsys: pytest.CaptureFixture[str], plan: Plan) -> None:
    assert cli.main(["power", str(DEMO), "--pairs", "18"]) == 0
    shown = capsys.readouterr()
    assert power(plan, pairs=18).wording in shown.out
    assert "planned are 36" in shown.out
    assert shown.err == ""


def test_the_command_looks_for_better_plans_and_writes_the_page(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    assert cli.main(["power", str(DEMO.parent), "--budget", "--out", str(out)]) == 0
    shown = capsys.readouterr().out
    assert "Plans compared" in shown
    assert "Most of the uncertainty" in shown
    assert shown.endswith(f"Page: {out / 'worth.html'}\n")
    assert TITLE in (out / "worth.html").read_text(encoding="utf-8")


def test_observed_power_is_refused_with_what_helps(
    capsys: pytest.CaptureFixture[str], plan: Plan
) -> None:
    assert cli.main(["power", str(DEMO), "--observed"]) == 4
    shown = capsys.readouterr()
    assert shown.out == ""
    assert "power at the observed effect only says the p value again" in shown.err
    assert "The interval: with --from REPORT" in shown.err
    assert "The next trial: As planned" in shown.err


def test_the_command_names_what_is_wrong(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["power", str(DEMO), "--response", "butyric"]) == 2
    assert "butyric" in capsys.readouterr().err
    assert cli.main(["power", str(DEMO), "--from", "nowhere"]) == 2
    assert "report" in capsys.readouterr().err
    assert cli.main(["power", "nowhere"]) == 3


def test_budget_without_prices_is_no_answer(plan: Plan) -> None:
    with pytest.raises(NoAnswer, match="no prices"):
        size_of_trial(replace(plan, costs=None), search=True)


def test_a_decision_without_worth_of_its_own_is_refused(plan: Plan) -> None:
    decision = NextTrial(bales_per_year=10, years=1, gain_per_bale=1.0)
    text = words(worth(replace(plan, next_trial=decision), search=False))
    assert "effect_sd under [next_trial], or a finished report" in text
