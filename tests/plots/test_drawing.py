"""What is drawn: gaps stay gaps, limits have names, nothing a strict page would refuse."""

from dataclasses import replace
from xml.etree import ElementTree

import pytest

from collector.domain.readings import TrendStep
from collector.plots import (
    Axis,
    Band,
    Bar,
    BarKind,
    Bars,
    Curve,
    Level,
    Plot,
    Span,
    SpanKind,
    draw,
    drawing_of,
    few_points,
    few_steps,
    stretches,
)
from collector.plots.shapes import Area, Drawing, Line, Text

HOUR = 3_600_000
SVG = "{http://www.w3.org/2000/svg}"


def step(number: int, mean: float | None, spread: float = 1.0, every: int = HOUR) -> TrendStep:
    if mean is None:
        return TrendStep(start=number * every, end=(number + 1) * every, count=0, low=None,
                         mean=None, high=None)
    return TrendStep(start=number * every, end=(number + 1) * every, count=10,
                     low=mean - spread, mean=mean, high=mean + spread)


def plot(*steps: TrendStep, **more: object) -> Plot:
    base = Plot(title="Pressure", start=0, end=48 * HOUR, zone="UTC", axis=Axis(unit="psi"),
                series=(Band(label="r1", steps=steps),), description="One riser, two days.")
    return replace(base, **more)  # type: ignore[arg-type]


def of(drawing: Drawing, kind: type[Line] | type[Area], style: str) -> list[Line | Area]:
    return [s for s in drawing.shapes if isinstance(s, kind) and s.style == style]


def words(drawing: Drawing) -> list[str]:
    return [s.text for s in drawing.shapes if isinstance(s, Text)]


def test_a_gap_breaks_the_line_and_is_marked() -> None:
    steps = [step(n, None if 20 <= n < 30 else 25.0) for n in range(48)]
    drawing = drawing_of(plot(*steps))
    (line,) = of(drawing, Line, "plot-line s0")
    assert len(line.runs) == 2
    (gap,) = of(drawing, Area, "plot-gap")
    left, right = gap.runs[0][0][0], gap.runs[0][1][0]
    frame_left, frame_right = line.runs[0][0][0], line.runs[1][-1][0]
    assert (left - frame_left) / (frame_right - frame_left) == pytest.approx(20 / 48, abs=1e-3)
    assert (right - frame_left) / (frame_right - frame_left) == pytest.approx(30 / 48, abs=1e-3)
    assert "no readings" in words(drawing)


def test_a_point_asked_less_often_than_a_step_has_no_gaps() -> None:
    steps = [step(n, 25.0 if n % 5 == 0 else None) for n in range(48)]
    assert len(stretches(steps)) == 1
    assert not of(drawing_of(plot(*steps)), Area, "plot-gap")


def test_the_future_is_not_a_gap() -> None:
    steps = [step(n, 25.0) for n in range(24)]
    assert of(drawing_of(plot(*steps)), Area, "plot-gap")
    assert not of(drawing_of(plot(*steps, known=24 * HOUR)), Area, "plot-gap")


def test_a_limit_has_its_name_and_value_and_stays_in_sight() -> None:
    drawing = drawing_of(plot(*[step(n, 25.0) for n in range(48)],
                              levels=(Level(value=18.0, label="low limit"),)))
    assert "low limit, 18 psi" in words(drawing)
    assert len(of(drawing, Line, "plot-limit")) == 1
    assert "17" not in words(drawing)
    assert "15" in words(drawing) or "18" in words(drawing) or "16" in words(drawing)


def test_an_alarm_has_a_shape_and_a_word_and_many_are_counted() -> None:
    spans = [Span(start=2 * HOUR, end=3 * HOUR, word="Low pressure"),
             Span(start=20 * HOUR, end=None, word="Leak rate high"),
             Span(start=8 * HOUR, end=9 * HOUR, word="Declared fill", kind=SpanKind.SUPPRESSED)]
    drawing = drawing_of(plot(step(0, 25.0), spans=spans))
    assert {"Low pressure", "Leak rate high", "Declared fill"} <= set(words(drawing))
    assert len(of(drawing, Area, "plot-alarm")) == 4  # a triangle and how long, for each of two
    crowd = [Span(start=n * HOUR // 60, end=n * HOUR // 60 + 1000, word="Chatter")
             for n in range(60)]
    assert "Chatter ×60" in words(drawing_of(plot(step(0, 25.0), spans=crowd)))
    heap = [Span(start=n, end=48 * HOUR, word=f"Condition {n}") for n in range(7)]
    assert "and 4 more" in words(drawing_of(plot(step(0, 25.0), spans=heap)))


def test_no_word_of_an_alarm_leaves_the_picture() -> None:
    late = Span(start=47 * HOUR, end=None, word="Compressor long run")
    drawing = drawing_of(plot(step(0, 25.0), spans=(late,)))
    (text,) = [s for s in drawing.shapes if isinstance(s, Text) and s.text == late.word]
    assert text.anchor == "end"


@pytest.mark.parametrize("make", [
    lambda: draw(plot(*[step(n, 25.0) for n in range(48)], title="<script>1</script> & \"x\"",
                      levels=(Level(value=18.0, label="<b>low"),),
                      spans=(Span(start=0, end=HOUR, word="<i>'\"&"),))),
    lambda: draw(Bars(title="Runs", start=0, end=48 * HOUR, zone="UTC", rows=[
        ("<gen1>", [Bar(start=0, end=HOUR), Bar(start=5 * HOUR, end=9 * HOUR, kind=BarKind.ALARM)]),
    ])),
    lambda: draw(plot()),
])
def test_the_svg_is_well_formed_told_and_fit_for_a_strict_page(make) -> None:
    text = make()
    root = ElementTree.fromstring(text)
    assert root.tag == f"{SVG}svg"
    assert root.get("role") == "img"
    ids = root.get("aria-labelledby").split()
    assert ids[0] == root.find(f"{SVG}title").get("id")
    assert not [e for e in root.iter() if e.tag in (f"{SVG}script", f"{SVG}style")]
    for element in root.iter():
        assert not [a for a in element.attrib
                    if a == "style" or a.startswith("on") or "href" in a]


def test_a_year_of_two_series_stays_small() -> None:
    year = 365 * 24
    steps = [step(n, 25.0 + n % 24 / 10, every=6 * HOUR) for n in range(year // 6)]
    series = (Band(label="r1", steps=steps), Band(label="r2", steps=steps))
    text = draw(plot(series=series, end=year * HOUR))
    assert len(text) < 40_000


def test_thinning_keeps_every_peak() -> None:
    steps = [step(n, 25.0) for n in range(1000)]
    steps[333] = step(333, 25.0, spread=9.0)
    few = few_steps(steps, 100)
    assert len(few) <= 100
    assert max(s.high for s in few if s.high is not None) == 34.0
    assert sum(s.count for s in few) == sum(s.count for s in steps)
    points = [(n, 40.0 if n == 777 else 1.0) for n in range(5000)]
    (run,) = few_points(points, 200)
    assert len(run) <= 210
    assert max(v for _, v in run) == 40.0


def test_an_expected_curve_looks_like_none_that_was_measured() -> None:
    drawing = drawing_of(plot(series=(
        Band(label="measured", steps=[step(0, 20.0)]),
        Curve(label="expected", points=[(0, 21.0), (HOUR, 19.0)], expected=True))))
    assert of(drawing, Line, "plot-expected")
    assert {"measured", "expected"} <= set(words(drawing))
