"""A trouble code in one plain sentence."""

from __future__ import annotations

from camlog.codes.families import CodeFacts, facts

_FAULTS_OF_A_SIGNAL = {
    "circuit": "has no usable signal",
    "range": "gives a signal that does not fit the engine's running",
    "low": "reads too low: a short to ground or a broken supply",
    "high": "reads too high: a short to supply or an open wire",
    "intermittent": "drops out now and then: look for a loose contact",
}

# One sentence a kind; {cam}, {bank} and {cylinder} are filled in from the code's facts.
_SENTENCES = {
    "valve_circuit": "The oil control valve of the {cam} has an electrical fault: wire, plug, coil or driver.",
    "valve_circuit_low": "The oil control valve line of the {cam} is low: a short to ground or an open supply.",
    "valve_circuit_high": "The oil control valve line of the {cam} is high: a short to supply or an open coil.",
    "valve_performance": "The oil control valve of the {cam} does not pass oil as its current asks for.",
    "over_advanced": "The {cam} is further advanced than commanded, or does not follow well.",
    "over_retarded": "The {cam} is further retarded than commanded.",
    "cold_over_advanced": "The {cam} is too far advanced in the first moments after a cold start.",
    "cold_over_retarded": "The {cam} is too far retarded in the first moments after a cold start.",
    "slow": "The {cam} gets where it is told to, but takes too long.",
    "correlation": "The {cam} is not where the crankshaft says it should be: mechanical timing, a phaser off its "
    "rest position, or a trigger wheel.",
    "engine_position": "Both cams of bank {bank} are off against the crankshaft by the same amount: look "
    "at the chain or belt first.",
    "oil_pressure_low": "The oil pressure is too low: check level and true pressure before running on.",
    "oil_too_hot": "The engine oil got hotter than it may.",
    "trim": "The mixture of bank {bank} needs more correction than the control can give.",
    "lean": "The mixture of bank {bank} is too lean: unmetered air or too little fuel.",
    "rich": "The mixture of bank {bank} is too rich: too much fuel or too little air.",
    "lean_at_idle": "The mixture of bank {bank} is too lean at idle.",
    "rich_at_idle": "The mixture of bank {bank} is too rich at idle.",
    "lean_off_idle": "The mixture of bank {bank} is too lean above idle.",
    "rich_off_idle": "The mixture of bank {bank} is too rich above idle.",
    "lean_at_load": "The mixture of bank {bank} is too lean under load.",
    "rich_at_load": "The mixture of bank {bank} is too rich under load.",
    "misfire_random": "Several cylinders misfire, or one that the module cannot name.",
    "misfire_cylinder": "Cylinder {cylinder} misfires.",
    "misfire_low_fuel": "Misfires were counted while the tank was nearly empty.",
    "misfire_one_unnamed": "One cylinder misfires; the code does not say which.",
    "misfire_at_start": "Misfires were counted in the first revolutions after starting.",
    "misfire_fuel_cut": "A cylinder misfires so much that its fuel was cut to save the catalyst.",
    "injector_circuit": "The injector of cylinder {cylinder} has an electrical fault.",
    "coil_circuit": "An ignition coil has an electrical fault in its primary or secondary side; the service "
    "information says which cylinder it fires.",
    **{f"cam_sensor_{kind}": f"The position sensor of the {{cam}} {fault}."
       for kind, fault in _FAULTS_OF_A_SIGNAL.items()},
    **{f"crank_sensor_{kind}": f"The crankshaft position sensor {fault}."
       for kind, fault in _FAULTS_OF_A_SIGNAL.items()},
    **{f"second_crank_sensor_{kind}": f"The second crankshaft position sensor {fault}."
       for kind, fault in _FAULTS_OF_A_SIGNAL.items()},
    **{f"oil_pressure_sensor_{kind}": f"The oil pressure sensor {fault}."
       for kind, fault in _FAULTS_OF_A_SIGNAL.items()},
    **{f"oil_temp_sensor_{kind}": f"The oil temperature sensor {fault}."
       for kind, fault in _FAULTS_OF_A_SIGNAL.items()},
}  # fmt: skip

_SYSTEMS = {"P": "engine or transmission", "C": "chassis", "B": "body", "U": "data network"}


def explain(code: str) -> str:
    """One plain sentence on a code. Raises InputError for text that is no code."""
    known = facts(code)
    if known.kind:
        return _SENTENCES[known.kind].format(
            cam=cam_words(known.cams[0]) if len(known.cams) == 1 else "",
            bank=known.banks[0] if known.banks else "",
            cylinder=known.cylinders[0] if known.cylinders else "",
        )
    owner = "A maker-specific" if is_maker_specific(known.code) else "A generic"
    system = _SYSTEMS[known.code[0]]
    return f"{owner} {system} code that camlog does not weigh: look it up in the service information."


def cam_words(cam: str) -> str:
    """A cam's id in words: `intake_b1` is the "intake cam of bank 1"."""
    side, _, bank = cam.partition("_b")
    return f"{side} cam of bank {bank}"


def is_maker_specific(code: str) -> bool:
    """True where SAE J2012 leaves the code's meaning to the vehicle maker (from memory).

    P1xxx, P30xx to P33xx, and for chassis, body and network the second digits 1 and 2.
    """
    system, digit = code[0], code[1]
    if system == "P":
        return digit == "1" or (digit == "3" and code[2] in "0123")
    return digit in "12"


def describe(known: CodeFacts) -> str:
    """Code and sentence together: `P0301: Cylinder 1 misfires.`."""
    return f"{known.code}: {explain(known.code)}"
