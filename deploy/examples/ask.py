#!/usr/bin/env python3
"""Asks the car for its VIN over a unix: bus. Standard library only."""
import os, socket, struct, sys, time

# One packet of the socket is one frame, as Linux has it in struct can_frame: identifier
# in native byte order, length, three bytes of padding, eight of data.
FRAME = struct.Struct("=IB3x8s")
bus = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
bus.connect(os.environ["SAWHORSE_BUS"].removeprefix("unix:"))


def send(data):
    bus.send(FRAME.pack(0x7E0, 8, data.ljust(8, b"\xcc")))


payload, size, asked = b"", None, 0
while size is None or len(payload) < size:
    if time.monotonic() > asked + 1:  # no answer in a second, among all that goes by: ask again
        payload, size, asked = b"", None, time.monotonic()
        send(b"\x03\x22\xf1\x90")  # single frame (ISO 15765-2) of three bytes: read identifier F190, the VIN
    identifier, _, data = FRAME.unpack(bus.recv(72)[:16])
    if identifier == 0x7E8 and data[0] >> 4 == 1:  # first frame: length, first six bytes
        size, payload = (data[0] & 15) << 8 | data[1], data[2:]
        send(b"\x30\x00\x00")  # flow control: send all, without a pause
    elif identifier == 0x7E8 and data[0] >> 4 == 2:  # consecutive frame: seven more
        payload += data[1:]
if payload[:3] != b"\x62\xf1\x90":
    sys.exit("not the answer that was expected: " + payload.hex())
print("VIN", payload[3:size].decode("ascii"))
