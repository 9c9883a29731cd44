"""Trade words: how headings name what camlog knows. Data only; `camlog.convert.meaning` reads it.

Sources: SAE J1930 terms and acronyms (ECT, IAT, MAF, MAP, TP, VSS, SHRTFT, LONGFT, CMP ...; from memory), SAE
J1979 parameter numbers (from memory), and plain workshop words (TPS is the throttle position sensor of every trade
book, gps grams per second in an air-flow table) in English, German, French, Spanish and
Italian (common practice, no source).
"""

from __future__ import annotations

# One spelling for words that mean the same. A value of several words replaces the one word by all of them.
SAME_WORDS: dict[str, str] = {
    # engine speed
    "revs": "rpm", "rev": "rpm", "drehzahl": "rpm", "motordrehzahl": "engine rpm", "regime": "rpm",
    "giri": "rpm",
    "revoluciones": "rpm", "tach": "rpm", "tachometer": "rpm",
    # temperatures
    "temp": "temperature", "tmp": "temperature", "temperatur": "temperature", "temperatura": "temperature",
    "ect": "coolant temperature", "cts": "coolant temperature",
    "water": "coolant", "kuhlmittel": "coolant", "kuhlwasser": "coolant", "wasser": "coolant",
    "antifreeze": "coolant",
    "refroidissement": "coolant", "refrigerante": "coolant", "refrigerant": "coolant", "eau": "coolant",
    "agua": "coolant", "kuhlmitteltemperatur": "coolant temperature",
    "kuhlwassertemperatur": "coolant temperature",
    "wassertemperatur": "coolant temperature", "wassertemp": "coolant temperature",
    "kuhlmitteltemp": "coolant temperature", "oltemp": "oil temperature", "raffreddamento": "coolant",
    "acqua": "coolant",
    "eot": "oil temperature", "huile": "oil", "aceite": "oil", "olio": "oil", "ol": "oil", "oel": "oil",
    "motorol": "oil",
    "oltemperatur": "oil temperature", "oeltemperatur": "oil temperature",
    "motoroltemperatur": "oil temperature",
    "iat": "intakeair temperature",
    "ansauglufttemperatur": "intakeair temperature", "ansaugluft": "intakeair",
    "ladelufttemperatur": "charge air temperature",
    "aat": "ambient temperature", "ambiant": "ambient", "ambiante": "ambient", "ambiente": "ambient",
    "outside": "ambient", "outdoor": "ambient", "exterior": "ambient", "exterieur": "ambient",
    "exterieure": "ambient",
    "umgebung": "ambient", "aussentemperatur": "ambient temperature",
    "umgebungstemperatur": "ambient temperature",
    "luft": "air", "aire": "air", "aria": "air",
    # pressures and flows
    "press": "pressure", "pres": "pressure", "prs": "pressure", "druck": "pressure", "pression": "pressure",
    "presion": "pressure", "pressione": "pressure",
    "eop": "oil pressure", "oldruck": "oil pressure", "oeldruck": "oil pressure",
    "motoroldruck": "oil pressure",
    "map": "manifold pressure", "saugrohrdruck": "manifold pressure", "saugrohr": "manifold",
    "colector": "manifold",
    "admission": "intake", "collecteur": "manifold",
    "maf": "mass air flow", "luftmasse": "mass air flow", "luftmassenstrom": "mass air flow",
    "airflow": "air flow",
    "debit": "flow", "caudal": "flow", "masse": "mass", "masa": "mass",
    # speed
    "vss": "vehicle speed", "vs": "vehicle speed", "geschwindigkeit": "vehicle speed",
    "fahrgeschwindigkeit": "vehicle speed", "fahrzeuggeschwindigkeit": "vehicle speed", "vitesse": "speed",
    "velocidad": "speed", "velocita": "speed", "vehicule": "vehicle", "vehiculo": "vehicle",
    "veicolo": "vehicle",
    "car": "vehicle", "road": "vehicle", "fahrzeug": "vehicle", "spd": "speed", "veh": "vehicle",
    # load, throttle, spark
    "clv": "engine load", "motorlast": "engine load", "last": "load", "carga": "load", "carico": "load",
    "calculated": "calc", "calculada": "calc", "calculee": "calc", "berechnete": "calc",
    "thr": "throttle", "thrtl": "throttle", "tps": "throttle position", "tp": "throttle position",
    "drosselklappe": "throttle", "drosselklappenstellung": "throttle position",
    "drosselklappenwinkel": "throttle position",
    "papillon": "throttle", "mariposa": "throttle", "farfalla": "throttle",
    "pos": "position", "posn": "position", "stellung": "position",
    "posicion": "position",
    "ign": "ignition", "sparkadv": "spark advance", "zundwinkel": "spark angle",
    "zundung": "ignition",
    "allumage": "ignition", "encendido": "ignition", "accensione": "ignition", "avance": "advance",
    "adv": "advance",
    "anticipo": "advance", "avanzado": "advance",
    # trims
    "shrtft": "short trim", "stft": "short trim", "longft": "long trim", "ltft": "long trim", "lt": "lt",
    "st": "st",
    "shortterm": "short term", "longterm": "long term", "trims": "trim", "gemischadaption": "trim",
    # voltage
    "vpwr": "module voltage", "volts": "voltage", "volt": "voltage", "spannung": "voltage",
    "tension": "voltage", "voltaje": "voltage", "batterie": "battery", "bateria": "battery",
    "batteria": "battery",
    "bat": "battery", "vbat": "battery voltage", "vbatt": "battery voltage",
    "batteriespannung": "battery voltage", "bordspannung": "battery voltage", "ecu": "module",
    "ecm": "module", "pcm": "module",
    "steuergerat": "module",
    # run time
    "runtm": "runtime", "betriebszeit": "runtime", "laufzeit": "runtime",
    # engine and general
    "eng": "engine", "motor": "engine", "moteur": "engine", "motore": "engine",
    "coolanttemp": "coolant temperature", "oiltemp": "oil temperature", "enginespeed": "engine speed",
    "vehiclespeed": "vehicle speed", "engineload": "engine load", "oilpressure": "oil pressure",
    "throttleposition": "throttle position", "manifoldpressure": "manifold pressure",
    "massairflow": "mass air flow", "oilpress": "oil pressure", "runtime": "runtime",
    # cams
    "camshaft": "cam", "cams": "cam", "icam": "intake cam", "ecam": "exhaust cam", "cmp": "cam",
    "nockenwelle": "cam", "nockenwellen": "cam", "nw": "cam",
    "nockenwellenwinkel": "cam angle", "nockenwellenverstellung": "cam phaser",
    "nockenwellenversteller": "cam phaser",
    "cames": "cam", "levas": "cam", "camme": "cam", "vvt": "cam phaser",
    "phasers": "phaser",
    "inlet": "intake", "inl": "intake", "einlass": "intake", "einlassnockenwelle": "intake cam",
    "admision": "intake",
    "aspirazione": "intake", "intk": "intake",
    "exh": "exhaust", "outlet": "exhaust", "auslass": "exhaust", "auslassnockenwelle": "exhaust cam",
    "echappement": "exhaust", "escape": "exhaust", "scarico": "exhaust",
    "winkel": "angle", "ang": "angle", "angulo": "angle", "angolo": "angle", "phase": "angle",
    "phasing": "angle",
    "retarded": "retard", "ret": "retard", "retarding": "retard", "advanced": "advance",
    "spat": "retard", "fruh": "advance",
    # roles
    "command": "commanded", "cmd": "commanded", "cmnd": "commanded", "desired": "commanded",
    "des": "commanded", "dsrd": "commanded", "target": "commanded", "tgt": "commanded", "trgt": "commanded",
    "setpoint": "commanded", "sp": "commanded", "set": "commanded", "requested": "commanded",
    "request": "commanded",
    "req": "commanded", "specified": "commanded", "nominal": "commanded", "reference": "commanded",
    "ref": "commanded",
    "demand": "commanded", "demanded": "commanded", "goal": "commanded",
    "soll": "commanded", "sollwert": "commanded", "sollwinkel": "commanded angle", "consigne": "commanded",
    "deseado": "commanded", "objetivo": "commanded",
    "measured": "actual", "meas": "actual", "msrd": "actual", "feedback": "actual", "fbk": "actual",
    "fb": "actual",
    "actl": "actual", "real": "actual", "achieved": "actual", "ist": "actual", "istwert": "actual",
    "istwinkel": "actual angle", "mesure": "actual", "mesuree": "actual", "medido": "actual",
    "ocv": "valve", "solenoid": "valve", "sol": "valve", "pwm": "duty", "dutycycle": "duty", "dc": "duty",
    "tastverhaltnis": "duty", "ventil": "valve",
    # misfires
    "misfires": "misfire", "misf": "misfire", "mf": "misfire", "fehlzundung": "misfire",
    "fehlzundungen": "misfire",
    "aussetzer": "misfire", "zundaussetzer": "misfire", "verbrennungsaussetzer": "misfire", "cyl": "cylinder",
    "zyl": "cylinder", "zylinder": "cylinder", "cylindre": "cylinder", "cilindro": "cylinder",
    # differences
    "error": "difference", "err": "difference", "deviation": "difference", "dev": "difference",
    "diff": "difference",
    "delta": "difference", "abweichung": "difference", "discrepancy": "difference", "ecart": "difference",
    "maximum": "max", "minimum": "min", "avg": "average", "mean": "average", "mittelwert": "average",
    # long tables and time
    "zeit": "time", "temps": "time", "tiempo": "time", "tempo": "time", "uhrzeit": "clock", "heure": "clock",
    "hora": "clock",
    "ora": "clock", "datum": "date", "fecha": "date", "timestamp": "time",
    "zeitstempel": "time",
    "horodatage": "time", "stamp": "time", "secs": "seconds", "sec": "seconds", "sekunden": "seconds",
    "secondes": "seconds", "milliseconds": "millis", "msec": "millis", "clocktime": "clock",
    "datetime": "date time",
    "localtime": "time", "wert": "value", "valeur": "value", "valor": "value", "reading": "value",
    "readings": "value",
    "messwert": "value", "values": "value",
    "einheit": "unit", "units": "unit", "unite": "unit", "unidad": "unit", "uom": "unit", "unita": "unit",
    "signalname": "signal", "channel": "signal", "parameter": "signal", "param": "signal",
    "item": "signal", "variable": "signal", "quantity": "signal", "measurement": "signal",
    "kanal": "signal", "messgrosse": "signal", "grosse": "signal", "parametre": "signal",
    "parametro": "signal",
}  # fmt: skip

# Words that say nothing about what is measured; they cost a match nothing.
EMPTY_WORDS = frozenset(
    "the of a an in for at to by and de du la le des der die das del pid value signal sensor sens current "
    "live data obd sae liquide liquido liquid measured abs absolute engine term percent deg degree "
    "degrees val from since total 1".split()
)  # fmt: skip
# Words that make it something else, whatever the others say.
OTHER_THINGS = frozenset(
    "difference max min average limit threshold learned learn adaptive offset gradient rate status state "
    "fault flag test counter history lambda oxygen catalyst cat egr fan pump pedal accelerator app "
    "relative rel minimum peak raw adc resistance frequency period pulse width tooth teeth torque power "
    "gear transmission trans gearbox fuelrail rail boost turbo wheel tire tyre evap purge alternator "
    "generator knock dwell injector injection previous delta b c d e idle warning lamp valid quality "
    "error getriebe getriebeol atf brake clutch steering ac compressor hybrid cell gps altitude latitude "
    "longitude heading correlation sync synchronisation synchronization edge edges".split()
)  # fmt: skip

# What a word makes another thing of for one signal alone: the absolute load of SAE J1979 is another
# parameter.
OTHER_FOR = {"engine_load": frozenset({"absolute", "abs"})}

# Words for a quantity: where one stands beside the words for another, it is another thing (a sensor's
# voltage).
QUANTITIES = frozenset({"voltage", "pressure", "temperature", "speed", "flow", "level", "torque", "duty"})

# signal: (words that must all stand there, score when nothing else does). Units can lift a weak score.
PHRASES: dict[str, tuple[tuple[str, float], ...]] = {
    "engine_speed": (("rpm", 0.95), ("engine rpm", 1.0), ("engine speed", 1.0), ("crank speed", 0.9),
    ("n engine", 0.9)),
    "vehicle_speed": (("vehicle speed", 1.0), ("speed", 0.7), ("ground speed", 0.7)),
    "engine_load": (("engine load", 1.0), ("calc load", 1.0), ("load", 0.9), ("load pct", 1.0)),
    "throttle_position": (
        ("throttle position", 1.0), ("throttle", 0.92), ("throttle angle", 0.8), ("throttle opening", 0.92),
    ),
    "coolant_temp": (("coolant temperature", 1.0), ("t coolant", 0.92), ("coolant", 0.7), ("temperature",
    0.5)),
    "oil_temp": (("oil temperature", 1.0), ("t oil", 0.92), ("oil", 0.6)),
    "intake_air_temp": (
        ("intakeair temperature", 1.0), ("intake air temperature", 1.0), ("intake temperature", 0.9),
        ("intake air", 0.7), ("air temperature", 0.5),
    ),
    "ambient_temp": (("ambient temperature", 1.0), ("ambient air temperature", 1.0), ("ambient air", 0.8),
                     ("ambient", 0.7), ("t ambient", 0.92)),
    "manifold_pressure": (
        ("manifold pressure", 1.0), ("intake manifold pressure", 1.0), ("intake pressure", 0.8), ("manifold",
        0.6),
        ("manifold pressure pressure", 1.0),
    ),
    "mass_air_flow": (("mass air flow", 1.0), ("mass air flow rate", 1.0), ("mass flow", 0.7), ("air flow",
    0.8), ("air mass", 0.8),
                      ("mass air flow flow", 1.0)),
    "spark_advance": (
        ("spark advance", 1.0), ("ignition advance", 1.0), ("timing advance", 0.95), ("ignition timing", 1.0),
        ("spark timing", 1.0), ("spark angle", 1.0), ("ignition angle", 0.95), ("ignition timing advance",
        1.0),
        ("timing", 0.5), ("spark", 0.6), ("advance", 0.5), ("ignition", 0.5), ("spark timing advance", 1.0),
    ),
    "short_fuel_trim": (("short trim", 1.0), ("short fuel trim", 1.0), ("short term fuel trim", 1.0),
                        ("st fuel trim", 0.95), ("short term fuel", 0.8)),
    "long_fuel_trim": (("long trim", 1.0), ("long fuel trim", 1.0), ("long term fuel trim", 1.0),
                       ("lt fuel trim", 0.95), ("long term fuel", 0.8)),
    "module_voltage": (
        ("module voltage", 1.0), ("control module voltage", 1.0), ("battery voltage", 0.95), ("battery", 0.7),
        ("voltage", 0.6), ("system voltage", 0.95), ("supply voltage", 0.9), ("module battery voltage", 1.0),
    ),
    "run_time": (
        ("runtime", 0.95), ("run time", 0.95), ("engine run time", 1.0), ("run time start", 1.0),
        ("time engine start", 1.0), ("runtime start", 1.0), ("engine runtime", 1.0), ("running time", 0.92),
    ),
    "oil_pressure": (("oil pressure", 1.0), ("oil", 0.6)),
}  # fmt: skip

# Words of a cam column that say what kind of figure it is; anything else there is unexplained.
CAM_WORDS = frozenset({"cam", "phaser"})
CAM_ANGLE_WORDS = frozenset(
    "angle position advance retard timing valve phaser cam variable control variator crank".split()
)
ROLE_WORDS = ("commanded", "actual", "duty")

# Units as they are written, in lower case without blanks and points: how camlog's trace heading writes them.
UNITS: dict[str, str] = {
    "rpm": "rpm", "r/min": "rpm", "1/min": "rpm", "min-1": "rpm", "min^-1": "rpm", "/min": "rpm",
    "u/min": "rpm",
    "tr/min": "rpm", "rev/min": "rpm", "revs/min": "rpm", "upm": "rpm", "giri/min": "rpm", "min⁻¹": "rpm",
    "km/h": "km/h", "kmh": "km/h", "kph": "km/h", "km/hr": "km/h", "kmph": "km/h", "kmh-1": "km/h",
    "mph": "mph", "mi/h": "mph", "miles/h": "mph", "mile/h": "mph", "m/s": "m/s", "mps": "m/s",
    "°c": "degC", "c": "degC", "degc": "degC", "celsius": "degC", "degreesc": "degC", "degreec": "degC",
    "ºc": "degC",
    "gradc": "degC", "℃": "degC", "degreescelsius": "degC", "degcelsius": "degC",
    "°f": "degF", "f": "degF", "degf": "degF", "fahrenheit": "degF", "degreesf": "degF", "ºf": "degF",
    "℉": "degF",
    "degreesfahrenheit": "degF", "degfahrenheit": "degF", "k": "kelvin", "kelvin": "kelvin",
    "%": "%", "percent": "%", "pct": "%", "prozent": "%", "perc": "%", "%dc": "%", "%duty": "%",
    "kpa": "kPa", "kpaa": "kPa", "kpa(a)": "kPa", "hpa": "hPa", "mbar": "mbar", "bar": "bar", "psi": "psi",
    "psia": "psi",
    "inhg": "inHg", "mmhg": "mmHg", "pa": "Pa", "mpa": "MPa", "kpaabs": "kPa", "kpag": "kPa", "psig": "psi",
    "lb/in2": "psi", "lbf/in2": "psi",
    "g/s": "g/s", "gps": "g/s", "g/sec": "g/s", "gm/s": "g/s", "gm/sec": "g/s", "gram/sec": "g/s",
    "grams/sec": "g/s",
    "kg/h": "kg/h", "kg/hr": "kg/h", "lb/min": "lb/min", "lbs/min": "lb/min",
    "v": "V", "volt": "V", "volts": "V", "mv": "mV", "s": "s", "sec": "s", "secs": "s", "second": "s",
    "seconds": "s",
    "sek": "s", "ms": "ms", "msec": "ms", "millis": "ms", "milliseconds": "ms", "millisecond": "ms",
    "us": "us", "µs": "us", "μs": "us", "usec": "us", "microseconds": "us", "ns": "ns", "min": "min",
    "minutes": "min",
    "h": "h", "hours": "h", "hr": "h", "day": "day", "days": "day",
    "°": "deg", "deg": "deg", "degree": "deg", "degrees": "deg", "º": "deg", "grad": "deg", "grd": "deg",
    "degs": "deg",
    "degbtdc": "deg", "°btdc": "deg", "btdc": "deg", "deg.": "deg",
    "count": "count", "counts": "count", "#": "count", "cnt": "count",
    # in other units than camlog's signals have, so that they are seen to be units
    "nm": "N*m", "lb-ft": "lbf*ft", "lbft": "lbf*ft", "hp": "hp", "kw": "kW", "l/h": "l/h", "gal/h": "gal/h",
    "km": "km", "mi": "mi", "miles": "mi", "m": "m", "ft": "ft", "ma": "mA", "a": "A", "hz": "Hz",
    "khz": "kHz",
    "ohm": "ohm", "ohms": "ohm", "mg": "mg", "mg/stroke": "mg/stroke",
    "ratio": "ratio",
    "lambda": "ratio", "l": "l", "g": "g", "m/s2": "m/s2", "m/s²": "m/s2",
}  # fmt: skip
# Angle units that also say of which shaft.
CRANK_UNITS = frozenset({
    "°ca", "degca", "°crk", "degcrk", "ca", "°crank", "degcrank", "°crankangle", "crankdeg", "crk°", "°kw",
    "kw°", "°crankshaft",
    "degcrankshaft", "cranksh.deg", "degkw", "°cs", "crankshaftdegrees", "crankdegrees", "degreescrank",
    "°vil", "cadeg",
    "degreesca",
})  # fmt: skip
CAM_UNITS = frozenset({
    "°cam", "degcam", "cam°", "camdeg", "°nw", "nw°", "degnw", "°camshaft", "degcamshaft", "camshaftdegrees",
    "camdegrees",
    "degreescam", "°cmp",
})  # fmt: skip
US_UNITS = frozenset({"mph", "degF", "psi", "inHg", "lb/min"})
METRIC_UNITS = frozenset({"km/h", "degC", "kPa", "bar", "mbar", "hPa", "g/s", "kg/h"})
