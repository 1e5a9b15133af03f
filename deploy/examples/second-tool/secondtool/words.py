"""What bytes mean: SAE J1979 (ISO 15031-5) for emission data, SAE J2012 for codes,
ISO 14229-1 for refusals."""


def code(high, low):
    """SAE J2012: two bits for the letter, two for the first digit, three more digits."""
    return "PCBU"[high >> 6] + f"{high >> 4 & 3}{high & 15:X}{low:02X}"


def code3(b):
    """With the failure type that ISO 14229-1 has as third byte."""
    return code(b[0], b[1]) + f"-{b[2]:02X}"


def numbers(base, mask):
    """SAE J1979: the items that the four bytes of a range announce."""
    word = int.from_bytes(mask, "big")
    return {base + i for i in range(1, 33) if word >> 32 - i & 1}


def _u16(d):
    return d[0] << 8 | d[1]


def _percent(d):
    return d[0] * 100 / 255


def _celsius(d):
    return d[0] - 40


def _trim(d):
    return (d[0] - 128) * 100 / 128


def _lambda_volts(d):
    return d[0] / 200


# SAE J1979, appendix B: length, name, unit, value. A PID without a value is told raw.
PIDS = {
    0x03: (2, "fuel-system", "", None),
    0x04: (1, "load", "%", _percent),
    0x05: (1, "coolant", "degC", _celsius),
    0x06: (1, "short-trim-1", "%", _trim),
    0x07: (1, "long-trim-1", "%", _trim),
    0x08: (1, "short-trim-2", "%", _trim),
    0x09: (1, "long-trim-2", "%", _trim),
    0x0A: (1, "fuel-pressure", "kPa", lambda d: 3 * d[0]),
    0x0B: (1, "manifold", "kPa", lambda d: d[0]),
    0x0C: (2, "engine-speed", "rev/min", lambda d: _u16(d) / 4),
    0x0D: (1, "road-speed", "km/h", lambda d: d[0]),
    0x0E: (1, "spark", "deg", lambda d: d[0] / 2 - 64),
    0x0F: (1, "intake-air", "degC", _celsius),
    0x10: (2, "air-mass", "g/s", lambda d: _u16(d) / 100),
    0x11: (1, "throttle-a", "%", _percent),
    0x13: (1, "oxygen-sensors", "", None),
    0x14: (2, "oxygen-1-1", "V", _lambda_volts),
    0x15: (2, "oxygen-1-2", "V", _lambda_volts),
    0x18: (2, "oxygen-2-1", "V", _lambda_volts),
    0x19: (2, "oxygen-2-2", "V", _lambda_volts),
    0x1C: (1, "requirement", "", None),
    0x1F: (2, "running-for", "s", _u16),
    0x21: (2, "distance-with-lamp", "km", _u16),
    0x22: (2, "rail-over-manifold", "kPa", lambda d: _u16(d) * 0.079),
    0x2E: (1, "purge", "%", _percent),
    0x2F: (1, "fuel-level", "%", _percent),
    0x30: (1, "warm-ups", "", lambda d: d[0]),
    0x31: (2, "distance-since-clear", "km", _u16),
    0x32: (2, "tank-pressure", "Pa", lambda d: int.from_bytes(d[:2], "big", signed=True) / 4),
    0x33: (1, "barometer", "kPa", lambda d: d[0]),
    0x3C: (2, "catalyst-1", "degC", lambda d: _u16(d) / 10 - 40),
    0x3D: (2, "catalyst-2", "degC", lambda d: _u16(d) / 10 - 40),
    0x42: (2, "supply", "V", lambda d: _u16(d) / 1000),
    0x43: (2, "absolute-load", "%", lambda d: _u16(d) * 100 / 255),
    0x44: (2, "commanded-lambda", "", lambda d: _u16(d) * 2 / 65536),
    0x45: (1, "relative-throttle", "%", _percent),
    0x46: (1, "ambient-air", "degC", _celsius),
    0x47: (1, "throttle-b", "%", _percent),
    0x49: (1, "pedal-d", "%", _percent),
    0x4A: (1, "pedal-e", "%", _percent),
    0x4C: (1, "commanded-throttle", "%", _percent),
    0x4D: (2, "minutes-with-lamp", "min", _u16),
    0x4E: (2, "minutes-since-clear", "min", _u16),
    0x4F: (4, "greatest-values", "", None),
    0x50: (4, "greatest-air-mass", "", None),
    0x51: (1, "fuel", "", None),
    0x5A: (1, "relative-pedal", "%", _percent),
    0x5C: (1, "oil", "degC", _celsius),
    0x5E: (2, "fuel-rate", "l/h", lambda d: _u16(d) / 20),
    0x61: (1, "demanded-torque", "%", lambda d: d[0] - 125),
    0x62: (1, "actual-torque", "%", lambda d: d[0] - 125),
    0x63: (2, "reference-torque", "Nm", _u16),
}

# SAE J1979, PID 01 for spark ignition: byte and bit of "has it", byte and bit of "not done".
MONITORS = [
    ("misfire", 1, 0, 1, 4), ("fuel-system", 1, 1, 1, 5), ("components", 1, 2, 1, 6),
    ("catalyst", 2, 0, 3, 0), ("heated-catalyst", 2, 1, 3, 1), ("evaporative", 2, 2, 3, 2),
    ("secondary-air", 2, 3, 3, 3), ("oxygen-sensor", 2, 5, 3, 5),
    ("oxygen-sensor-heater", 2, 6, 3, 6), ("egr", 2, 7, 3, 7),
]

REFUSALS = {  # ISO 14229-1, annex A
    0x10: "general reject", 0x11: "service not known", 0x12: "sub-function not known",
    0x13: "length or format", 0x14: "answer too long", 0x21: "busy", 0x22: "conditions not correct",
    0x24: "wrong order", 0x25: "no answer behind it", 0x26: "a fault prevents it", 0x31: "out of range",
    0x33: "locked", 0x35: "wrong key", 0x36: "too many keys", 0x37: "delay not over",
    0x72: "programming failed", 0x7E: "sub-function not in this session",
    0x7F: "service not in this session", 0x81: "engine speed too high", 0x82: "engine speed too low",
    0x83: "engine runs", 0x84: "engine does not run", 0x85: "runs too short a time",
    0x86: "too hot", 0x87: "too cold", 0x88: "vehicle moves", 0x89: "vehicle too slow",
    0x8A: "pedal pressed", 0x8B: "pedal not pressed", 0x8C: "not in neutral", 0x8D: "not in gear",
    0x8F: "brake not pressed", 0x90: "lever not in park", 0x91: "converter locked",
    0x92: "supply too high", 0x93: "supply too low",
}


def refusal(nrc):
    return f"{nrc:02X} {REFUSALS.get(nrc, 'a reason of its own')}"


def plain(data):
    """Text that a unit sends, without its filling; None where there is none."""
    text = bytes(data).strip(b"\x00\xff \xaa\x55").split(b"\x00-", 1)
    text = b"-".join(p.strip(b"\x00 ") for p in text)
    if not text or any(c < 0x20 or c > 0x7E for c in text):
        return None
    return text.decode("ascii")


def vehicle_number(data):
    """ISO 3779: 17 letters and digits, without I, O and Q."""
    text = plain(data)
    good = text and len(text) == 17 and all(c in "0123456789ABCDEFGHJKLMNPRSTUVWXYZ" for c in text)
    return text if good else None
