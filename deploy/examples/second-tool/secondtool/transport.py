"""ISO 15765-2 (transport) with the waiting of ISO 15765-4 and ISO 14229-2.

A question goes to one unit or to all, and the answers of all who answer are put together
side by side, each on its own identifier.
"""
import time

from .bus import EXTENDED

PAD = 0x55  # a receiver must not look at it (ISO 15765-2, padding)

N_CR = 1.0      # between two consecutive frames, ISO 15765-2 (emission: 0.15, which is less)
N_BS = 1.0      # until the unit's flow control
WAITS = 20      # flow controls that say wait, in a row
P2 = 0.40       # a unit begins to answer in 50 ms; the way there and back, and this machine
P2_STAR = 6.0   # after response pending: 5 s, and a second for the same reasons


class Unit:
    """Whom to ask, and where the answer comes."""

    def __init__(self, request, response, emission):
        self.request, self.response, self.emission = request, response, emission

    @property
    def label(self):
        return f"{self.request & ~EXTENDED:X}" if not self.request & EXTENDED else f"{self.request & ~EXTENDED:08X}"


class Eleven:
    """11-bit identifiers of ISO 15765-4, and a maker's units beside them."""
    bits, everybody = 11, 0x7DF
    # The units that answer to their own identifier only.
    own = {0x7A0: 0x7A8}
    roles = {"engine": 0x7E0, "brake": 0x7E1, "body": 0x7A0}

    def wanted(self, identifier):
        return 0x7E8 <= identifier <= 0x7EF or identifier in self.own.values()

    def unit(self, response):
        for request, answer in self.own.items():
            if answer == response:
                return Unit(request, response, False)
        return Unit(response - 8, response, True)

    def others(self):
        return [Unit(q, a, False) for q, a in self.own.items()]


class TwentyNine:
    """29-bit identifiers, normal fixed addressing: 18DA, target, source; the tester is F1."""
    bits, everybody = 29, 0x18DB33F1 | EXTENDED
    own = (0x0A, 0x40, 0x60)
    roles = {k: EXTENDED | 0x18DA00F1 | a << 8
             for k, a in {"engine": 0x10, "gearbox": 0x18, "brake": 0x28, "body": 0x40}.items()}

    def wanted(self, identifier):
        return identifier & 0xFFFFFF00 == EXTENDED | 0x18DAF100

    def unit(self, response):
        address = response & 0xFF
        return Unit(EXTENDED | 0x18DA00F1 | address << 8, response, address not in self.own)

    def others(self):
        return [self.unit(EXTENDED | 0x18DAF100 | a) for a in self.own]


class Reception:
    """A segmented answer on its way in."""

    def __init__(self, size, data, block):
        self.size, self.data, self.block = size, bytearray(data), block
        self.next, self.left = 1, block
        self.until = time.monotonic() + N_CR


class Transport:
    def __init__(self, bus, addressing):
        self.bus, self.addressing = bus, addressing
        bus.wanted = addressing.wanted

    def _frame(self, identifier, data):
        self.bus.send(identifier, bytes(data) + bytes([PAD]) * (8 - len(data)))

    # Sending

    def send(self, unit, payload):
        """To one unit; longer messages with its flow control."""
        if len(payload) <= 7:
            self._frame(unit.request, bytes([len(payload)]) + payload)
            return
        self._frame(unit.request, bytes([0x10 | len(payload) >> 8, len(payload) & 0xFF]) + payload[:6])
        rest, number, waits = payload[6:], 1, 0
        while rest:
            status, block, pause = self._flow_control(unit)
            if status == 1:
                waits += 1
                if waits > WAITS:
                    raise TimeoutError("it says wait for ever")
                continue
            if status != 0:
                raise TimeoutError("it has no room for the message" if status == 2 else "it sends a flow control that is none")
            waits, last = 0, None
            for _ in range(block or 0xFFFF):
                if not rest:
                    break
                if last is not None:
                    time.sleep(max(0.0, last + pause - time.monotonic()))
                self._frame(unit.request, bytes([0x20 | number]) + rest[:7])
                last = time.monotonic()
                rest, number = rest[7:], number + 1 & 15

    def _flow_control(self, unit):
        until = time.monotonic() + N_BS
        while frame := self.bus.receive(until):
            _, identifier, data = frame
            if identifier == unit.response and len(data) >= 3 and data[0] >> 4 == 3:
                # Separation: milliseconds to 7F, F1 to F9 hundreds of microseconds, and
                # what is reserved is taken for the longest. A millisecond on top, as a
                # frame leaves when the bus is free and not when it is written.
                st = data[2]
                pause = st / 1000 if st <= 0x7F else (st - 0xF0) / 10000 if 0xF1 <= st <= 0xF9 else 0.127
                return data[0] & 15, data[1], pause + 0.001 if pause else 0.0
        raise TimeoutError("no flow control")

    # Asking

    def ask(self, unit, payload, fits):
        """One unit. Its answer, or None."""
        self.bus.forget()
        self.send(unit, payload)
        return self._answers(payload[0], fits, {unit.response}, unit.emission and payload[0] < 0x10).get(unit.response)

    def ask_all(self, payload, fits, expected):
        """All units. The answers of those who answer, by their identifiers; expected says
        who should, None that nobody knows."""
        self.bus.forget()
        self._frame(self.addressing.everybody, bytes([len(payload)]) + payload)
        return self._answers(payload[0], fits, expected, True)

    def _answers(self, service, fits, expected, emission):
        answers, receptions, pending, broken = {}, {}, {}, {}
        deadline = time.monotonic() + P2
        while True:
            now = time.monotonic()
            for source, r in list(receptions.items()):
                if r.until <= now:
                    del receptions[source]  # N_Cr is over: the rest does not come
            times = [r.until for r in receptions.values()]
            times += [t for source, t in pending.items() if source not in answers and source not in receptions]
            times += broken.values()
            if not any(t > now for t in times):
                everybody = expected is not None and expected <= set(answers) | set(broken)
                if everybody or now >= deadline:
                    return answers
            until = min([t for t in times if t > now] + ([deadline] if deadline > now else []))
            frame = self.bus.receive(until)
            if frame is None:
                continue
            at, source, data = frame
            if emission and len(data) != 8 or not data:
                continue  # ISO 15765-4: frames of another length are not for us
            kind = data[0] >> 4
            if kind == 0:
                size = data[0] & 15
                if not 0 < size <= len(data) - 1:
                    continue
                receptions.pop(source, None)
                self._whole(source, data[1:1 + size], service, fits, answers, pending)
            elif kind == 1 and len(data) == 8:
                size = (data[0] & 15) << 8 | data[1]
                if size < 8:
                    continue
                if data[2] not in (service + 0x40, 0x7F):
                    continue  # of a question that has been given up
                # Emission diagnostics wants all at once (ISO 15765-4); otherwise eight
                # frames at a time, a millisecond apart.
                r = Reception(size, data[2:], 0 if emission else 8)
                receptions[source] = r
                self._continue(source, emission)
            elif kind == 2:
                r = receptions.get(source)
                if source in broken:
                    broken[source] = at + 0.25
                if r is None:
                    continue
                if data[0] & 15 != r.next:
                    # A frame was lost or came twice: what is left is worth nothing
                    # (N_WRONG_SN). It is let run out before anything else is asked.
                    del receptions[source]
                    broken[source] = at + 0.25
                    continue
                r.data += data[1:]
                r.next, r.until = r.next + 1 & 15, at + N_CR
                if len(r.data) >= r.size:
                    del receptions[source]
                    self._whole(source, bytes(r.data[:r.size]), service, fits, answers, pending)
                elif r.block:
                    r.left -= 1
                    if r.left == 0:
                        r.left = r.block
                        self._continue(source, emission)

    def _continue(self, source, emission):
        unit = self.addressing.unit(source)
        self._frame(unit.request, b"\x30\x00\x00" if emission else b"\x30\x08\x01")

    def _whole(self, source, answer, service, fits, answers, pending):
        if answer[0] == 0x7F:
            if len(answer) < 3 or answer[1] != service:
                return
            if answer[2] == 0x78:
                pending[source] = time.monotonic() + P2_STAR
                return
        elif answer[0] != service + 0x40 or not fits(answer):
            return
        answers.setdefault(source, answer)
