"""Addresses of devices and of the board."""

from __future__ import annotations

import re
from urllib.parse import parse_qsl

from collector.config.diagnostics import nearest
from collector.config.units import QuantityError
from collector.sources.settings import Address

__all__ = ["EXPECTED", "host_and_port", "parse_address"]

EXPECTED = ("tcp://HOST:PORT, rtu:/dev/ttyUSB0?baud=19200&parity=even&stop_bits=1, "
            "rtu+tcp://HOST:PORT or gpio:/dev/gpiochip0")
_KINDS = ("tcp", "rtu", "rtu+tcp", "gpio")
_HOST = re.compile(r"(\[[0-9A-Fa-f:.%]+\]|[^\s:/?#\[\]]+)(?::(\d{1,5}))?/?")
_BAUDS = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
_PARITIES = ("even", "none", "odd")


def host_and_port(text: str, default: int | None = None) -> tuple[str, int]:
    """Split ``host:port``. Raises :class:`QuantityError`."""
    found = _HOST.fullmatch(text)
    expected = "HOST:PORT such as 127.0.0.1:8600"
    if found is None or (found[2] is None and default is None):
        raise QuantityError(f'not a host and port: "{text}"', expected)
    port = int(found[2]) if found[2] is not None else default or 0
    if port > 65535:
        raise QuantityError(f"no such port: {port}", "0 to 65535")
    return found[1].strip("[]"), port


def parse_address(text: str) -> Address:
    """Read the address of a device. Raises :class:`QuantityError`.

    >>> str(parse_address("rtu:/dev/ttyUSB0?baud=9600&parity=none"))
    'rtu:/dev/ttyUSB0?baud=9600&parity=none'
    """
    kind, colon, rest = text.partition(":")
    if not colon or kind not in _KINDS:
        raise QuantityError(f'not an address: "{text}"{nearest(kind, _KINDS)}', EXPECTED)
    if kind in ("tcp", "rtu+tcp"):
        if not rest.startswith("//"):
            raise QuantityError(f'not an address: "{text}"', EXPECTED)
        host, port = host_and_port(rest[2:], 502)
        if port == 0:
            raise QuantityError("port 0 is no port of a device", "1 to 65535")
        return Address(kind=kind, host=host, port=port)
    path, _, query = rest.partition("?")
    if not path.startswith("/"):
        raise QuantityError(f'not the path of a device file: "{path}"', EXPECTED)
    if kind == "gpio":
        if query:
            raise QuantityError(f'gpio takes no "?{query}"', EXPECTED)
        return Address(kind=kind, path=path)
    return _serial(path, query)


def _serial(path: str, query: str) -> Address:
    options = dict(parse_qsl(query, keep_blank_values=True))
    known = ("baud", "parity", "stop_bits")
    for name in options:
        if name not in known:
            raise QuantityError(f'unknown option "{name}"{nearest(name, known)}', EXPECTED)
    baud, parity = options.get("baud", "19200"), options.get("parity", "even")
    if not baud.isdigit() or int(baud) not in _BAUDS:
        raise QuantityError(f'baud "{baud}" is not used', ", ".join(map(str, _BAUDS)))
    if parity not in _PARITIES:
        raise QuantityError(f'parity "{parity}" is none of them', ", ".join(_PARITIES))
    # Modbus over serial line keeps 11 bits a character: no parity takes two stop bits. Many
    # devices are set to 8N1 all the same, so it can be stated.
    stop = options.get("stop_bits", "1" if parity != "none" else "2")
    if stop not in ("1", "2"):
        raise QuantityError(f'stop_bits "{stop}" is neither', "1 or 2")
    return Address(kind="rtu", path=path, baud=int(baud), parity=parity, stop_bits=int(stop))
