"""What is analysed: a response, its scale and units, and how two bindings are compared in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["BUTYRIC_ACID", "DM_LOSS", "NEEDS", "Response"]

NEEDS = "laboratory results of single bales, or of composites, at the planned openings"


@dataclass(frozen=True)
class Response:
    """A response and the scale on which it is modelled and told.

    Attributes
    ----------
    name, label : str
    unit : str
        Of differences, and of levels where the two are told alike.
    scale : {"log", "identity"}
        Scale of the model.
    effect : {"ratio", "difference"}
        How two bindings are compared.
    level_unit : str
        Unit of one value, of a mean or a median.
    needs : str
        What a value is made of: what is missing where there is none.
    at_day0 : {"unknown", "zero", "measured"}
        What a curve over storage starts from: nothing that is known, 0, or the crop's own value,
        the same for all bindings.
    """

    name: str
    label: str
    unit: str
    scale: Literal["log", "identity"]
    effect: Literal["ratio", "difference"]
    level_unit: str
    needs: str
    at_day0: Literal["unknown", "zero", "measured"] = "unknown"

    @property
    def in_sentence(self) -> str:
        """The label as it stands inside a sentence: letters in capitals keep them."""
        return (
            self.label
            if self.label.split()[0].isupper()
            else self.label[0].lower() + self.label[1:]
        )

    @property
    def with_unit(self) -> str:
        """What an axis of its values is called."""
        return f"{self.label}, {self.level_unit}"


BUTYRIC_ACID = Response(
    "butyric_acid", "Butyric acid", "g/kg DM", "log", "ratio", "g/kg DM",
    NEEDS,
)  # fmt: skip
DM_LOSS = Response(
    "dm_loss", "DM loss", "percentage points", "identity", "difference", "% of the DM ensiled",
    NEEDS + ", with DM and the acids its correction asks for, a day-0 sample of the crop, and the "
    "weighings of the same bales at wrapping and at their opening",
    "zero",
)  # fmt: skip
