"""Reports of two invented laboratories, in two languages, of results drawn elsewhere.

Both measure the same things. One prints a table with a decimal comma, dry matter in per cent and
``<0,3`` or ``n.n.``; the other one line for each result, moisture in place of dry matter, per cent
of dry matter, ``ND``, and nitrogen as crude protein.
"""

from collections.abc import Mapping, Sequence

Row = Mapping[str, object]

PROTEIN = 6.25  # crude protein over nitrogen
GERMAN = {
    "dm": ("TM", "%"),
    "pH": ("pH", ""),
    "lactic_acid": ("Milchsäure", "g/kg TM"),
    "acetic_acid": ("Essigsäure", "g/kg TM"),
    "propionic_acid": ("Propionsäure", "g/kg TM"),
    "butyric_acid": ("n-Buttersäure", "g/kg TM"),
    "ethanol": ("Ethanol", "g/kg TM"),
    "propanediol": ("1,2-Propandiol", "g/kg TM"),
    "total_n": ("Gesamt-N", "g/kg TM"),
    "ammonia_n": ("NH3-N", "% Ges.-N"),
    "wsc": ("Zucker", "g/kg TM"),
    "ash": ("Rohasche", "g/kg TM"),
}
AMERICAN = {
    "dm": ("Moisture", "%"),
    "pH": ("pH", ""),
    "lactic_acid": ("Lactic Acid", "% DM"),
    "acetic_acid": ("Acetic Acid", "% DM"),
    "propionic_acid": ("Propionic Acid", "% DM"),
    "butyric_acid": ("Butyric Acid", "% DM"),
    "ethanol": ("Ethanol", "% DM"),
    "propanediol": ("1,2-Propanediol", "% DM"),
    "total_n": ("Crude Protein", "% DM"),
    "ammonia_n": ("Ammonia, CP Equiv.", "% DM"),
    "wsc": ("WSC", "% DM"),
    "ash": ("Ash", "% DM"),
}
SAMPLE_COLUMNS = ("sample", "of", "taken_on", "kind", "zone", "n_cores", "depth", "note")
GERMAN_FILE = "Q-24-0817.csv"
AMERICAN_FILE = "41907.csv"


def without_results(rows: Sequence[Row]) -> list[Row]:
    """Lines of samples.csv as they are before a laboratory has answered."""
    return [{name: row[name] for name in SAMPLE_COLUMNS if name in row} for row in rows]


def german_report(rows: Sequence[Row]) -> str:
    """One sample a row, the units below the heading, semicolons and decimal commas."""
    lines = [
        ["Futterlabor Quellmoor (erfunden)"],
        ["Prüfbericht", "Q-24-0817"],
        ["Labor-Nr.", "Probe", *(heading for heading, _ in GERMAN.values()), "Bemerkung"],
        ["", "", *(unit for _, unit in GERMAN.values()), ""],
    ]
    for number, row in enumerate(rows, start=5301):
        cells = [german_cell(name, str(row.get(name, ""))) for name in GERMAN]
        lines.append([str(number), str(row["sample"]), *cells, ""])
    return "".join(";".join(cells) + "\n" for cells in lines)


def german_cell(name: str, result: str) -> str:
    """A result as the laboratory prints it."""
    if result.startswith("<") and name == "propionic_acid":
        return "n.n."
    if name == "dm":
        result = f"{float(result) / 10:.2f}"
    return result.replace(".", ",") or "n.b."


def american_report(rows: Sequence[Row]) -> str:
    """One line for each result that was ordered, with its unit."""
    lines = ["Lab No.,Sample ID,Analysis,Result,Units"]
    for number, row in enumerate(rows, start=118842):
        for name, (heading, unit) in AMERICAN.items():
            if str(row.get(name, "")):
                quoted = f'"{heading}"' if "," in heading else heading
                lines.append(f"{number},{row['sample']},{quoted},{american_cell(name, row)},{unit}")
    return "\n".join(lines) + "\n"


def american_cell(name: str, row: Row) -> str:
    """A result as the laboratory prints it."""
    result = str(row[name])
    if result.startswith("<"):
        return "ND"
    number = float(result)
    if name == "dm":
        return f"{100 - number / 10:.2f}"
    if name == "pH":
        return result
    if name == "total_n":
        return f"{number * PROTEIN / 10:.3f}"
    if name == "ammonia_n":
        return f"{number / 100 * float(str(row['total_n'])) * PROTEIN / 10:.3f}"
    return f"{number / 10:.3f}"


def laboratories_text() -> str:
    """Text of laboratories.toml: how both write their reports, and which reports there are."""
    german = "".join(_result(GERMAN[name], name, unit) for name, unit in _GERMAN_UNITS.items())
    american = "".join(_result(AMERICAN[name], is_, unit) for name, is_, unit in _AMERICAN_UNITS)
    return _HEAD + _GERMAN + german + _AMERICAN + american + _REPORTS


def _result(printed: tuple[str, str], quantity: str, unit: str) -> str:
    heading, shown = printed
    lines = ["", "[[laboratory.result]]", f'heading = "{heading}"', f'is = "{quantity}"']
    if unit:
        lines.append(f'unit = "{unit}"')
    if unit and shown not in (unit, unit.replace("DM", "TM")):
        lines.append(f'printed_unit = "{shown}"')
    if quantity in ("butyric_acid", "propionic_acid"):
        limit = {"butyric_acid": 3, "propionic_acid": 2}[quantity] / (100 if unit == "% DM" else 10)
        lines.append(f"detection_limit = {limit}")
    return "\n".join(lines) + "\n"


_GERMAN_UNITS = {
    **dict.fromkeys(GERMAN, "g/kg DM"),
    "dm": "%",
    "pH": "",
    "ammonia_n": "% of total N",
}
_AMERICAN_UNITS = [
    (
        name,
        {"total_n": "crude_protein"}.get(name, name),
        {"dm": "% moisture", "pH": "", "ammonia_n": "% DM as CP equivalent"}.get(name, "% DM"),
    )
    for name in AMERICAN
]
_HEAD = """\
# How two invented laboratories write their reports, and which of their reports this trial has.
# `silagetrial columns laboratories.toml` says what each line may hold. The sections [[laboratory]]
# serve any trial: copy them.

"""
_GERMAN = """\
[[laboratory]]
name = "Futterlabor Quellmoor"
shape = "sample rows"
sample = "Probe"
heading_line = 3
unit_line = true
decimal = ","
separator = ";"
method = "gas chromatography"
dm_basis = "oven"
total_n = "fresh"
less_than = "detection"
not_read = ["Labor-Nr.", "Bemerkung"]
"""
_AMERICAN = """
[[laboratory]]
name = "Lake Tamarack Forage Lab"
shape = "result rows"
sample = "Sample ID"
analyte = "Analysis"
value = "Result"
unit = "Units"
decimal = "."
method = "gas chromatography"
dm_basis = "oven"
total_n = "fresh"

[laboratory.marks]
"ND" = "below detection"
"""
_REPORTS = f"""
[[report]]
file = "{GERMAN_FILE}"
laboratory = "Futterlabor Quellmoor"
number = "Q-24-0817"
batch = "Q-24-0817"
issued_on = 2024-12-20

[[report]]
file = "{AMERICAN_FILE}"
laboratory = "Lake Tamarack Forage Lab"
number = "41907"
batch = "41907"
issued_on = 2024-12-18
"""
