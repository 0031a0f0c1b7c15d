"""The three shapes of a report, each to the same list: a sample, a heading, what stands there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from silagetrial.data.laboratory.grid import Grid
from silagetrial.data.laboratory.keys import LABORATORIES_FILE
from silagetrial.data.laboratory.mapping import Laboratory, Quantity, one_space, unit_word
from silagetrial.data.nearest import nearest
from silagetrial.errors import Problem, Severity

__all__ = ["Entry", "entries_of"]


@dataclass(frozen=True)
class Entry:
    """One cell of a report.

    Parameters
    ----------
    sample : str
        Sample code as the report has it.
    quantity : Quantity
        What stands there.
    text : str
        The cell.
    file : str
    line : int
    """

    sample: str
    quantity: Quantity
    text: str
    file: str
    line: int


def entries_of(grid: Grid, laboratory: Laboratory) -> tuple[tuple[Entry, ...], tuple[Problem, ...]]:
    """Return the cells of a report that hold results.

    Parameters
    ----------
    grid : Grid
    laboratory : Laboratory
        Its shape and headings.

    Returns
    -------
    tuple of Entry, tuple of Problem
        No entries where the heading is not what it should be.
    """
    reader = _Reader(grid, laboratory)
    found = tuple(reader.entries())
    return found, tuple(reader.problems)


@dataclass
class _Reader:
    grid: Grid
    laboratory: Laboratory
    problems: list[Problem] = field(default_factory=list)

    def entries(self) -> Iterator[Entry]:
        """Yield the results of the report, one by one."""
        heading = self._heading()
        if heading is None:
            return
        at = {name: j for j, name in reversed(list(enumerate(heading)))}
        rows = [row for row in self.grid.rows if row[0] > self.laboratory.heading_line]
        if self.laboratory.shape == "sample rows":
            yield from self._sample_rows(heading, at, rows)
        elif self.laboratory.shape == "analyte rows":
            yield from self._analyte_rows(heading, at, rows)
        else:
            yield from self._result_rows(at, rows)

    def _heading(self) -> tuple[str, ...] | None:
        """Return the headings, None where one that is needed is not there or stands twice."""
        line, read = self.laboratory.heading_line, self.laboratory
        cells = next((cells for number, cells in self.grid.rows if number == line), ())
        heading = tuple(map(one_space, cells))
        if not any(heading):
            self._problem(
                line,
                None,
                "no heading",
                "the headings of the laboratory",
                f"correct heading_line = {line} in {LABORATORIES_FILE}",
            )
            return None
        sample = read.sample if read.shape != "analyte rows" else None
        needed = (sample, read.analyte, read.value, read.unit)
        missing = [name for name in needed if name and name not in heading]
        twice = {name for name in heading if name and heading.count(name) > 1} - read.not_read
        for name in missing:
            self._problem(
                line,
                name,
                f"no heading {name!r}",
                "the headings of the laboratory",
                self._remedy(name, heading),
            )
        for name in sorted(twice):
            self._problem(
                line,
                name,
                f"the heading {name!r} twice",
                "each heading once",
                "remove or rename one of the two, or name it under not_read",
            )
        return None if missing or twice else heading

    def _remedy(self, name: str, there: Sequence[str]) -> str:
        close = nearest(name, [item for item in there if item])
        said = "" if close is None else f"did you mean {close!r}? "
        return f"{said}correct the heading in {LABORATORIES_FILE}, or its heading_line or separator"

    def _sample_rows(
        self,
        heading: Sequence[str],
        at: Mapping[str, int],
        rows: Sequence[tuple[int, tuple[str, ...]]],
    ) -> Iterator[Entry]:
        read = self.laboratory
        there = self._known(heading, read.heading_line, {read.sample, ""})
        if read.unit_line and rows:
            (line, units), *rows = rows
            for quantity in there:
                self._unit(quantity, _cell(units, at[quantity.heading]), line)
        for line, cells in rows:
            sample = _cell(cells, at[read.sample])
            if sample in read.not_read:
                continue
            if not sample:
                self._no_sample(line)
                continue
            for quantity in there:
                text = _cell(cells, at[quantity.heading])
                yield Entry(sample, quantity, text, self.grid.file, line)

    def _analyte_rows(
        self,
        heading: Sequence[str],
        at: Mapping[str, int],
        rows: Sequence[tuple[int, tuple[str, ...]]],
    ) -> Iterator[Entry]:
        read = self.laboratory
        aside = {read.analyte, read.unit, "", *read.not_read}
        samples = [name for name in heading if name not in aside]
        names = [one_space(_cell(cells, at[read.analyte or ""])) for _, cells in rows]
        there = {item.heading: item for item in self._known(names, None, {""})}
        for (line, cells), name in zip(rows, names, strict=True):
            if name not in there:
                continue
            if read.unit is not None:
                self._unit(there[name], _cell(cells, at[read.unit]), line)
            for sample in samples:
                text = _cell(cells, at[sample])
                yield Entry(sample, there[name], text, self.grid.file, line)

    def _result_rows(
        self, at: Mapping[str, int], rows: Sequence[tuple[int, tuple[str, ...]]]
    ) -> Iterator[Entry]:
        read = self.laboratory
        sample_at, value_at = at[read.sample], at[read.value or ""]
        names = [one_space(_cell(cells, at[read.analyte or ""])) for _, cells in rows]
        there = {item.heading: item for item in self._known(names, None, {""})}
        for (line, cells), name in zip(rows, names, strict=True):
            sample = _cell(cells, sample_at)
            if name not in there or sample in read.not_read:
                continue
            if not sample:
                self._no_sample(line)
                continue
            if read.unit is not None:
                self._unit(there[name], _cell(cells, at[read.unit]), line)
            yield Entry(sample, there[name], _cell(cells, value_at), self.grid.file, line)

    def _known(
        self, names: Sequence[str], line: int | None, aside: set[str]
    ) -> tuple[Quantity, ...]:
        """Return the results that stand in the report; name those that do not, and the others."""
        read = self.laboratory
        results, given = read.results, dict.fromkeys(names)
        others = [
            name for name in given if name not in results and name not in aside | read.not_read
        ]
        for name in [name for name in results if name not in given]:
            close = nearest(name, others)
            self._problem(
                line,
                name,
                f"no {name!r}",
                f"the results of {read.name}",
                f"did you mean {close!r}? Correct the heading in {LABORATORIES_FILE}"
                if close
                else "nothing to do where it was not ordered; else correct the "
                f"heading in {LABORATORIES_FILE}",
                warning=close is None,
            )
        if others:
            listed = ", ".join(map(repr, others))
            self._problem(
                line,
                None,
                f"{listed}, not known",
                f"the results of {read.name}",
                f"add [[laboratory.result]] for what is to be read, name the rest under "
                f"not_read in {LABORATORIES_FILE}",
                warning=True,
            )
        return tuple(results[name] for name in given if name in results)

    def _unit(self, quantity: Quantity, printed: str, line: int) -> None:
        wanted = quantity.printed_unit
        if unit_word(printed) != wanted and quantity.unit:
            self._problem(
                line,
                quantity.heading,
                f"the unit {printed!r}" if printed else "no unit",
                f"{wanted!r}",
                f"see the report; then correct the unit in {LABORATORIES_FILE}, or write "
                "what it prints as printed_unit",
            )

    def _no_sample(self, line: int) -> None:
        self._problem(
            line,
            self.laboratory.sample,
            "results without a sample code",
            "the code of the sample",
            "write it, or remove the line",
        )

    def _problem(
        self,
        line: int | None,
        column: str | None,
        found: str,
        expected: str,
        remedy: str,
        *,
        warning: bool = False,
    ) -> None:
        severity: Severity = "warning" if warning else "error"
        self.problems.append(
            Problem(severity, self.grid.file, line, column, found, expected, remedy)
        )


def _cell(cells: Sequence[str], j: int) -> str:
    """Return a cell; a row may end early where its last cells are empty."""
    return cells[j] if j < len(cells) else ""
