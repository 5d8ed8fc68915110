#!/usr/bin/python3
"""A second independent Modbus server for the tests, on pymodbus, TCP or serial RTU.

Owns: the tables it serves and the frames it answers with; both come from pymodbus, which shares no code with libmodbus
      and none with the program under test.
Never: uses pymodbus' payload builder or any other composer of numbers. Words are composed here with Python's struct, and
      fixed vectors, worked by hand from IEEE 754, are checked before the first client is let in.

Usage: pymodbus_server.py PORT                        PORT 0: the kernel picks
       pymodbus_server.py serial DEVICE BAUD N|E|O
stdout: "listening PORT" or "listening DEVICE" once, then one line per command: "ok", "ok WHAT", or "error WHY".
stdin, one command a line: a part of the language of peer.c, with the same words for the same things:

  unit N                          the following setters are about unit N (1..247); starts as 1
  holding ADDR WORD...            words in hex, as on the wire; input likewise
  coil ADDR 0|1                   discrete likewise
  i16|u16|i32|u32|f32|f64 holding|input ADDR ORDER VALUE
  silent UNIT on|off
  count                           "ok requests=N writes=N"; requests are those pymodbus decoded
  quit                            as does the end of stdin

Written against pymodbus 3.0.0 as packaged by Debian: the server classes want context= as a keyword there, and the serial
one needs python3-serial-asyncio. pyserial refuses a parity that the device did not take, and a pty takes none: N there.
"""

import asyncio
import logging
import struct
import sys

from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
from pymodbus.factory import ServerDecoder
from pymodbus.server.async_io import ModbusSerialServer, ModbusTcpServer
from pymodbus.transaction import ModbusRtuFramer, ModbusSocketFramer

SIZE = 2000  # addresses per table and unit, as in peer.c; beyond them exception 02
FORMATS = {"i16": ">h", "u16": ">H", "i32": ">i", "u32": ">I", "f32": ">f", "f64": ">d"}
ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")
# The function by which pymodbus' datastore names a table: that of its read.
TABLES = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}


def compose(fmt, value, order):
    """The words of a value, lower address first. CDAB: words from last to first; BADC: the bytes of each word exchanged."""
    raw = struct.pack(fmt, value)
    words = [raw[i : i + 2] for i in range(0, len(raw), 2)]
    if order in ("CDAB", "DCBA"):
        words.reverse()
    if order in ("BADC", "DCBA"):
        words = [w[::-1] for w in words]
    return [int.from_bytes(w, "big") for w in words]


def self_check():
    """18.4 is 0x41933333 in IEEE 754 single (see peer.c); the double 1.0 is 0x3FF0000000000000."""
    vectors = [
        (">f", 18.4, "ABCD", [0x4193, 0x3333]),
        (">f", 18.4, "CDAB", [0x3333, 0x4193]),
        (">f", 18.4, "BADC", [0x9341, 0x3333]),
        (">f", 18.4, "DCBA", [0x3333, 0x9341]),
        (">d", 1.0, "CDAB", [0, 0, 0, 0x3FF0]),
        (">I", 0x01234567, "CDAB", [0x4567, 0x0123]),
        (">I", 0x01234567, "BADC", [0x2301, 0x6745]),
        (">h", -2, "DCBA", [0xFEFF]),
    ]
    for fmt, value, order, want in vectors:
        got = compose(fmt, value, order)
        if got != want:
            sys.exit(f"self-check: {value} as {fmt} in {order} is {got}, want {want}")


class CountingDecoder(ServerDecoder):
    """Counts what arrives; a write is every function but 1 to 4."""

    requests = writes = 0

    def decode(self, message):
        self.requests += 1
        if not 1 <= message[0] <= 4:
            self.writes += 1
        return super().decode(message)


class LiveContext(ModbusServerContext):
    """Gives always the same list of units: the server takes it before it waits for a frame, and an old copy would make it
    pass over the first request to a unit named meanwhile."""

    def __init__(self):
        super().__init__(slaves={}, single=False)
        self.live = []

    def slaves(self):
        self.live[:] = super().slaves()
        return self.live


class Station:
    """What the commands act on."""

    def __init__(self):
        self.served = LiveContext()
        self.units = {}
        self.current = 1
        self.decoder = CountingDecoder()
        self.unit(1)

    def unit(self, n):
        if not 1 <= n <= 247:
            raise ValueError("unit wanted, 1 to 247")
        if n not in self.units:
            block = lambda: ModbusSequentialDataBlock(0, [0] * SIZE)
            # zero_mode: addresses are those of the wire, without one added
            self.units[n] = ModbusSlaveContext(di=block(), co=block(), hr=block(), ir=block(), zero_mode=True)
            self.served[n] = self.units[n]
            self.served.slaves()
        return self.units[n]

    def store(self, table, addr, values):
        if not 0 <= addr <= SIZE - len(values):
            raise ValueError("address beyond the table")
        self.unit(self.current).setValues(TABLES[table], addr, values)

    def command(self, line):
        """Carries one line out; gives what follows "ok"."""
        word, *args = line.split()
        if word == "unit":
            (n,) = args
            self.unit(int(n, 0))
            self.current = int(n, 0)
        elif word in ("holding", "input"):
            words = [int(w, 16) for w in args[1:]]
            if not words or not all(0 <= w <= 0xFFFF for w in words):
                raise ValueError("words wanted in hex, 0000 to FFFF")
            self.store(word, int(args[0], 0), words)
        elif word in ("coil", "discrete"):
            addr, bit = args
            self.store(word, int(addr, 0), [{"0": False, "1": True}[bit]])
        elif word in FORMATS:
            table, addr, order, text = args
            if table not in ("holding", "input") or order not in ORDERS:
                raise ValueError("wanted: TYPE holding|input ADDR ORDER VALUE")
            value = float(text) if word[0] == "f" else int(text, 0)
            self.store(table, int(addr, 0), compose(FORMATS[word], value, order))
        elif word == "silent":
            n, how = args
            n = int(n, 0)
            self.unit(n)
            if how == "on" and n in self.served:
                del self.served[n]
            elif how == "off":
                self.served[n] = self.units[n]
            self.served.slaves()
        elif word == "count":
            return f" requests={self.decoder.requests} writes={self.decoder.writes}"
        else:
            raise ValueError("no such command")
        return ""


async def main():
    station = Station()
    common = {"context": station.served, "ignore_missing_slaves": True}
    if len(sys.argv) == 5 and sys.argv[1] == "serial" and sys.argv[4] in ("N", "E", "O"):
        where = sys.argv[2]
        server = ModbusSerialServer(framer=ModbusRtuFramer, port=where, baudrate=int(sys.argv[3]), parity=sys.argv[4], **common)
        server.decoder = station.decoder
        await server.start()
        if server.transport is None:  # start() keeps the reason to itself
            sys.exit(f"{where}: not opened")
        serving = asyncio.create_task(server.serve_forever())
    elif len(sys.argv) == 2:
        server = ModbusTcpServer(framer=ModbusSocketFramer, address=("127.0.0.1", int(sys.argv[1])), **common)
        server.decoder = station.decoder
        serving = asyncio.create_task(server.serve_forever())
        await server.serving
        where = server.server.sockets[0].getsockname()[1]
    else:
        sys.exit("usage: pymodbus_server.py PORT | pymodbus_server.py serial DEVICE BAUD N|E|O")

    print("listening", where, flush=True)
    stdin = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(stdin), sys.stdin)
    while line := (await stdin.readline()).decode().strip():
        if line == "quit":
            print("ok", flush=True)
            break
        try:
            print(f"ok{station.command(line)}", flush=True)
        except (ValueError, KeyError, OverflowError, struct.error) as why:
            print(f"error {why}", flush=True)
    serving.cancel()
    await server.shutdown()


if __name__ == "__main__":
    logging.disable(logging.CRITICAL)  # pymodbus reports every client that hangs up
    self_check()
    asyncio.run(main())
