"""The command line: what is printed where, and the exit codes."""

from __future__ import annotations

import io
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from builders import make_trial

import silagetrial
from silagetrial import cli
from silagetrial.report import Report

DEMOS = Path(__file__).parents[1] / "data_demo"

SUMMARY = ("Butyric acid was lower.", "DM loss differs by \u22120.16 points.", "About one farm.")

PLACE = f"Report: {Path('dir') / 'report.html'}\n"


@pytest.fixture
def demo(tmp_path: Path) -> Path:
    return Path(shutil.copytree(DEMOS / "cored_bales", tmp_path / "trial"))


def report_stub(answered: bool, calls: list[dict[str, object]]) -> object:
    def write_report(folder: str, out: str, **options: object) -> Report:
        calls.append({"folder": folder, "out": out, **options})
        progress = options["progress"]
        if callable(progress):
            progress("reading the trial")
        return Report(Path(out), SUMMARY, answered, ())

    return write_report


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_the_answer_goes_to_standard_output_and_nothing_else(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    calls: list[dict[str, object]] = []
    monkeypatch.setattr(silagetrial, "write_report", report_stub(True, calls), raising=False)
    assert cli.main(["report", "trial", "--out", "dir", "--date", "2026-05-31"]) == 0
    shown = capsys.readouterr()
    assert shown.out == "\n".join([*SUMMARY, PLACE])
    assert shown.err == ""
    assert calls[0]["folder"] == "trial"
    assert calls[0]["out"] == "dir"
    assert str(calls[0]["date"]) == "2026-05-31"
    assert calls[0]["progress"] is None
    assert calls[0]["force"] is False
    assert cli.main(["report", "trial", "--out", "dir", "--force"]) == 0
    assert calls[1]["force"] is True


def test_progress_shows_on_a_terminal_unless_quiet(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(silagetrial, "write_report", report_stub(True, []), raising=False)
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    assert cli.main(["report", "trial", "--out", "dir"]) == 0
    assert terminal.getvalue() == "silagetrial: reading the trial\n"
    quiet = Terminal()
    monkeypatch.setattr(sys, "stderr", quiet)
    assert cli.main(["report", "trial", "--out", "dir", "--quiet"]) == 0
    assert quiet.getvalue() == ""
    assert capsys.readouterr().out.count("About one farm.") == 2


def test_no_answer_is_exit_code_four_with_the_reason_on_standard_output(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(silagetrial, "write_report", report_stub(False, []), raising=False)
    assert cli.main(["report", "trial", "--out", "dir"]) == 4
    assert capsys.readouterr().out == "\n".join([*SUMMARY, PLACE])


def test_a_minus_sign_survives_a_narrow_encoding(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(silagetrial, "write_report", report_stub(True, []), raising=False)
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding="cp1252"))
    assert cli.main(["report", "trial", "--out", "dir"]) == 0
    sys.stdout.flush()
    assert b"DM loss differs by -0.16 points." in raw.getvalue()


def test_check_lists_warnings_and_is_content(
    demo: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["check", str(demo)]) == 0
    shown = capsys.readouterr()
    assert "Problems: 0 errors, 1 warning" in shown.out
    assert "CA04-2" in shown.out
    assert shown.err == ""


def test_check_is_a_list_as_wide_as_the_terminal(
    demo: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    assert cli.main(["check", str(demo)]) == 0
    assert capsys.readouterr().out.startswith(
        "Problems: 0 errors, 1 warning\n\n"
        "bales.csv\n\n"
        "  warning, line 9, column bale\n"
        "    found: bale CA04-2: no sample at 3 months\n"
        "    expected: a sample of kind opening or core at 3 months\n"
        "    what to do: add it if it exists; without it the bale\n"
        "      gives no value at 3 months\n\n"
        "Net or twine, the same bales cored four times\n"
    )


def test_check_of_a_trial_without_problems(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = make_trial(tmp_path)
    assert cli.main(["check", str(folder)]) == 0
    shown = capsys.readouterr().out
    assert shown.startswith(f"No problems found in {folder}.\n\nInvented trial\n")
    assert "\nbales      32 in 16 pairs on 2 sites, 0 lost\n" in shown
    assert "\n  A01  ##\n" in shown


def test_columns_of_all_tables_and_of_one(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["columns"]) == 0
    everything = capsys.readouterr().out
    for heading in (
        "bales.csv (required)",
        "events.csv (may be left out)",
        "trial.toml (required)",
    ):
        assert heading in everything.splitlines()
    assert cli.main(["columns", "weighings"]) == 0
    one = capsys.readouterr().out
    assert one.startswith("weighings.csv (required)\n\n  weighing: required; name without spaces\n")
    assert one in everything
    assert "bales.csv" not in one


def test_columns_of_a_table_that_is_not_known(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["columns", "bale"]) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err == (
        "Found: the table 'bale'\n"
        "Expected: one of bales, samples, sample_parts, weighings, events, scales, blind_key, "
        "mould, temperatures, aerobic, trial.toml, laboratories.toml\n"
        "Remedy: did you mean 'bales'? If not, name one of these, or none to see all\n"
    )


@pytest.mark.parametrize("arguments", [["check", str(DEMOS / "three_farms")], ["columns"]])
def test_a_reader_who_has_had_enough_is_no_error(arguments: list[str]) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    command = [sys.executable, "-m", "silagetrial.cli", *arguments]
    try:
        done = subprocess.run(
            command, stdout=writing, stderr=subprocess.PIPE, text=True, check=False
        )
    finally:
        os.close(writing)
    assert done.stderr == ""
    assert done.returncode == 0


def test_check_of_a_trial_with_errors(demo: Path, capsys: pytest.CaptureFixture[str]) -> None:
    toml = demo / "trial.toml"
    text = toml.read_text(encoding="utf-8")
    toml.write_text(text.replace('butyric_acid = "g/kg DM"\n', ""), encoding="utf-8")
    assert cli.main(["check", str(demo)]) == 3
    assert "butyric_acid" in capsys.readouterr().out


def test_a_report_on_data_with_errors_says_so_on_standard_error(
    demo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    toml = demo / "trial.toml"
    text = toml.read_text(encoding="utf-8")
    toml.write_text(text.replace('butyric_acid = "g/kg DM"\n', ""), encoding="utf-8")
    assert cli.main(["report", str(demo), "--out", str(tmp_path / "out")]) == 3
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.startswith("Found: ")
    assert "error in trial.toml" in shown.err
    assert "butyric_acid" in shown.err
    assert "\nExpected: " in shown.err
    assert "\nRemedy: " in shown.err
    assert not (tmp_path / "out").exists()


def test_a_place_that_is_taken_is_a_usage_error(
    demo: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["report", str(demo), "--out", str(demo)]) == 2
    assert "is not empty: it holds" in capsys.readouterr().err


def test_a_missing_folder_is_a_data_problem(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["check", str(tmp_path / "nowhere")]) == 3
    assert "nowhere" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "found"),
    [
        (["report", "--ouput", "dir"], "'--ouput', which is no option"),
        (["check", "a", "b"], "unrecognized arguments: b"),
        (["report", "trial"], "the following arguments are required: --out"),
        (["report", "trial", "--out", "dir", "--date", "31.5.2026"], "'31.5.2026' is not a date"),
        (["invent"], "'invent', which is no command"),
    ],
)
def test_wrong_arguments_say_what_was_found_expected_and_what_to_do(
    arguments: list[str], found: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as caught:
        cli.main(arguments)
    assert caught.value.code == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.startswith("Found: ")
    assert found in shown.err
    assert "\nExpected: silagetrial" in shown.err
    assert "see `silagetrial" in shown.err.split("\nRemedy: ")[1]


@pytest.mark.parametrize(
    ("arguments", "meant"),
    [
        (["raport", "trial"], "'report'"),
        (["--hepl"], "'--help'"),
        (["report", "trial", "--ouput", "dir"], "'--out'"),
        (["power", "plan.toml", "--simulat", "5", "--sede=4"], "'--seed'"),
    ],
)
def test_a_misspelt_command_or_option_names_the_right_one(
    arguments: list[str], meant: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as caught:
        cli.main(arguments)
    assert caught.value.code == 2
    assert f"\nRemedy: did you mean {meant}? If not, see `silagetrial" in capsys.readouterr().err


def test_alone_it_says_what_to_do_next(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main([]) == 0
    shown = capsys.readouterr()
    assert shown.err == ""
    commands = [line.split() for line in shown.out.splitlines() if line.startswith("    ")]
    assert [words[:2] for words in commands] == [
        ["silagetrial", name] for name in ("start", "start", "start", "check")
    ]
    for heading in ("Show me the demonstration.", "I plan a trial.", "I have data."):
        assert heading in shown.out
    assert max(map(len, shown.out.splitlines())) <= 100


def test_every_command_it_names_works(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    cli.main([])
    for line in capsys.readouterr().out.splitlines():
        if line.startswith("    "):
            assert cli.main(line.split()[1:]) == 0


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "silagetrial.cli", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_version_and_help() -> None:
    assert run("--version").stdout.strip() == f"silagetrial {silagetrial.__version__}"
    shown = run("--help").stdout
    for word in ("report", "check", "reproduce", "Exit codes", "4 no answer", "5 a report not"):
        assert word in shown


def test_help_loads_nothing_heavy_and_is_quick() -> None:
    code = (
        "import contextlib\nfrom silagetrial import cli\n"
        "with contextlib.suppress(SystemExit):\n    cli.main(['--help'])\n"
    )
    assert not loaded_by(code) & {"numpy", "pandas", "scipy", "matplotlib", "nbconvert"}
    bare = min(_seconds("-c", "pass") for _ in range(3))
    helped = min(_seconds("-m", "silagetrial.cli", "--help") for _ in range(3))
    # 0.2 s on the machine this was written for, where a bare interpreter takes 0.02 s.
    assert helped < max(0.2, 8 * bare)


@pytest.mark.parametrize(
    "code",
    [
        f"from silagetrial import cli; cli.main(['check', {str(DEMOS / 'three_farms')!r}])",
        "import silagetrial.report.run",  # the models are loaded by the notebook's own process
    ],
    ids=["check", "report"],
)
def test_to_read_a_trial_no_models_are_loaded(code: str) -> None:
    assert not loaded_by(code) & {"scipy.stats", "statsmodels", "matplotlib", "silagetrial.mixed"}


def loaded_by(code: str) -> set[str]:
    """Return the modules that are loaded when some code has run."""
    told = f"{code}\nimport sys\nprint(*sys.modules, file=sys.stderr)"
    command = [sys.executable, "-c", told]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return set(done.stderr.split())


def _seconds(*arguments: str) -> float:
    start = time.perf_counter()
    subprocess.run([sys.executable, *arguments], capture_output=True, check=True)
    return time.perf_counter() - start
