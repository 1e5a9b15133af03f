"""Questions and answers: emission services of SAE J1979, and ISO 14229-1 (UDS).

Everything here asks again by the same habits: twice more after silence, and after "busy"
(NRC 21) as often as it takes in ten seconds. Whoever has fallen silent altogether is waited
for, for ten seconds, in case somebody puts the cable back.
"""
import time

from . import words
from .bus import Bus, Gone
from .transport import Eleven, Transport, TwentyNine

TRIES = 3
BUSY_PAUSE, BUSY_FOR = 0.6, 10.0
BACK_FOR = 10.0


class Refused(Exception):
    def __init__(self, service, nrc):
        super().__init__(f"service {service:02X} refused: {words.refusal(nrc)}")
        self.nrc = nrc


class Silent(Exception):
    pass


class Car:
    def __init__(self, url, armed=None):
        self.bus = Bus(url, armed)
        self.transport = None
        self.units = {}      # by response identifier
        self.masks = {}      # (service, response) -> the items announced
        self.sessions = {}   # response -> when it was heard last in its session

    # Finding it

    def connect(self):
        """ISO 15765-4, initialisation: 01 00 to everybody, on 11 bits and then on 29."""
        for attempt in range(3):
            for addressing in (Eleven(), TwentyNine()):
                t = Transport(self.bus, addressing)
                heard = self._hello(t)
                if heard:
                    # A unit that was busy just now says so the second time.
                    self.transport = t
                    for source, answer in {**self._hello(t), **heard}.items():
                        self.units[source] = addressing.unit(source)
                        self.masks[0x01, source] = words.numbers(0, answer[2:6])
                    return
            time.sleep(0.7)
        raise Gone("no car answers, neither on 11 bits nor on 29")

    @staticmethod
    def _hello(t):
        heard = t.ask_all(b"\x01\x00", lambda a: len(a) >= 6 and a[1] == 0, None)
        return {s: a for s, a in heard.items() if a[0] == 0x41}

    def look_for_others(self):
        """Units that answer to their own identifier only: a tester present to each."""
        for unit in self.transport.addressing.others():
            for _ in range(2):
                if self.transport.ask(unit, b"\x3E\x00", lambda a: True):
                    self.units[unit.response] = unit
                    break

    def unit(self, role):
        request = self.transport.addressing.roles.get(role)
        for unit in self.units.values():
            if unit.request == request:
                return unit
        for unit in self.transport.addressing.others():
            if unit.request == request:
                return unit
        raise Silent(f"this car shows no unit that would be its {role}")

    def emission_units(self):
        return [u for u in self.units.values() if u.emission]

    def _still_there(self):
        until = time.monotonic() + BACK_FOR
        while time.monotonic() < until:
            if self._hello(self.transport):
                return
            time.sleep(1.0)
        raise Gone("the car does not answer any more")

    # ISO 14229-1, one unit

    def ask(self, unit, payload, echo=0, patient=True):
        """The answer of one unit; echo bytes behind the service must come back as they are.
        Raises Refused, or Silent when it says nothing."""
        payload = bytes(payload)
        want = payload[1:1 + echo]
        fits = lambda a: len(a) >= 1 + echo and a[1:1 + echo] == want
        busy_until, silences, back = time.monotonic() + BUSY_FOR, 0, False
        while True:
            try:
                answer = self.transport.ask(unit, payload, fits)
            except TimeoutError:  # it did not let a longer request through
                answer = None
            if answer is None:
                silences += 1
                if not patient:
                    raise Silent(f"unit {unit.label} does not answer")
                if silences < TRIES:
                    time.sleep(0.25)
                elif not back:
                    self._still_there()
                    silences, back = TRIES - 1, True
                else:
                    raise Silent(f"unit {unit.label} does not answer service {payload[0]:02X}")
            elif answer[0] == 0x7F and answer[2] == 0x21 and time.monotonic() < busy_until:
                time.sleep(BUSY_PAUSE)
            elif answer[0] == 0x7F:
                raise Refused(payload[0], answer[2])
            else:
                return answer

    def read(self, unit, did):
        return self.ask(unit, [0x22, did >> 8, did & 0xFF], echo=2)[3:]

    def codes(self, unit, mask):
        """19 02: pairs of three bytes of code and status."""
        answer = self.ask(unit, [0x19, 0x02, mask], echo=1)
        body = answer[3:]
        if len(answer) < 3 or len(body) % 4:
            raise ValueError("its list of codes (19 02) has an odd length")
        return [(body[i:i + 3], body[i + 3]) for i in range(0, len(body), 4) if body[i + 3] & mask]

    def session(self, unit, kind):
        # P2 and P2* stand in the answer; what is waited here is more than both.
        self.ask(unit, [0x10, kind], echo=1)
        if kind == 0x01:
            self.sessions.pop(unit.response, None)
        else:
            self.sessions[unit.response] = unit

    def stay(self, unit, seconds):
        """Time goes by in a session: 3E 00 to the unit every two seconds (ISO 14229-2, S3)."""
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0:
            time.sleep(min(left, 2.0))
            if left > 2.0:
                self.present(unit)

    def present(self, unit):
        self.transport.ask(unit, b"\x3E\x00", lambda a: True)

    def unlock(self, unit, level, secret):
        seed = self.ask(unit, [0x27, level], echo=1)[2:]
        if not any(seed):
            return  # open already, and no key is wanted
        x = int.from_bytes(seed, "big") ^ secret
        for _ in range(4):
            y = (x * 0x9E3779B1 + secret) & 0xFFFFFFFF
            x = (y << 11 | y >> 21) & 0xFFFFFFFF ^ x >> 7
        self.ask(unit, bytes([0x27, level + 1]) + x.to_bytes(4, "big"), echo=1)

    def leave(self):
        """Back to the default session wherever another was opened."""
        for unit in list(self.sessions.values()):
            try:
                self.session(unit, 0x01)
            except (Refused, Silent, Gone):
                self.sessions.pop(unit.response, None)

    # SAE J1979, everybody

    def ask_all(self, payload, fits=lambda a: True, expected=None, tries=TRIES):
        """Answers by response identifier, refusals among them. Who is expected and silent
        is asked again, with everybody else, as emission requests go to all."""
        if expected is None:
            expected = {u.response for u in self.emission_units()}
        expected = set(expected)
        payload, got = bytes(payload), {}
        busy_until, silences, back = time.monotonic() + BUSY_FOR, 0, False
        while True:
            new = self.transport.ask_all(payload, fits, expected)
            for source, answer in new.items():
                if source not in self.units:
                    self.units[source] = self.transport.addressing.unit(source)
                if source not in got or got[source][0] == 0x7F:
                    got[source] = answer
            busy = [s for s in expected if s in got and got[s][0] == 0x7F and got[s][2] == 0x21]
            missing = expected - set(got)
            if busy and time.monotonic() < busy_until:
                time.sleep(BUSY_PAUSE)
            elif missing:
                silences += 1
                if silences < tries:
                    time.sleep(0.25)
                elif not got and not back:
                    self._still_there()
                    silences, back = tries - 1, True
                else:
                    return got
            else:
                return got

    def announced(self, service, source):
        return self.masks.get((service, source), set())

    def learn_masks(self, service, frame=b""):
        """Reads what is announced, a range of 32 after the other, to the end. Who has a
        service at all is not known before: silence is looked at twice, and is an answer."""
        base, sources, skip = 0, {u.response for u in self.emission_units()}, 2 + len(frame)
        if service == 0x01:  # the first range was the greeting
            base, sources = 0x20, {s for s in sources if 0x20 in self.masks.get((1, s), ())}
        while sources and base <= 0xE0:
            got = self.ask_all(bytes([service, base]) + frame,
                               lambda a: len(a) >= skip + 4 and a[1] == base,
                               sources, TRIES if base else 2)
            more = set()
            for source, answer in got.items():
                if answer[0] == 0x7F:
                    continue
                have = words.numbers(base, answer[skip:skip + 4])
                self.masks.setdefault((service, source), set()).update(have)
                if base + 0x20 in have:
                    more.add(source)
            sources, base = more, base + 0x20

    def having(self, service, item):
        return {s for (v, s), items in self.masks.items() if v == service and item in items}

    def values(self, pid):
        """Service 01, one PID: its bytes by unit."""
        size = words.PIDS.get(pid, (4 if pid in (0x01, 0x41) else 0,))[0]
        got = self.ask_all([0x01, pid], lambda a: a[1] == pid and len(a) >= 2 + size, self.having(0x01, pid))
        return {s: a[2:] for s, a in got.items() if a[0] == 0x41}
