"""The tasks, each in this tool's own order."""
import time

from . import words
from .services import Refused, Silent

CAUTION = (
    "Caution: a CAN frame can move a car. Wheels blocked, parking brake set, neutral or P, room "
    "ventilated, nobody under or in front of the car. The maker's procedure, local rules and "
    "qualified practice come first.")


class Out:
    """Lines, as they come."""

    def __init__(self):
        self.problems, self.refused = 0, False

    def line(self, text):
        print(text, flush=True)

    def problem(self, text):
        self.problems += 1
        self.line(f"problem: {text}")

    def remark(self, text):
        self.line(f"remark: {text}")

    def end(self, text, status):
        self.line(f"end: {text}")
        return status


def number(x):
    return f"{x:.4f}".rstrip("0").rstrip(".")


# ISO 14229-1, identifiers that every maker may have.
IDENTIFIERS = [
    (0xF187, "part"), (0xF188, "software"), (0xF189, "version"), (0xF18C, "serial"),
    (0xF191, "hardware"), (0xF197, "system"),
]


class Page:
    """What is known of each unit, told unit by unit at the end."""

    def __init__(self, car, out):
        self.car, self.out = car, out
        self.parts = {}

    def add(self, unit, text):
        self.parts.setdefault(unit.response, []).append(text)

    def add_to(self, source, text):
        self.parts.setdefault(source, []).append(text)

    def tell(self, before=""):
        for source, unit in sorted(self.car.units.items()):
            self.out.line(f"{before}unit {unit.label}")
            for text in self.parts.get(source, []):
                self.out.line(f"{before}  {text}")

    # Identity

    def identity(self, everything=True):
        car, found = self.car, {}
        for unit in car.units.values():
            try:
                vin = words.vehicle_number(car.read(unit, 0xF190))
                if vin:
                    found[unit.response] = vin
                self.add(unit, f"number {vin}" if vin else "number none")
            except Refused as e:
                self.add(unit, f"number not told ({e})")
            except Silent as e:
                self.out.problem(str(e))
            if not everything:
                continue
            for did, name in IDENTIFIERS:
                try:
                    text = words.plain(car.read(unit, did))
                    self.add(unit, f"{name} {text or 'none'}")
                except Refused:
                    pass
                except Silent as e:
                    self.out.problem(str(e))
        car.learn_masks(0x09)
        self._infotypes(found)
        # The car's number is what the unit says that the law makes say it (service 09);
        # where that one is blank the others may know, if they agree.
        said = found.get("law") or None
        others = {v for s, v in found.items() if s != "law"}
        if said is None and len(others) == 1:
            said = others.pop()
        elif len(others | ({said} if said else set())) > 1:
            self.out.remark("the units do not agree on the vehicle's number")
        self.out.line(f"vehicle {said}" if said else "vehicle unknown")

    def _infotypes(self, found):
        car = self.car
        for infotype in (0x0A, 0x04, 0x06, 0x02, 0x08):
            expected = car.having(0x09, infotype)
            if not expected:
                continue
            got = car.ask_all([0x09, infotype], lambda a: len(a) > 3 and a[1] == infotype, expected)
            for source in expected:
                answer = got.get(source)
                if answer is None or answer[0] == 0x7F:
                    self.out.problem(f"unit {car.units[source].label} does not tell infotype {infotype:02X}")
                    continue
                n, data = answer[2], answer[3:]
                if infotype == 0x02:
                    vin = words.vehicle_number(data)
                    if vin:
                        found["law"] = vin
                elif infotype == 0x0A:
                    self.add_to(source, f"name {words.plain(data) or 'none'}")
                elif infotype == 0x04:
                    for i in range(n):
                        text = words.plain(data[16 * i:16 * i + 16])
                        if text:
                            self.add_to(source, f"calibration {text}")
                elif infotype == 0x06:
                    for i in range(n):
                        self.add_to(source, f"verification {data[4 * i:4 * i + 4].hex().upper()}")
                else:
                    self.add_to(source, "in-use " + " ".join(
                        str(data[i] << 8 | data[i + 1]) for i in range(0, len(data) - 1, 2)))

    # Codes

    def codes(self):
        """First what each unit says by ISO 14229-1, which has the codes without a lamp too;
        then the three emission lists. What one of them cannot say the other may."""
        car = self.car
        lists = {u.response: {"stored": {}, "pending": {}, "permanent": {}} for u in car.units.values()}
        known = {u.response: set() for u in car.units.values()}
        for unit in car.units.values():
            try:
                for dtc, status in car.codes(unit, 0x8D):
                    if status & 0x08:
                        lists[unit.response]["stored"][words.code3(dtc)] = status
                    if status & 0x04:
                        lists[unit.response]["pending"][words.code3(dtc)] = status
                known[unit.response] |= {"stored", "pending"}
            except (Silent, ValueError) as e:
                self.out.problem(str(e))
            except Refused as e:
                self.out.remark(f"unit {unit.label}: {e}")
            if not unit.emission:
                try:
                    answer = car.ask(unit, [0x19, 0x15], echo=1)
                    if len(answer) >= 3 and (len(answer) - 3) % 4 == 0:
                        for i in range(3, len(answer), 4):
                            lists[unit.response]["permanent"][words.code3(answer[i:i + 3])] = answer[i + 3]
                        known[unit.response].add("permanent")
                except (Silent, Refused) as e:
                    self.out.remark(f"unit {unit.label}: {e}")
        for service, kind in ((0x0A, "permanent"), (0x07, "pending"), (0x03, "stored")):
            got = car.ask_all([service])
            for unit in car.emission_units():
                answer = got.get(unit.response)
                have = lists.setdefault(unit.response, {"stored": {}, "pending": {}, "permanent": {}})
                state = known.setdefault(unit.response, set())
                reason = None
                if answer is None:
                    reason = f"does not answer service {service:02X}"
                elif answer[0] == 0x7F:
                    reason = f"service {service:02X} refused: {words.refusal(answer[2])}"
                elif len(answer) < 2 or len(answer) != 2 + 2 * answer[1]:
                    # SAE J1979: a count, and two bytes for each. A list that contradicts
                    # itself is not read at all.
                    reason = f"its list of {kind} codes (service {service:02X}) contradicts itself"
                if reason:
                    # The list of ISO 14229-1 holds these codes as well, if it was read.
                    (self.out.remark if kind in state else self.out.problem)(f"unit {unit.label} {reason}")
                    continue
                plain = {c[:5] for c in have[kind]}
                for i in range(2, len(answer), 2):
                    c = words.code(answer[i], answer[i + 1])
                    if c not in plain:
                        have[kind][c] = None
                state.add(kind)
        for source, have in lists.items():
            for kind in ("stored", "pending", "permanent"):
                for c, status in have[kind].items():
                    self.add_to(source, f"{kind} {c}" + (f" status {status:02X}" if status is not None else ""))
                if kind not in known[source]:
                    self.add_to(source, f"{kind} unknown")
                elif not have[kind]:
                    self.add_to(source, f"{kind} none")
        return lists

    def status(self):
        """PID 01: lamp, number of codes, monitors."""
        for source, d in self.car.values(0x01).items():
            self.add_to(source, f"lamp {'on' if d[0] & 0x80 else 'off'}")
            self.add_to(source, f"counts {d[0] & 0x7F}")
            if d[1] & 0x08:
                self.add_to(source, "monitors of compression ignition, not read")
                continue
            for name, has_byte, has, not_byte, bit in words.MONITORS:
                if d[has_byte] >> has & 1:
                    self.add_to(source, f"monitor {name} {'waits' if d[not_byte] >> bit & 1 else 'finished'}")

    # Values

    def live(self):
        pids = sorted(set().union(*[self.car.announced(0x01, u.response) for u in self.car.emission_units()] or [set()]))
        for pid in pids:
            if pid % 0x20 == 0 or pid not in words.PIDS:
                continue
            for source, data in self.car.values(pid).items():
                self.add_to(source, "value " + value(pid, data))

    def frozen(self, deep=False):
        """Service 02, frame 0: its code, then its values."""
        car = self.car
        self.car.learn_masks(0x02, b"\x00")
        got = car.ask_all([0x02, 0x02, 0x00], lambda a: a[1] == 2 and len(a) >= 5, car.having(0x02, 0x02))
        holders = set()
        for source in car.having(0x02, 0x02):
            answer = got.get(source)
            if answer is None or answer[0] == 0x7F:
                self.out.problem(f"unit {car.units[source].label} does not tell its freeze frame")
                self.add_to(source, "frozen unknown")
            elif answer[3:5] == b"\x00\x00":
                self.add_to(source, "frozen none")
            else:
                holders.add(source)
                self.add_to(source, f"frozen by {words.code(answer[3], answer[4])}")
        pids = set().union(*[car.announced(0x02, s) for s in holders] or [set()])
        for pid in sorted(pids):
            if pid <= 2 or pid % 0x20 == 0 or pid not in words.PIDS:
                continue
            size = words.PIDS[pid][0]
            got = car.ask_all([0x02, pid, 0x00], lambda a: a[1] == pid and len(a) >= 3 + size,
                              {s for s in holders if pid in car.announced(0x02, s)})
            for source, answer in got.items():
                if answer[0] == 0x42 and source in holders:
                    self.add_to(source, "frozen value " + value(pid, answer[3:]))

    def tests(self):
        """Service 06: results of the monitors, raw, with what passed and what did not."""
        car = self.car
        car.learn_masks(0x06)
        mids = set().union(*[car.announced(0x06, u.response) for u in car.emission_units()] or [set()])
        for mid in sorted(mids):
            if mid % 0x20 == 0:
                continue
            got = car.ask_all([0x06, mid], lambda a: len(a) >= 10 and a[1] == mid, car.having(0x06, mid))
            for source, answer in got.items():
                rows = answer[1:]
                for i in range(0, len(rows) - 8, 9):
                    test, scaling = rows[i + 1], rows[i + 2]
                    signed = scaling >= 0x80
                    v, low, high = (int.from_bytes(rows[i + k:i + k + 2], "big", signed=signed) for k in (3, 5, 7))
                    how = "not run" if v == low == high == 0 else "passed" if low <= v <= high else "failed"
                    self.add_to(source, f"test {mid:02X} {test:02X} {how} ({v} of {low} to {high}, scaling {scaling:02X})")


def value(pid, data):
    size, name, unit, f = words.PIDS[pid]
    data = data[:size]
    return f"{name} {number(f(data))} {unit}".rstrip() if f else f"{name} = {data.hex().upper()}"


# Reading

def identify(car, out, _):
    page = Page(car, out)
    car.look_for_others()
    page.identity()
    page.tell()


def health_check(car, out, _):
    page = Page(car, out)
    car.look_for_others()
    car.learn_masks(0x01)
    page.codes()
    page.status()
    page.frozen()
    page.live()
    page.identity()
    page.tests()
    page.tell()


def read_codes(car, out, _):
    page = Page(car, out)
    car.look_for_others()
    page.codes()
    page.status()
    page.tell()


def read_live(car, out, _):
    page = Page(car, out)
    car.learn_masks(0x01)
    page.live()
    page.tell()


def read_freeze_frame(car, out, _):
    page = Page(car, out)
    page.frozen()
    for unit in car.emission_units():
        # ISO 14229-1, 19 04 and 19 06: what the unit keeps of each confirmed code beside
        # the frame of the law. Told as it comes.
        try:
            for dtc, _ in car.codes(unit, 0x08):
                for sub, name in ((0x04, "snapshot"), (0x06, "record")):
                    answer = car.ask(unit, bytes([0x19, sub]) + dtc + b"\xFF", echo=4)
                    page.add(unit, f"{name} of {words.code3(dtc)} {answer[6:].hex().upper() or 'none'}")
        except (Refused, Silent, ValueError) as e:
            out.remark(f"unit {unit.label}: {e}")
    page.tell()


def moves(car, out, engine=False):
    """Whether the car moves, or the engine turns; both are told."""
    speeds, roads = car.values(0x0C), car.values(0x0D)
    for d in speeds.values():
        out.line(f"looked: engine speed {number((d[0] << 8 | d[1]) / 4)}")
    for d in roads.values():
        out.line(f"looked: road speed {d[0]}")
    turning = any(d[0] or d[1] for d in speeds.values())
    rolling = any(d[0] for d in roads.values())
    if rolling:
        out.problem("the car moves")
    return rolling or engine and turning


# Clearing

def clear_codes(car, out, _):
    out.line(CAUTION)
    out.line("Clearing loses freeze frames and readiness: what follows is what was there.")
    car.look_for_others()
    before = Page(car, out)
    before.codes()
    before.frozen()
    before.tell("before: ")
    if out.problems:
        out.problem("not every code could be read, so none is cleared")
        return
    if moves(car, out, engine=True):
        out.refused = True
        out.problem("the engine turns or the car moves: codes are cleared with the engine off")
        page = Page(car, out)
        page.codes()
        page.status()
        page.tell()
        return
    refused = set()
    got = car.ask_all([0x04])
    for unit in car.emission_units():
        answer = got.get(unit.response)
        if answer is None:
            out.problem(f"unit {unit.label} does not say whether it has cleared")
        elif answer[0] == 0x7F:
            refused.add(unit.response)
            out.refused = True
            out.problem(f"unit {unit.label} does not clear: {words.refusal(answer[2])}")
    for unit in car.units.values():
        if unit.response in refused:
            continue  # it has said no, and is not asked by another door
        try:
            car.ask(unit, [0x14, 0xFF, 0xFF, 0xFF])
            out.line(f"cleared {unit.label}")
        except Refused as e:
            out.refused = True
            out.problem(f"unit {unit.label} does not clear: {e}")
        except Silent as e:
            out.problem(str(e))
    time.sleep(1.5)  # a fault that is still there is back soon
    page = Page(car, out)
    page.codes()
    page.status()
    page.tell()


# Learning

ENGINE_LOCK = {11: {"engine": 0x48E0C0DE, "body": 0x48B0D7A1}, 29: {"engine": 0x18E04B71, "body": 0x18B0913C}}

LEARN = {  # unit, routine, locked, how often it may be begun, what to do
    "clutch": ("engine", 0x0210, False, 3, "Key on, engine off. Clutch pedal fully down until this ends."),
    "crank-variation": ("engine", 0x0211, False, 1,
                        "Engine warm and idling, exhaust led outside. Open the throttle until the fuel is cut, "
                        "release it at once, then key off for ten seconds and on. The engine goes to its limit: "
                        "hands and clothes away from belts and fans."),
    "throttle-rest": ("engine", 0x0212, False, 2, "Key on, engine off, pedal released. The plate moves: fingers out."),
    "idle-air": ("engine", 0x0213, False, 2, "Engine warm and idling, consumers off, pedal released, exhaust led outside."),
    "exchange": ("engine", 0x0220, True, 1,
                 "Charger connected. Key on, engine off, for ten minutes, until the security lamp goes out; then key "
                 "off for ten seconds and on."),
    "key": ("body", 0x0320, True, 2, "Key on, engine off."),
    "steering-zero": ("brake", 0x0230, False, 2, "Key on, wheels straight ahead, nobody moves the car."),
    "battery": ("body", 0x0330, False, 2, "Key on, engine off, charger off, battery at rest."),
    "shift-adaptation": ("gearbox", 0x0240, False, 2, "Key on, engine off, lever at P."),
}

PERSON = 24.0  # as long as somebody has to do what is asked


def learn(car, out, position):
    role, routine, locked, begins, advice = LEARN[position]
    out.line(CAUTION)
    out.line("please: " + advice)
    car.look_for_others()
    unit = car.unit(role)
    out.line(f"works on {unit.label}")
    if moves(car, out):
        out.refused = True
        out.line(f"learn {position} refused")
        return
    rid = [routine >> 8, routine & 0xFF]

    def enter():
        car.session(unit, 0x03)
        if locked:
            car.unlock(unit, 0x01, ENGINE_LOCK[car.transport.addressing.bits][role])

    try:
        enter()
        for begin in range(begins):
            until = time.monotonic() + PERSON
            while True:
                try:
                    car.ask(unit, [0x31, 0x01] + rid, echo=3)
                    break
                except Refused as e:
                    out.line(f"not yet: {e}")
                    if e.nrc in (0x7F, 0x7E, 0x33):
                        enter()
                    elif e.nrc in (0x11, 0x12, 0x13, 0x31) or time.monotonic() > until:
                        out.refused = True
                        out.line(f"learn {position} refused")
                        out.problem(str(e))
                        return
                    car.stay(unit, 2.5)
            how, reason = follow(car, out, unit, rid, enter)
            if how == 0x00:
                out.line(f"learn {position} learned")
                return
            out.line(f"broke off: state {how:02X}, reason {reason:02X}")
            if begin + 1 < begins:
                out.line("please: " + advice)
                car.stay(unit, 4.0)
        out.line(f"learn {position} aborted")
        out.problem("the unit has not learned")
    except Refused as e:
        out.refused = True
        out.line(f"learn {position} refused")
        out.problem(str(e))
    except Silent as e:
        out.line(f"learn {position} failed")
        out.problem(str(e))


RUNNING = 0x01


def follow(car, out, unit, rid, enter):
    """Asks for the result until there is one. The key may be turned in between: the unit
    is silent then, and has forgotten the session afterwards."""
    told, silent_since = None, None
    while True:
        time.sleep(1.5)
        try:
            answer = car.ask(unit, [0x31, 0x03] + rid, echo=3, patient=False)
        except Silent:
            silent_since = silent_since or time.monotonic()
            if time.monotonic() - silent_since > 120:
                raise
            continue
        except Refused as e:
            if e.nrc in (0x7F, 0x7E, 0x33):
                try:
                    enter()
                except Silent:
                    pass
                continue
            raise
        silent_since = None
        state = answer[4] if len(answer) > 4 else RUNNING
        detail = answer[5] if len(answer) > 5 else 0
        if (state, detail) != told:
            out.line(f"result {answer[4:].hex().upper()}")
            told = state, detail
        if state != RUNNING:
            return state, detail


# Driving an output

OUTPUTS = {"fan": (0x0400, 1), "fuel-pump": (0x0401, 1), "purge": (0x0402, 40), "vent": (0x0403, 1),
           "throttle": (0x0404, 20), "lamp": (0x0405, 1), "alternator": (0x0406, 0)}
OUTPUTS.update({f"injector-{i}": (0x0410 + i, 0) for i in range(1, 9)})


def drive_output(car, out, name):
    did, state = OUTPUTS[name]
    out.line(CAUTION)
    out.line("please: hands, hair and clothes away, the part moves or starts by itself")
    unit = car.unit("engine")
    out.line(f"works on {unit.label}")
    if moves(car, out):
        out.refused = True
        out.line(f"output {name} refused")
        return
    taken = quiet = False
    try:
        car.session(unit, 0x03)
        try:
            # A part that is driven may look like a fault: no codes for that (85 02).
            car.ask(unit, [0x85, 0x02], echo=1)
            quiet = True
        except Refused as e:
            out.remark(str(e))
        taken = True
        car.ask(unit, [0x2F, did >> 8, did & 0xFF, 0x03, state], echo=3)
        out.line(f"driving {name}")
        car.stay(unit, 3.0)
    except Refused as e:
        taken = False
        out.refused = True
        out.line(f"output {name} refused")
        out.problem(str(e))
    except Silent as e:
        out.line(f"output {name} failed")
        out.problem(str(e))
    finally:
        if taken:
            try:
                car.ask(unit, [0x2F, did >> 8, did & 0xFF, 0x00], echo=3)
                if not out.problems:
                    out.line(f"output {name} driven")
            except Refused as e:
                out.line(f"output {name} failed")
                out.problem(str(e))
        if quiet:
            car.ask(unit, [0x85, 0x01], echo=1)


# Writing

def write_identity(car, out, vin):
    out.line(CAUTION)
    out.line("The number is that of this car: compare it with body and papers. Local law applies.")
    text = vin.strip().upper()
    if words.vehicle_number(text.encode()) != text:
        out.problem(f"{vin} is no vehicle number: 17 letters and digits, without I, O and Q")
        return
    unit = car.unit("engine")
    out.line(f"works on {unit.label}")
    before = words.vehicle_number(car.read(unit, 0xF190))
    out.line(f"  before {before or 'none'}")
    car.session(unit, 0x03)
    car.unlock(unit, 0x01, ENGINE_LOCK[car.transport.addressing.bits]["engine"])
    car.ask(unit, b"\x2E\xF1\x90" + text.encode(), echo=2)
    after = words.vehicle_number(car.read(unit, 0xF190))
    out.line(f"  number {after or 'none'}")
    if after != text:
        out.problem("what is read back is not what was written")
    else:
        out.line(f"written {after}")


TASKS = {
    "identify": (identify, None), "health-check": (health_check, None), "read-codes": (read_codes, None),
    "read-live": (read_live, None), "read-freeze-frame": (read_freeze_frame, None),
    "clear-codes": (clear_codes, None), "learn": (learn, LEARN), "drive-output": (drive_output, OUTPUTS),
    "write-identity": (write_identity, {}),
}
