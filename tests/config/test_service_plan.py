"""The service plan and the price of running in the site file."""

from datetime import date

import pytest

from collector.config.units import QuantityError, parse_price
from tests.config.conftest import Folder

_AFTER = 'product_oxygen_limit = "3 %"'


def _with(folder: Folder, *lines: str) -> Folder:
    folder.swap(_AFTER, "\n".join((_AFTER, *lines)))
    return folder


def test_a_plan_and_a_price(folder: Folder) -> None:
    unit = _with(
        folder, 'compressor_power = "3 hp"', 'energy_price = "0.24 GBP/kWh"',
        'service_every = "2000 h"', "service_months = 12", 'last_service = "2026-01-10"',
        'last_service_hours = "1540 h"',
    ).load().plant.generators["gen1"]
    # One horsepower (550 ft lbf/s) is 745.69987 W.
    assert unit.compressor_power == pytest.approx(3 * 745.69987, rel=1e-7)
    assert (unit.energy_price, unit.currency) == (0.24, "GBP")
    assert (unit.service_every, unit.service_months) == (2000.0, 12)
    assert (unit.last_service, unit.last_service_hours) == (date(2026, 1, 10), 1540.0)


def test_a_date_may_be_written_without_quotes(folder: Folder) -> None:
    unit = _with(folder, "last_service = 2026-01-10").load().plant.generators["gen1"]
    assert unit.last_service == date(2026, 1, 10)


def test_without_any_of_it_nothing_is_made_up(folder: Folder) -> None:
    unit = folder.load().plant.generators["gen1"]
    assert (unit.compressor_power, unit.energy_price, unit.service_every) == (None, None, None)
    assert (unit.service_months, unit.last_service, unit.last_service_hours) == (None, None, None)


@pytest.mark.parametrize(("line", "problem", "expected"), [
    ('compressor_power = "2 kWh"', "an energy, not a power", "2.2 kW"),
    ('energy_price = "0.24"', "not a price of energy", "GBP/kWh"),
    ('service_every = "80 psi"', "a pressure, not running hours", "2000 h"),
    ("service_months = 0", "out of range", "at least 1"),
    ('last_service = "10.01.2026"', "not a date", "2026-03-01"),
    ('last_service_hours = "-3 h"', "too low", "at least 0"),
])
def test_mistakes_are_named(folder: Folder, line: str, problem: str, expected: str) -> None:
    found = _with(folder, line).mistakes()
    assert len(found) == 1
    assert problem in found[0].problem
    assert expected in found[0].expected


def test_prices_of_larger_lots() -> None:
    assert parse_price("90 EUR per MWh") == (0.09, "EUR")
    assert parse_price("0.3 €/kWh") == (0.3, "€")
    with pytest.raises(QuantityError, match="not a price"):
        parse_price("0.3 EUR/J")
