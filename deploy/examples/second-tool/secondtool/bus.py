"""Frames on a bus: a unix: socket of the bench, or an interface of SocketCAN."""
import errno
import os
import queue
import socket
import struct
import threading
import time

# Linux, UAPI can.h, struct can_frame: identifier in native byte order with flags in the
# highest bits, length, three bytes of padding, eight bytes of data.
CLASSICAL = struct.Struct("=IB3x8s")
EXTENDED, REMOTE, ERROR = 0x80000000, 0x40000000, 0x20000000


class Gone(Exception):
    """Nobody is there any more: the bus, or the car on it."""


class Bus:
    def __init__(self, url, armed=None):
        kind, _, name = url.partition(":")
        if kind == "unix":
            self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
            address = name
        elif kind == "can":
            # A frame on copper can move a car. Only whoever types the name of the
            # interface once more is believed to know which car that is.
            virtual = "/virtual/" in os.path.realpath("/sys/class/net/" + name)
            if not virtual and armed != name:
                raise Gone(f"{name} is not virtual: nothing is sent without --arm {name}")
            self.socket = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
            address = (name,)
        else:
            raise Gone(f"{url} is neither unix:PATH nor can:IFACE")
        try:
            self.socket.connect(address) if kind == "unix" else self.socket.bind(address)
        except OSError as e:
            raise Gone(f"{url}: {e.strerror}") from e
        self.frames = queue.Queue()
        self.wanted = lambda identifier: False
        # A car sends well over a thousand frames a second, and who does not read them loses
        # the oldest. So a thread of its own reads, whatever the rest waits for.
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self):
        while True:
            try:
                packet = self.socket.recv(72)
            except OSError:
                packet = b""
            if not packet:
                self.frames.put(None)
                return
            if len(packet) != CLASSICAL.size:  # CAN FD: no business of this tool
                continue
            identifier, length, data = CLASSICAL.unpack(packet)
            if identifier & (REMOTE | ERROR) or not self.wanted(identifier):
                continue
            self.frames.put((time.monotonic(), identifier, data[:length]))

    def send(self, identifier, data):
        packet = CLASSICAL.pack(identifier, len(data), data)
        until = time.monotonic() + 1.0  # ISO 15765-2, N_As: a second for a frame to leave
        while True:
            try:
                self.socket.send(packet)
                return
            except OSError as e:
                if e.errno not in (errno.ENOBUFS, errno.EAGAIN) or time.monotonic() > until:
                    raise Gone(f"the bus takes no frames: {e.strerror}") from e
                time.sleep(0.01)

    def receive(self, until):
        """The next frame that is wanted, or None when the time is over."""
        try:
            frame = self.frames.get(timeout=max(0.0, until - time.monotonic()))
        except queue.Empty:
            return None
        if frame is None:
            self.frames.put(None)
            raise Gone("the bus was closed")
        return frame

    def forget(self):
        """Drops what has come and was not asked for any more."""
        while True:
            try:
                if self.frames.get_nowait() is None:
                    self.frames.put(None)
                    return
            except queue.Empty:
                return
