"""What is analysed: a response, its scale and units, and how two bindings are compared in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from silagetrial.display.language import say

__all__ = ["BUTYRIC_ACID", "DM_LOSS", "Response"]


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
    def needs(self) -> str:
        """What a value is made of: what is missing where there is none."""
        results = say("left_out.needs")
        return say("left_out.needs_loss", results=results) if self.at_day0 == "zero" else results

    @property
    def effect_word(self) -> str:
        """How two bindings are compared, in words."""
        return say("unseen.ratio" if self.effect == "ratio" else "unseen.difference")

    @property
    def with_unit(self) -> str:
        """What an axis of its values is called."""
        return f"{self.label}, {self.level_unit}"


BUTYRIC_ACID = Response(
    "butyric_acid", "Butyric acid", "g/kg DM", "log", "ratio", "g/kg DM"
)  # fmt: skip
DM_LOSS = Response(
    "dm_loss", "DM loss", "percentage points", "identity", "difference", "% of the DM ensiled",
    "zero",
)  # fmt: skip
