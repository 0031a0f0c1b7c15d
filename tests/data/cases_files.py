"""What can be wrong with files, cells and the steps of reading, one case each."""

from __future__ import annotations

from pathlib import Path

from problem_case import (
    OPENED,
    SAMPLE,
    again,
    both,
    cell,
    error,
    every,
    toml,
    warning,
)


def _without_units(folder: Path) -> None:
    path = folder / "trial.toml"
    head, tail = path.read_text(encoding="utf-8").split("[units]")
    path.write_text(head + "[dm_correction]" + tail.split("[dm_correction]")[1], encoding="utf-8")


FILES = (
    error(
        "_missing_file",
        lambda folder: (folder / "samples.csv").unlink(),
        "samples.csv",
        None,
        None,
        "no such file in the trial's folder",
        "a heading alone says that there are no entries yet",
    ),
    error(
        "_missing_file",
        lambda folder: (folder / "weighings.csv").rename(folder / "weighing.csv"),
        "weighings.csv",
        None,
        None,
        "no such file in the trial's folder",
        "did you mean 'weighing.csv'?",
    ),
    warning(
        "_stray_files",
        lambda folder: (folder / "event.csv").write_text("bale\n"),
        "event.csv",
        None,
        None,
        "a table that is not known",
        "did you mean 'events.csv'?",
    ),
    error(
        "read_csv",
        lambda folder: (folder / "samples.csv").write_bytes(b""),
        "samples.csv",
        None,
        None,
        "an empty file",
        "write the heading",
    ),
    error(
        "read_csv",
        lambda folder: (folder / "events.csv").write_text("bale,at,what\nA01-net,2025-06-01\n"),
        "events.csv",
        None,
        "2025-06-01",
        "2 cells",
        "put the missing commas in",
    ),
    error(
        "read_csv",
        lambda folder: (folder / "scales.csv").write_text("scale,step\nplatform,0,5\n"),
        "scales.csv",
        None,
        "platform",
        "3 cells",
        "write numbers with a decimal point",
    ),
    error(
        "read_csv",
        lambda folder: (folder / "scales.csv").write_text('scale,kind\nplatform,"pla'),
        "scales.csv",
        None,
        "platform",
        "text that is no CSV",
        "a double quote that is not closed",
    ),
    error(
        "decode",
        lambda folder: (folder / "events.csv").write_bytes(
            b"bale,at,what,note\nA01-net,2025-06-01,moved,Kr\xe4he\n"
        ),
        "events.csv",
        "note",
        "A01-net",
        "a byte (0xe4) that is no UTF-8; in Windows-1252 it is 'ä'",
        "Save as or Export: file type CSV, character set UTF-8",
    ),
    error(
        "decode",
        lambda folder: (folder / "events.csv").write_bytes(b"bale,at,what,n\x81te\n"),
        "events.csv",
        None,
        "bale",
        "a byte (0x81) that is no UTF-8; no character of Windows-1252 either",
        "character set UTF-8",
    ),
    error(
        "decode",
        lambda folder: (folder / "events.csv").write_bytes(
            b"bale;at;what;note\nA01-net;2025-06-01;moved;Kr\xe4he\n"
        ),
        "events.csv",
        "note",
        "A01-net",
        "a byte (0xe4) that is no UTF-8; in Windows-1252 it is 'ä'",
        "character set UTF-8",
    ),
    error(
        "decode",
        lambda folder: (folder / "events.csv").write_bytes("bale,at\n".encode("utf-16-le")),
        "events.csv",
        None,
        None,
        "a NUL character",
        "character set UTF-8",
    ),
    error(
        "typed_table",
        every("samples", "Butyric_Acid", ""),
        "samples.csv",
        "Butyric_Acid",
        "sample,of",
        "the heading 'Butyric_Acid', which is not known",
        "did you mean 'butyric_acid'?",
    ),
    warning(
        "typed_table",
        every("samples", "weather", "dry"),
        "samples.csv",
        "weather",
        "sample,of",
        "the heading 'weather', which is not known",
        "the column is not read",
    ),
    error(
        "typed_table",
        lambda folder: (folder / "scales.csv").write_text("scale,scale\na,a\n"),
        "scales.csv",
        "scale",
        "scale,scale",
        "the heading 'scale' twice",
        "remove or rename one",
    ),
    error(
        "typed_table",
        lambda folder: (folder / "scales.csv").write_text("kind,step\np,1\n"),
        "scales.csv",
        "scale",
        "kind,step",
        "no column scale",
        "add the column",
    ),
    error(
        "typed_table",
        cell("samples", SAMPLE, "kind", ""),
        "samples.csv",
        "kind",
        SAMPLE,
        "a blank cell",
        "fill in the cell",
    ),
)

CELLS = tuple(
    error(
        "parse_cell", cell(table, name, column, text), f"{table}.csv", column, name, found, remedy
    )
    for table, name, column, text, found, remedy in (
        (
            "samples",
            SAMPLE,
            "butyric_acid",
            "0,84",
            "two decimal marks in one column: a comma in 1 cell, as '0,84' (line",
            "write 3.5, not 3,5",
        ),
        (
            "samples",
            SAMPLE,
            "butyric_acid",
            "<0,3",
            "two decimal marks in one column: a comma in 1 cell, as '<0,3' (line",
            "write 3.5, not 3,5",
        ),
        ("samples", SAMPLE, "butyric_acid", "ND", "'ND', not detected", "write < and the limit"),
        (
            "samples",
            SAMPLE,
            "butyric_acid",
            "n.n.",
            "'n.n.', not detected",
            "write < and the limit",
        ),
        (
            "samples",
            SAMPLE,
            "butyric_acid",
            "n.b.",
            "'n.b.', not determined",
            "leave the cell blank",
        ),
        ("samples", SAMPLE, "butyric_acid", "<0", "'<0'", "the limit of the laboratory report"),
        ("samples", SAMPLE, "butyric_acid", "8.4 g", "'8.4 g'", "write the number alone"),
        ("samples", SAMPLE, "dm", "<300", "'<300'", "write the number alone"),
        ("samples", SAMPLE, "dm", "NaN", "'NaN', not determined", "leave the cell blank"),
        ("samples", SAMPLE, "dm", "inf", "'inf'", "write the number alone"),
        ("samples", SAMPLE, "dm", "1e400", "'1e400'", "correct the cell"),
        ("samples", SAMPLE, "n_cores", "9999999999", "'9999999999'", "correct the cell"),
        ("samples", SAMPLE, "butyric_acid", "<1e400", "'1e400'", "correct the cell"),
        ("samples", SAMPLE, "taken_on", "0205-07-25", "the year 205", "correct the year"),
        ("samples", SAMPLE, "n_cores", "2.5", "'2.5'", "write the number alone"),
        ("samples", SAMPLE, "kind", "opened", "'opened'", "use one of these words"),
        ("samples", SAMPLE, "taken_on", "26/05/2025", "'26/05/2025'", "write year-month-day"),
        (
            "samples",
            SAMPLE,
            "taken_on",
            "2025-02-30",
            "'2025-02-30', which is no day or time",
            "correct the date",
        ),
        ("samples", SAMPLE, "of", "A01 net", "'A01 net'", "with - or _"),
        (
            "weighings",
            OPENED,
            "bales",
            "A01-net;A01-film",
            "'A01-net;A01-film'",
            "put a space in place of",
        ),
        ("weighings", OPENED, "flags", "muddy", "'muddy'", "use one of these words"),
        ("weighings", OPENED, "gross", "", "a blank cell", "fill in the cell"),
    )
)

STEPS = (
    error(
        "converted",
        toml('butyric_acid = "g/kg DM"\n', ""),
        "trial.toml",
        "units.butyric_acid",
        "[units]",
        "results in the column butyric_acid of samples.csv, whose unit is not declared",
        "add the line under [units]",
    ),
    error(
        "converted",
        _without_units,
        "trial.toml",
        "units",
        None,
        "no section [units], with results in the columns dm, lactic_acid, acetic_acid",
        'such as dm = "g/kg" and lactic_acid = "g/kg DM"',
    ),
    error(
        "converted",
        both(
            toml('butyric_acid = "g/kg DM"', 'butyric_acid = "g/kg fresh"'),
            cell("samples", SAMPLE, "dm", ""),
        ),
        "samples.csv",
        "butyric_acid",
        SAMPLE,
        "a result on fresh matter without the dry matter of the sample",
        "add the dry matter",
    ),
    warning(
        "without_superseded",
        both(again("samples", SAMPLE, "new"), cell("samples", "new", "supersedes", SAMPLE)),
        "samples.csv",
        "sample",
        SAMPLE,
        f"sample {SAMPLE}, replaced by new in line 26",
        "is left out",
    ),
    error(
        "without_superseded",
        cell("samples", SAMPLE, "supersedes", "older"),
        "samples.csv",
        "supersedes",
        SAMPLE,
        "supersedes older, which is no sample",
        "correct the name",
    ),
    error(
        "without_superseded",
        cell("samples", SAMPLE, "supersedes", SAMPLE),
        "samples.csv",
        "supersedes",
        SAMPLE,
        f"sample {SAMPLE} supersedes itself",
        "correct the name",
    ),
    error(
        "without_superseded",
        cell("samples", SAMPLE, "supersedes", "A01-film-60"),
        "samples.csv",
        "supersedes",
        SAMPLE,
        "supersedes A01-film-60, a sample of A01-film, not of A01-net",
        "correct the name",
    ),
)
