"""Certified curve fits: NIST Statistical Reference Datasets, nonlinear (public domain)."""

import math

import pytest

from collector.physics.estimate import Refusal
from collector.physics.leastsquares import CurveFit, fit_curve

pytestmark = pytest.mark.data


def _rise(x, b):
    return b[0] * (1 - math.exp(-b[1] * x))


def _two(x, b):
    return b[0] + b[1] * math.exp(-x * b[3]) + b[2] * math.exp(-x * b[4])


def _read(path):
    """Give starts, certified values, certified deviations, x and y of a data file."""
    rows = path.read_text().splitlines()
    found = [r.split() for r in rows if r.strip().startswith("b") and "=" in r.split()[:2]]
    table = [[float(v) for v in r[2:]] for r in found if len(r) == 6]
    data = [r.split() for r in rows[60:] if len(r.split()) == 2]
    y, x = zip(*[(float(a), float(b)) for a, b in data], strict=True)
    first, second, certified, deviations = zip(*table, strict=True)
    return (first, second), certified, deviations, x, y


@pytest.mark.parametrize(
    ("name", "model", "start"),
    [("Misra1a", _rise, 0), ("Misra1a", _rise, 1), ("BoxBOD", _rise, 1), ("MGH17", _two, 1)],
)
def test_certified_values(open_data, name, model, start):
    starts, certified, deviations, x, y = _read(open_data / "curve_fits" / f"{name}.dat")
    fit = fit_curve(model, x, y, starts[start])
    assert isinstance(fit, CurveFit)
    for found, value, deviation in zip(fit.parameters, certified, deviations, strict=True):
        assert found.value == pytest.approx(value, rel=1e-6)
        assert found.deviation == pytest.approx(deviation, rel=1e-4)


@pytest.mark.parametrize(("name", "model"), [("BoxBOD", _rise), ("MGH17", _two)])
def test_a_start_far_away_is_refused_or_right_but_never_wrong(open_data, name, model):
    starts, certified, _, x, y = _read(open_data / "curve_fits" / f"{name}.dat")
    fit = fit_curve(model, x, y, starts[0])
    if isinstance(fit, Refusal):
        assert fit.code == "no-fit"
    else:
        assert [p.value for p in fit.parameters] == pytest.approx(certified, rel=1e-5)
