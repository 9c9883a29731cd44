"""The simulated vehicle, drawn from a seed: engine, oil, phasers and their control, monitors and codes."""

from camlog.simulate.vehicle.car import SimulatedCar as SimulatedCar
from camlog.simulate.vehicle.conditions import CONDITIONS as CONDITIONS
from camlog.simulate.vehicle.conditions import Condition as Condition
from camlog.simulate.vehicle.draw import demo_setup as demo_setup
from camlog.simulate.vehicle.draw import draw_setup as draw_setup
from camlog.simulate.vehicle.drive_cycle import draw_drive as draw_drive
from camlog.simulate.vehicle.drive_cycle import permanent_code_drive as permanent_code_drive
