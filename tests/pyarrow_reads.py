"""The streams of a trace, opened by another reader of Arrow, the PyPI package `pyarrow`.

Usage: pyarrow_reads.py RUN_FOLDER, made by tests/trace_pyarrow.rs. Checks columns, types, metadata and values, and the
check of every row with zlib's CRC-32. Exits with 1 and says why at the first thing that is not as it should be.
"""

import json
import math
import pathlib
import struct
import sys
import zlib

import pyarrow as pa

FIXED = [
    ("seq", pa.uint64(), False),
    ("t_request", pa.int64(), False),
    ("t_reply", pa.int64(), False),
    ("t_sample", pa.int64(), False),
    ("u_sample", pa.float64(), False),
    ("status", pa.uint8(), False),
]
DRIVE = FIXED + [
    ("speed", pa.float64(), True),
    ("field_1", pa.float64(), True),
    ("seq_", pa.float64(), True),
    ("check", pa.uint32(), False),
]
SLOW = FIXED + [("winding", pa.float64(), True), ("check", pa.uint32(), False)]
DEMANDS = [
    ("seq", pa.uint64(), False),
    ("t", pa.int64(), False),
    ("demand", pa.uint32(), False),
    ("name", pa.string(), False),
    ("value", pa.float64(), False),
    ("check", pa.uint32(), False),
]
EVENTS = [
    ("seq", pa.uint64(), False),
    ("t", pa.int64(), False),
    ("kind", pa.string(), False),
    ("json", pa.string(), False),
    ("check", pa.uint32(), False),
]
BURST = [
    ("seq", pa.uint64(), False),
    ("t_reply", pa.int64(), False),
    ("number", pa.uint32(), False),
    ("channel", pa.uint32(), False),
    ("offset", pa.uint32(), False),
    ("counts", pa.list_(pa.field("item", pa.int16(), nullable=False)), False),
    ("check", pa.uint32(), False),
]
INPUTS = [
    ("seq", pa.uint64(), False),
    ("t", pa.int64(), False),
    ("kind", pa.uint8(), False),
    ("link", pa.uint16(), False),
    ("payload", pa.binary(), False),
    ("outputs", pa.uint64(), False),
    ("check", pa.uint32(), False),
]


def same(what, found, expected):
    if found != expected:
        sys.exit(f"{what}: found {found!r}, expected {expected!r}")


def texts(metadata):
    return {key.decode(): value.decode() for key, value in (metadata or {}).items()}


def table(folder, name, columns):
    with pa.ipc.open_stream(folder / "trace" / name) as stream:
        read = stream.read_all()
    read.validate(full=True)
    same(f"columns of {name}", [(f.name, f.type, f.nullable) for f in read.schema], columns)
    metadata = texts(read.schema.metadata)
    same(f"schema of {name}", metadata["spinproof:schema"], "1")
    layout = json.loads(metadata["spinproof:layout"])
    same(f"links of {name}", layout["links"], ["board"])
    same(f"groups of {name}", [g["name"] for g in layout["groups"]], ["drive", "slow one"])
    return read, metadata


def sized(data):
    return struct.pack("<I", len(data)) + data


def poll_check(group, row):
    fixed = [name for name, _, _ in FIXED]
    data = struct.pack("<IQqqqdB", group, *(row[name] for name in fixed))
    for name, value in row.items():
        if name not in fixed and name != "check":
            data += b"\0" if value is None else b"\1" + struct.pack("<d", value)
    return zlib.crc32(data)


def demand_check(row):
    head = struct.pack("<QqI", row["seq"], row["t"], row["demand"])
    return zlib.crc32(head + sized(row["name"].encode()) + struct.pack("<d", row["value"]))


def event_check(row):
    head = struct.pack("<Qq", row["seq"], row["t"])
    return zlib.crc32(head + sized(row["kind"].encode()) + sized(row["json"].encode()))


def chunk_check(burst, row):
    counts = row["counts"]
    head = struct.pack("<IQqIII", burst, row["seq"], row["t_reply"], row["number"], row["channel"], row["offset"])
    return zlib.crc32(head + struct.pack(f"<I{len(counts)}h", len(counts), *counts))


def input_check(row):
    head = struct.pack("<QqBH", row["seq"], row["t"], row["kind"], row["link"])
    return zlib.crc32(head + sized(row["payload"]) + struct.pack("<Q", row["outputs"]))


def rows(name, read, check):
    found = read.to_pylist()
    for row in found:
        same(f"check of row {row['seq']} of {name}", row["check"], check(row))
    return found


def main(folder):
    numbers = []

    drive, metadata = table(folder, "poll-drive.arrows", DRIVE)
    same("stream", (metadata["spinproof:stream"], metadata["spinproof:group"]), ("poll", "0"))
    fields = {f.name: texts(f.metadata) for f in drive.schema}
    same("time", fields["t_sample"], {"unit": "us", "quantity_kind": "duration"})
    same("speed", fields["speed"], {"channel": "speed", "unit": "rpm", "quantity_kind": "speed"})
    same("channel seq", fields["seq_"], {"channel": "seq", "unit": "V", "quantity_kind": "voltage"})
    same("no channel", fields["field_1"], {})
    found = rows("drive", drive, lambda row: poll_check(0, row))
    numbers += [row["seq"] for row in found]
    same("rows of drive", len(found), 250)
    same("first row", [found[0][name] for name, _, _ in FIXED[1:]], [100, 1000, 550, 259.75, 0])
    same("null", [row["field_1"] for row in found[:2]], [None, -1.5])
    same("NaN is not null", (drive["speed"].null_count, math.isnan(found[7]["speed"])), (0, True))
    same("speeds", [row["speed"] for row in found[:3]], [0.0, 10.0, 20.0])

    slow, metadata = table(folder, "poll-slow-one.arrows", SLOW)
    same("group", metadata["spinproof:group"], "1")
    same("winding", texts(slow.schema.field("winding").metadata)["unit"], "°C")
    found = rows("slow", slow, lambda row: poll_check(1, row))
    numbers += [row["seq"] for row in found]
    same("a lost poll", [(row["status"], row["winding"]) for row in found], [(0, 21.5), (1, None)])

    burst, metadata = table(folder, "burst-phase.arrows", BURST)
    same("stream", (metadata["spinproof:stream"], metadata["spinproof:burst"]), ("burst", "0"))
    found = rows("burst", burst, lambda row: chunk_check(0, row))
    numbers += [row["seq"] for row in found]
    same("counts", [row["counts"] for row in found], [[1, -1, -32768], [32767, 0]])
    scale = json.loads(metadata["spinproof:layout"])["bursts"][0]["channels"][0]["scale"]
    same("scale", scale, 0.1953125)

    demands, metadata = table(folder, "demands.arrows", DEMANDS)
    same("stream", metadata["spinproof:stream"], "demands")
    found = rows("demands", demands, demand_check)
    numbers += [row["seq"] for row in found]
    same("demand", [(row["t"], row["demand"], row["name"], row["value"]) for row in found], [(2000, 0, "speed", 62.5)])

    events, metadata = table(folder, "events.arrows", EVENTS)
    same("stream", metadata["spinproof:stream"], "events")
    found = rows("events", events, event_check)
    numbers += [row["seq"] for row in found]
    same("kinds", [row["kind"] for row in found], ["trip", "stop-began"])
    trip = {"event": "trip", "trip": "überspeed", "found": "2001 rpm, limit 2000 rpm", "sampled": 2600}
    same("trip", json.loads(found[0]["json"]), trip)

    inputs, metadata = table(folder, "inputs.arrows", INPUTS)
    same("stream", metadata["spinproof:stream"], "inputs")
    found = rows("inputs", inputs, input_check)
    numbers += [row["seq"] for row in found]
    same("payload", (found[0]["payload"], found[0]["outputs"]), (b"0,\xff\x00\n", 2**64 - 1))

    same("one sequence over all streams", sorted(numbers), list(range(len(numbers))))
    print(f"pyarrow {pa.__version__} agrees on {len(numbers)} rows")


main(pathlib.Path(sys.argv[1]))
