"""A simulated ELM-style adapter in front of any car: commands, buses, timing, faults."""

from camlog.simulate.adapter.faults import KINDS as FAULT_KINDS
from camlog.simulate.adapter.faults import Fault, Injection, parse_fault, random_faults
from camlog.simulate.adapter.server import SimulatedAdapter, serve
from camlog.simulate.adapter.settings import PRESETS, AdapterTraits, preset
from camlog.simulate.adapter.timing import TimingModel, request_time_s

__all__ = [
    "FAULT_KINDS",
    "PRESETS",
    "AdapterTraits",
    "Fault",
    "Injection",
    "SimulatedAdapter",
    "TimingModel",
    "parse_fault",
    "preset",
    "random_faults",
    "request_time_s",
    "serve",
]
