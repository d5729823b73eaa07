"""A small controller and a supply, independent of the Rust code: another board with other words.

Opens two serial lines through pyserial, each the far end of a null-modem made of two pseudo-terminals,
prints "board PATH" and "supply PATH" for the near ends and then "ready", and serves until its standard
input closes. It models a shaft by its own few lines: first-order speed control, Coulomb drag.

`--deaf`: it acknowledges `off` and goes on turning, as with a gate driver's enable line stuck.
"""

import os
import random
import select
import sys
import threading
import time
import tty

import serial


def null_modem():
    """Two pseudo-terminals joined: what goes into one comes out of the other. Returns both paths."""
    (a, a_slave), (b, b_slave) = os.openpty(), os.openpty()
    for fd in (a, b, a_slave, b_slave):
        tty.setraw(fd)

    def pump():
        while True:
            for fd in select.select([a, b], [], [])[0]:
                try:
                    os.write(b if fd == a else a, os.read(fd, 4096))
                except OSError:
                    return

    threading.Thread(target=pump, daemon=True).start()
    # The slaves stay open here, so that a near end that comes and goes does no harm.
    return os.ttyname(a_slave), os.ttyname(b_slave)


class Shaft:
    """A shaft under a speed controller: radians per second, first order, 60 ms, 20 A at most."""

    def __init__(self, deaf):
        self.deaf = deaf
        self.random = random.Random(7)
        self.speed = 0.0
        self.demand = 0.0
        self.state = "OFF"
        self.told = time.monotonic()
        self.at = time.monotonic()
        self.current = 0.0
        self.lock = threading.Lock()

    def advance(self):
        now = time.monotonic()
        while self.at < now:
            dt = min(0.001, now - self.at)
            self.at += dt
            if self.state == "TURN" and self.at - self.told > 0.3 and not self.deaf:
                self.state = "HURT"
            drag = 30.0 if self.speed > 0 else 0.0
            if self.state == "TURN":
                wanted = (self.demand - self.speed) / 0.06
                push = max(-200.0, min(200.0, wanted + drag))
            else:
                push = 0.0
            self.current = abs(push) / 15.0
            self.speed = max(0.0, self.speed + dt * (push - drag)) if drag or push > 0 else self.speed

    def words(self, line):
        with self.lock:
            self.advance()
            noise = self.random.gauss(0.0, 0.03)
            if line == "who":
                return "I am bench board two no. HC7-0051 running 7.3"
            if line == "get holdoff":
                return "holdoff=300"
            if line == "get vmax":
                return "vmax=220000"
            if line == "now":
                return f"[{self.state}] w={self.speed + noise:.3f} i={1000 * self.current + 50:.0f}"
            if line == "warm":
                warm = 2140 + self.random.gauss(0.0, 3.0)
                return f"cu {warm:.0f} fet {warm + 12:.0f} loop closed"
            if line.startswith("turn "):
                self.demand, self.told = float(line[5:]), time.monotonic()
                return "yes"
            if line == "arm" and self.state == "OFF":
                self.state = "ARMED"
                return "yes"
            if line == "go" and self.state == "ARMED":
                self.state, self.told = "TURN", time.monotonic()
                return "yes"
            if line == "off":
                if not self.deaf and self.state != "HURT":
                    self.state = "OFF"
                return "yes"
            if line == "forget":
                self.state = "OFF"
                return "yes"
            return None


def serve(port, shaft, words, ends_with, chatter):
    """Answers line by line; says something unasked now and then if `chatter`."""
    pending = b""
    lines = 0
    while True:
        pending += port.read(max(1, port.in_waiting))
        while ends_with in pending:
            line, pending = pending.split(ends_with, 1)
            if not line:
                continue
            answer = words(line.decode("ascii", "replace"))
            if answer is None:
                answer = "what?"
            lines += 1
            if chatter and lines % 97 == 0:
                answer = "! still here" + ends_with.decode() + answer
            port.write(answer.encode() + ends_with)


def main():
    shaft = Shaft("--deaf" in sys.argv)
    supply = random.Random(11)

    def supply_words(line):
        if line != "U?;I?":
            return None
        with shaft.lock:
            shaft.advance()
            sag = 0.15 * shaft.current
        return f"{155000 - 1000 * sag + supply.gauss(0, 40):.0f} mV, {60 + 100 * shaft.current:.0f} mA"

    near, far = null_modem()
    board = serial.Serial(far, 115200, timeout=None)
    threading.Thread(target=serve, args=(board, shaft, shaft.words, b"\r\n", True), daemon=True).start()
    print("board", near, flush=True)
    near, far = null_modem()
    line = serial.Serial(far, 19200, timeout=None)
    threading.Thread(target=serve, args=(line, shaft, supply_words, b"\n", False), daemon=True).start()
    print("supply", near, flush=True)
    print("ready", flush=True)
    sys.stdin.read()


if __name__ == "__main__":
    main()
