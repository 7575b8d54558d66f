"""Devices that hang when they are hurried, or answer only some questions."""

from collector.domain.errors import DeviceSilent
from collector.domain.readings import Quality, Reading
from collector.sources import Address, DeviceSettings, PointSettings
from collector.sources.bus import Answer
from collector.sources.device import ModbusDevice
from collector.sources.pdu import ReadRequest
from tests.commissioning.still_maps import StillClock

POINTS = tuple(
    PointSettings(point=f"gen1.{quantity}", table=table, address=0)
    for quantity, table in (("tank_pressure", "input-registers"), ("mode", "holding-registers")))


class Line:
    """Answers 7 to every question, or to every second one; keeps when it was asked."""

    def __init__(self, clock: StillClock, every: int = 1) -> None:
        self.clock, self.every = clock, every
        self.asked: list[int] = []

    async def read(self, request: ReadRequest, timeout: int) -> Answer:
        self.asked.append(self.clock.now())
        if len(self.asked) % self.every:
            raise DeviceSilent("no reply")
        return Answer(values=(7,), asked=self.clock.now(), latency=1)


async def polled(line: Line, **keys: int) -> list[Reading]:
    settings = DeviceSettings(id="d", name="d", address=Address(kind="tcp"), unit=1, every=5000,
                              points=POINTS, **keys)
    readings: list[Reading] = []
    await ModbusDevice(settings, line, line.clock).poll(readings.extend)
    return readings


async def test_a_pause_lies_between_the_questions_of_a_poll() -> None:
    for pause in (0, 300):
        line = Line(StillClock())
        assert all(r.quality is Quality.GOOD for r in await polled(line, pause=pause))
        first, second = line.asked
        assert second - first == pause


async def test_a_question_without_a_reply_is_asked_again_where_the_settings_say_so() -> None:
    assert {r.quality for r in await polled(Line(StillClock(), every=2))} == {Quality.STALE}
    line = Line(StillClock(), every=2)
    assert {r.quality for r in await polled(line, retries=1)} == {Quality.GOOD}
    assert len(line.asked) == 4
