"""A simulated ELM-style adapter in front of any car: commands, buses, timing, faults."""

from camlog.simulate.adapter.faults import KINDS as FAULT_KINDS
from camlog.simulate.adapter.faults import Fault as Fault
from camlog.simulate.adapter.faults import Injection as Injection
from camlog.simulate.adapter.faults import parse_fault as parse_fault
from camlog.simulate.adapter.server import SimulatedAdapter as SimulatedAdapter
from camlog.simulate.adapter.server import serve as serve
from camlog.simulate.adapter.settings import PRESETS as PRESETS
from camlog.simulate.adapter.settings import AdapterTraits as AdapterTraits
from camlog.simulate.adapter.settings import preset as preset
from camlog.simulate.adapter.timing import TimingModel as TimingModel

__all__ = ["FAULT_KINDS"]
