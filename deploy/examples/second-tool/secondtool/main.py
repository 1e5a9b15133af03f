"""The command line, and how it ends."""
import argparse
import os
import signal
import sys

from .bus import Gone
from .services import Car, Refused, Silent
from . import tasks

DONE, REFUSED, UNDONE, NO_CAR, USAGE = 0, 20, 30, 40, 64


class Parser(argparse.ArgumentParser):
    def error(self, message):
        self.print_usage(sys.stderr)
        self.exit(USAGE, f"{self.prog}: {message}\n")


def main(arguments):
    p = Parser(prog="second-tool", description="Diagnoses a car, in lines.", epilog=tasks.CAUTION)
    p.add_argument("--bus", default=os.environ.get("SAWHORSE_BUS", ""), help="unix:PATH or can:IFACE")
    p.add_argument("--arm", metavar="IFACE", help="allow sending on an interface that is not virtual")
    p.add_argument("task", choices=sorted(tasks.TASKS))
    p.add_argument("what", nargs="?", help="the position to learn, the output, the vehicle number")
    a = p.parse_args(arguments)
    task, needs = tasks.TASKS[a.task]
    if needs is not None and a.what is None or needs and a.what not in needs:
        p.error(f"{a.task} wants one of: {', '.join(needs)}" if needs else f"{a.task} wants something to write")

    # Whoever is told to stop gives back what it holds first.
    def stop(*_):
        raise KeyboardInterrupt
    signal.signal(signal.SIGTERM, stop)

    out = tasks.Out()
    car = None
    try:
        car = Car(a.bus, a.arm)
        car.connect()
        out.line(f"link {car.transport.addressing.bits} bit")
        task(car, out, a.what)
    except Gone as e:
        out.problem(str(e))
        return out.end("no car", NO_CAR)
    except (Refused, Silent) as e:
        out.problem(str(e))
        return out.end("refused", REFUSED) if isinstance(e, Refused) else out.end("not done", UNDONE)
    except KeyboardInterrupt:
        out.problem("stopped from outside")
        return out.end("not done", UNDONE)
    finally:
        if car and car.transport:
            try:
                car.leave()
            except Gone:
                pass
    if out.refused:
        return out.end("refused", REFUSED)
    return out.end("not done", UNDONE) if out.problems else out.end("done", DONE)
