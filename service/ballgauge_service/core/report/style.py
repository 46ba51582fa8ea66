"""How a report speaks: its language, its units, how numbers are written."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, overload

from ballgauge_service.core.units import DAY, METRIC, day_text


def words(name: str) -> str:
    """A field's name in words, as English has it."""
    text = " ".join("RG" if word == "rg" else word for word in name.split("_"))
    return text[:1].upper() + text[1:]


def same(text: str) -> str:
    """The text itself, for a report in English."""
    return text


@dataclass(frozen=True, slots=True)
class Style:
    """How a report is written.

    `text` gives the language's form of an English text, `label` that of a quantity's name; `metric`: in
    metric units; `paper`: a4 or letter.
    """

    language: str = "en"
    metric: bool = False
    paper: str = "a4"
    text: Callable[[str], str] = same
    label: Callable[[str], str] = words

    def quantity(self, name: str) -> str:
        """A quantity's name."""
        return self.label(name)

    def unit(self, unit: str | None) -> str:
        """The unit in which a trade unit is shown; nothing for a day or a number without unit."""
        if unit in (None, "1", DAY):
            return ""
        return METRIC[unit][0] if self.metric and unit in METRIC else str(unit)

    def titled(self, name: str, unit: str | None) -> str:
        """A quantity's name with its unit."""
        shown = self.unit(unit)
        return f"{self.quantity(name)}, {shown}" if shown else self.quantity(name)

    @overload
    def shown(self, value: float, unit: str | None) -> float: ...
    @overload
    def shown(self, value: None, unit: str | None) -> None: ...
    def shown(self, value: float | None, unit: str | None) -> float | None:
        """A value of a trade unit in the unit shown."""
        if value is None or not self.metric or unit is None or unit not in METRIC:
            return value
        return value * METRIC[unit][1]

    def decimal(self, value: float, digits: int) -> str:
        """A number with so many decimals."""
        return self._marked(f"{value:.{digits}f}")

    def number(self, value: float | None, digits: int = 5) -> str:
        """A number with so many significant digits; a dash for none."""
        return "–" if value is None else self._marked(f"{value:.{digits}g}")

    def value(self, value: float | None, unit: str | None, digits: int = 5) -> str:
        """A value of a trade unit, with the unit shown."""
        if value is None:
            return "–"
        if unit == DAY:
            return day_text(value)
        return f"{self.number(self.shown(value, unit), digits)} {self.unit(unit)}".rstrip()

    def margin(self, value: float | None, unit: str | None, digits: int) -> str:
        """A margin of a trade unit; between days it is days."""
        return self.value(value, "d" if unit == DAY else unit, digits)

    def percent(self, fraction: float | None) -> str:
        """A fraction as a percentage, never rounded to 0 or 100 where it is neither."""
        if fraction is None:
            return "–"
        _, value = self.text, 100 * fraction
        if 0 < value < 0.001:
            return _("under {value} %").format(value=self._marked("0.001"))
        if 99.999 < value < 100:
            return _("over {value} %").format(value=self._marked("99.999"))
        return f"{self.number(value, 3 if value < 99.5 or value == 100 else 5)} %"

    def limits(self, limit: Mapping[str, Any], unit: str | None) -> str:
        """Limits in words, in the unit shown."""
        _, low, high = self.text, limit["min"], limit["max"]
        if low is None and high is None:
            return "–"
        if low is None:
            return _("at most {value}").format(value=self.value(high, unit))
        if high is None:
            return _("at least {value}").format(value=self.value(low, unit))
        least = self.value(low, unit) if unit == DAY else self.number(self.shown(low, unit))
        return _("{low} to {high}").format(low=least, high=self.value(high, unit))

    def _marked(self, text: str) -> str:
        shown = text.replace("-", "−") if "e" not in text else text
        return shown.replace(".", ",") if self.language == "de" else shown
