"""`ble://ADDRESS` or `ble://NAME`: an adapter over Bluetooth Low Energy, by bleak (the extra `ble`).

Such an adapter transfers text over two GATT characteristics of a maker-specific service: one is written to, one
notifies (Bluetooth Core Specification, vol. 3, part G). Tried with a simulated peripheral, not on hardware."""

from __future__ import annotations

import asyncio
import importlib.util
import re
import threading
from collections.abc import Coroutine
from typing import TYPE_CHECKING, Any

from camlog.capture import error, messages
from camlog.capture.ports import CHUNK_BYTES, POLL_S, WRITE_TIMEOUT_S, LinkLost, Port
from camlog.capture.ports import Transport as Base

if TYPE_CHECKING:
    from bleak.backends.characteristic import BleakGATTCharacteristic
    from bleak.backends.service import BleakGATTService

SCAN_S, CONNECT_TIMEOUT_S = 4.0, 15.0
ADAPTERS_SAY = "OBD"  # part of an adapter's name, unlike that of headphones and phones nearby
# Services defined by the Bluetooth SIG (Assigned Numbers, section 3.4), which carry no adapter text.
_OF_THE_SIG = re.compile("000018..-0000-1000-8000-00805f9b34fb")
_WRITTEN = ("write-without-response", "write")  # properties of a characteristic that is written to
_HEADER_BYTES = 3  # of a GATT write or notification


class Transport(Base):
    """A connection to a peripheral; bleak's loop runs in a thread of its own."""

    scheme = "ble"
    found_slowly = True

    def __init__(self, port: str, baud: int | None = None):
        self._came, self._changed, self._is_gone = bytearray(), threading.Condition(), False
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="ble", daemon=True)
        self._thread.start()
        try:
            self._wait(self._connect(port.partition("://")[2]), SCAN_S + CONNECT_TIMEOUT_S)
        except Exception as refused:  # bleak's own, the system's Bluetooth service's, or time
            self._end()
            reason = str(refused) or messages("port.no_answer")
            raise LinkLost("unplugged", reason) from refused

    @classmethod
    def check(cls, port: str) -> None:
        if not port.partition("://")[2]:
            raise error("ble_name", port)
        if not _installed():
            raise error("no_bleak", port)

    @classmethod
    def found(cls) -> list[Port]:
        """Peripherals with ADAPTERS_SAY in their name; none if bleak or Bluetooth is missing."""
        if not _installed():
            return []
        from bleak import BleakScanner

        try:
            devices = asyncio.run(BleakScanner.discover(timeout=SCAN_S))
        except Exception:  # noqa: BLE001 - no Bluetooth, or switched off: bleak's backends differ in what they raise
            return []
        named = {d.address: d.name for d in devices if ADAPTERS_SAY in (d.name or "").upper()}
        return [Port(f"ble://{address}", name or "", True, 1) for address, name in named.items()]

    async def _connect(self, name: str) -> None:
        from bleak import BleakClient, BleakScanner

        device = await BleakScanner.find_device_by_filter(
            lambda d, _: name.lower() in (d.address.lower(), (d.name or "").lower()), timeout=SCAN_S
        )
        if device is None:
            raise OSError(messages("port.out_of_reach"))
        self._client = BleakClient(device, disconnected_callback=lambda _: self._gone(), timeout=CONNECT_TIMEOUT_S)
        await self._client.connect()
        for service in self._client.services:
            notifies, written = (_with(service, *kinds) for kinds in (("notify",), (*_WRITTEN,)))
            if notifies and written and not _OF_THE_SIG.match(service.uuid):
                self._written = written[0]
                await self._client.start_notify(notifies[0], self._hear)
                return
        await self._client.disconnect()
        raise OSError(messages("port.no_text"))

    def _wait(self, work: Coroutine[Any, Any, None], seconds: float) -> None:
        asyncio.run_coroutine_threadsafe(asyncio.wait_for(work, seconds), self._loop).result(seconds + 1.0)

    def _hear(self, _: Any, data: bytearray) -> None:
        with self._changed:
            self._came += data
            self._changed.notify()

    def _gone(self) -> None:
        with self._changed:
            self._is_gone = True
            self._changed.notify()

    @property
    def waiting(self) -> bool:
        return bool(self._came) or self._is_gone

    def read(self) -> bytes:
        with self._changed:
            self._changed.wait_for(lambda: self.waiting, POLL_S)
            came = bytes(self._came[:CHUNK_BYTES])
            del self._came[:CHUNK_BYTES]
        if not came and self._is_gone:
            raise ConnectionError("the adapter has ended the connection")
        return came

    def write(self, data: bytes) -> None:
        most = self._client.mtu_size - _HEADER_BYTES
        answers = _WRITTEN[0] not in self._written.properties
        for at in range(0, len(data), most):
            part = self._client.write_gatt_char(self._written, data[at : at + most], response=answers)
            self._wait(part, WRITE_TIMEOUT_S)

    def close(self) -> None:
        try:
            self._wait(self._client.disconnect(), WRITE_TIMEOUT_S)
        finally:
            self._end()

    def _end(self) -> None:
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(WRITE_TIMEOUT_S)


def _installed() -> bool:
    return importlib.util.find_spec("bleak") is not None


def _with(service: BleakGATTService, *properties: str) -> list[BleakGATTCharacteristic]:
    """The characteristics of a service that have one of these properties."""
    return [c for c in service.characteristics if not {*properties}.isdisjoint(c.properties)]
