"""An adapter over Bluetooth Low Energy: bleak's own backend interface, with the simulated adapter behind the radio.

Not tried on hardware. Invented data, for mechanics only.
"""

from __future__ import annotations

import asyncio
import importlib.util

import bleak
import pytest
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection

from camlog.capture.connect import open_link
from camlog.capture.ports import likely_ports, transport_for
from camlog.capture.transports import ble
from camlog.errors import InputError
from camlog.simulate.adapter import Fault, SimulatedAdapter
from tests.adapter_car import StandingCar
from tests.capture_help import PROFILE, TIMING, recorded

NAME, ADDRESS = "Invented OBD", "02:00:00:00:00:01"
BASE = "-0000-1000-8000-00805f9b34fb"
MTU = 23  # the least there is (Bluetooth Core Specification, vol. 3, part F, 3.2.8): 20 bytes at a time


class Radio:
    """What is in reach: devices by address, and where the adapter's bytes really go."""

    devices = {ADDRESS: NAME, "02:00:00:00:00:02": "Headphones"}
    place: tuple[str, int] = ("127.0.0.1", 0)
    serves_text = True


class Scanner(BaseBleakScanner):
    def __init__(self, detection_callback, service_uuids, scanning_mode, **_):
        super().__init__(detection_callback, service_uuids)

    async def start(self):
        self.seen_devices = {}
        self._advertising = asyncio.create_task(self._advertise())

    async def _advertise(self):
        while True:
            for address, name in Radio.devices.items():
                told = AdvertisementData(name, {}, {}, [], None, -60, ())
                self.call_detection_callbacks(self.create_or_update_device(address, address, name, None, told), told)
            await asyncio.sleep(0.02)

    async def stop(self):
        self._advertising.cancel()


class Client(BaseBleakClient):
    """A peripheral with a battery service, which is no adapter's, and one of its maker's that carries text."""

    mtu_size = MTU
    _writer = None

    def __init__(self, device, **options):
        super().__init__(device, disconnected_callback=options["disconnected_callback"], timeout=options["timeout"])

    @property
    def is_connected(self):
        return self._writer is not None

    async def connect(self, pair, **_):
        self._reader, self._writer = await asyncio.open_connection(*Radio.place)
        self.services = BleakGATTServiceCollection()
        kinds = [(1, "0000180f", ["notify", "write"])] + [(10, "0000fff0", ["notify"])] * Radio.serves_text
        for handle, uuid, properties in kinds:
            service = BleakGATTService(None, handle, uuid + BASE)
            self.services.add_service(service)
            for n, can in enumerate([properties, ["write-without-response"]], start=1):
                one = BleakGATTCharacteristic(None, handle + n, f"0000fff{n}{BASE}", can, lambda: MTU - 3, service)
                self.services.add_characteristic(one)

    async def disconnect(self):
        if self._writer is not None:
            self._writer.close()
            self._writer = None

    async def start_notify(self, characteristic, callback, **_):
        async def listen():
            while data := await self._reader.read(MTU - 3):
                callback(bytearray(data))
            self._writer = None
            self._disconnected_callback()

        assert "notify" in characteristic.properties and characteristic.service_uuid.startswith("0000fff0")
        self._listening = asyncio.create_task(listen())

    async def write_gatt_char(self, characteristic, data, response):
        assert len(data) <= MTU - 3 and characteristic.properties == ["write-without-response"] and not response
        if self._writer is None:
            raise bleak.BleakError("not connected")
        self._writer.write(bytes(data))

    async def _no(self, *_, **__):
        raise NotImplementedError

    pair = unpair = read_gatt_char = read_gatt_descriptor = write_gatt_descriptor = stop_notify = _no


@pytest.fixture(autouse=True)
def radio(monkeypatch):
    monkeypatch.setattr(bleak, "get_platform_client_backend_type", lambda: (Client, "test"))
    monkeypatch.setattr(bleak, "get_platform_scanner_backend_type", lambda: (Scanner, "test"))
    monkeypatch.setattr(ble, "SCAN_S", 0.2)
    through_tcp = SimulatedAdapter.start_tcp

    def start(self):
        host, _, port = through_tcp(self).removeprefix("socket://").partition(":")
        Radio.place = (host, int(port))
        return f"ble://{NAME}"

    monkeypatch.setattr(SimulatedAdapter, "start_tcp", start)


def test_it_is_found_by_its_name_and_headphones_are_not():
    assert [p.device for p in likely_ports() if p.device.startswith("ble:")] == [f"ble://{ADDRESS}"]


def test_without_bluetooth_there_is_none_and_no_error(monkeypatch):
    def off():
        raise bleak.BleakError("switched off")

    monkeypatch.setattr(bleak, "get_platform_scanner_backend_type", off)
    assert ble.Transport.found() == []


@pytest.mark.parametrize("wanted", [NAME, NAME.lower(), ADDRESS.lower()])
def test_a_request_is_answered_over_it(wanted):
    with SimulatedAdapter(StandingCar(), PROFILE, timing=TIMING) as adapter:
        adapter.start_tcp()
        link = open_link(f"ble://{wanted}")
        assert link.ask(b"010C").messages
        link.close()


def test_a_recording_over_it_has_a_gap_where_it_broke_and_no_wrong_value(tmp_path):
    drive = recorded(tmp_path / "ble", [Fault("unplugged", 1.0, 0.6)], tcp=True)
    drive.check_values()
    kinds = drive.kinds()
    assert kinds.count("gap") == kinds.count("reconnect") == 1 and 0.5 < drive.done.gap_seconds < 6.0


@pytest.mark.parametrize(
    ("port", "why"),
    [
        ("ble://Nothing", "not in reach"),
        (f"ble://{ADDRESS}", "carries no text"),
        ("ble://", "name or address"),
    ],
)
def test_what_cannot_be_is_said(monkeypatch, port, why):
    monkeypatch.setattr(Radio, "serves_text", False)
    with SimulatedAdapter(StandingCar(), PROFILE, timing=TIMING) as adapter:
        adapter.start_tcp()
        with pytest.raises(InputError, match=why):
            open_link(port)


def test_without_bleak_it_is_said_how_to_get_it(monkeypatch):
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    with pytest.raises(InputError, match=r"pip install"):
        transport_for("ble://x")
