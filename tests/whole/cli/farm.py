"""An invented farm in a folder: two blocks, six traps, and what their stations said."""
import json
import os
import struct
import subprocess

from cli import BUILD, Folder

NOW = "2026-08-05T06:00:00Z"
NOW_S = 1785909600
HOUR = 3600

SITE_INI = """[site]
name = quarry-hill
title = Quarry Hill
time_zone = Europe/Rome
latitude = 44.65
longitude = 10.93

[store]
path = store.db
entered = entered.db

[mail.0]
name = manager
to = manager@farm.example
from = edgerow@farm.example
server = mail.farm.example
"""

STATIONS = [  # trap, block, unit, latitude, longitude
    ("N-1", "north", "00000001"), ("N-2", "north", "00000002"), ("N-3", "north", "00000003"),
    ("S-1", "south", "00000004"), ("S-2", "south", "00000005"), ("S-3", "south", "00000006"),
]

GATEWAY_INI = """[gateway]
name = barn
site = quarry-hill

[broker]
host = localhost

[spool]
path = spool.db
size_mib = 1

[keys]
file = keys.csv

[collectors]
names = main

[radio.0]
driver = simulated
socket = air.sock
frequency_hz = 868100000
bandwidth_hz = 125000
spreading_factor = 9
"""


def square(name, title, west, south):
    east, north = west + 0.002, south + 0.002
    ring = [[west, south], [east, south], [east, north], [west, north], [west, south]]
    return {"type": "Feature", "properties": {"block": name, "title": title},
            "geometry": {"type": "Polygon", "coordinates": [ring]}}


def blocks():
    return json.dumps({"type": "FeatureCollection", "features": [
        square("north", "North slope", 10.930, 44.652), square("south", "South slope", 10.930, 44.648)]})


def regular(entries, tick, level_mm, recent, flags=0, service=0, battery_mv=3400):
    """A regular report, packed here from AIR.md's table."""
    level = 1023 if level_mm is None else round(level_mm * 4)
    return struct.pack("<BBIHHHHBBBBBBB", 0x11, 1, entries, entries // 10, 3, 0, tick % 64 << 10 | level,
                       (25 + 40) * 2, 110, (battery_mv - 1000) // 20, 15, flags, 10,
                       service << 4) + bytes(recent)


class Farm(Folder):
    def setUp(self):
        super().setUp()
        self.site = self.write("site.ini", SITE_INI)
        self.gateway = self.write("gateway.ini", GATEWAY_INI)
        self.write("stations.csv", "trap,block,unit,from,to\n" + "".join(
            f"{trap},{block},{unit},2026-05-01,\n" for trap, block, unit in STATIONS))
        self.write("blocks.geojson", blocks())
        self.write("keys.csv", "devaddr,nwk_skey,app_skey\n" + "".join(
            f"{unit},{unit * 4},{unit[::-1] * 4}\n" for _, _, unit in STATIONS))

    def hear(self, reports):
        """reports: (heard_s, unit, fcnt, payload) of all units, in any order."""
        lines = "".join(f"{int(at * 1000)} {unit} {fcnt} {payload.hex()}\n"
                        for at, unit, fcnt, payload in sorted(reports))
        subprocess.run([os.path.join(BUILD, "tests", "cli_fill_store"), self.site], input=lines, text=True,
                       check=True, timeout=100)


def days_of(unit, days, start_mm, loss_mm_day, until_s=NOW_S, flags=0):
    """A report every quarter of an hour up to until_s, at the unit's own second; one entry every three
    hours; the level falling evenly."""
    reports, steps = [], days * 96
    for i in range(steps + 1):
        at = until_s - (steps - i) * HOUR // 4 - int(unit, 16)
        level = max(start_mm - loss_mm_day * i / 96, 0)
        recent = [1 if (i - back) % 12 == 0 and i > back else 0 for back in range(7)]
        reports.append((at, unit, i, regular(i // 12, i, level, recent, flags)))
    return reports
