"""The demo fleet's parts list: invented numbers, makes and suppliers.

A line: number, name, cost of a piece, pack size, supplier, lead time and its spread in days, then what only some parts
have: shelf life in days, core charge, the number that replaces it.
"""

from __future__ import annotations

PERROW, ULVENAU, HEXLING = "Perrow Supply", "Ulvenau Works", "Hexling Seals"

_LINES: tuple[tuple[object, ...], ...] = (
    # air compressor
    ("AC-1001", "crankshaft", 310.00, 1, ULVENAU, 35, 9, None, 60.0, None),
    ("AC-1010", "main bearing", 24.50, 2, PERROW, 10, 3, None, None, None),
    ("AC-1020", "connecting rod", 58.00, 1, ULVENAU, 28, 7, None, None, None),
    ("AC-1022", "rod bearing shell pair", 11.80, 2, PERROW, 10, 3, None, None, None),
    ("AC-1030", "piston 85 mm", 46.00, 1, ULVENAU, 28, 7, None, None, None),
    ("AC-1031", "piston ring set 85 mm", 17.40, 2, PERROW, 10, 3, None, None, None),
    ("AC-1040", "cylinder block, bored blank", 265.00, 1, ULVENAU, 42, 10, None, 80.0, None),
    ("AC-1041", "cylinder sleeve", 39.00, 2, ULVENAU, 28, 7, None, None, None),
    ("AC-1050", "valve plate complete", 128.00, 1, ULVENAU, 28, 7, None, None, "AC-1051"),
    ("AC-1051", "valve plate complete, steel reeds", 139.00, 1, ULVENAU, 28, 7, None, None, None),
    ("AC-1060", "cylinder head", 148.00, 1, ULVENAU, 35, 9, None, 30.0, None),
    ("AC-1070", "unloader piston", 21.00, 1, PERROW, 14, 4, None, None, None),
    ("AC-1080", "drive hub", 87.00, 1, ULVENAU, 28, 7, None, None, None),
    ("AC-1090", "governor", 64.00, 1, PERROW, 14, 4, None, None, None),
    ("AC-1095", "relief valve", 18.90, 1, PERROW, 14, 4, None, None, None),
    ("AC-2001", "shaft seal 45x62", 6.70, 5, HEXLING, 12, 4, 1825, None, None),
    ("AC-2002", "head gasket", 4.10, 10, HEXLING, 12, 4, 1460, None, None),
    ("AC-2003", "valve plate gasket", 3.60, 10, HEXLING, 12, 4, 1460, None, None),
    ("AC-2004", "base gasket", 2.90, 10, HEXLING, 12, 4, 1460, None, None),
    ("AC-2005", "unloader seal", 1.85, 10, HEXLING, 12, 4, 1095, None, None),
    ("AC-2006", "air filter element", 7.20, 5, PERROW, 7, 2, None, None, None),
    ("AC-2010", "head bolt", 1.10, 25, PERROW, 7, 2, None, None, None),
    # hydraulic pump
    ("HP-1001", "drive shaft", 198.00, 1, ULVENAU, 42, 12, None, None, None),
    ("HP-1010", "front roller bearing", 72.00, 1, PERROW, 14, 4, None, None, None),
    ("HP-1011", "rear needle bearing", 31.00, 1, PERROW, 14, 4, None, None, None),
    ("HP-1020", "swash plate", 176.00, 1, ULVENAU, 42, 12, None, None, None),
    ("HP-1021", "cradle bearing shell", 22.50, 2, ULVENAU, 28, 8, None, None, None),
    ("HP-1030", "cylinder block with valve plate face", 342.00, 1, ULVENAU, 49, 14, None, 120.0, None),
    ("HP-1031", "piston with shoe", 38.00, 9, ULVENAU, 28, 8, None, None, None),
    ("HP-1032", "retainer plate", 54.00, 1, ULVENAU, 28, 8, None, None, None),
    ("HP-1033", "retainer ball", 33.00, 1, ULVENAU, 28, 8, None, None, None),
    ("HP-1034", "block spring", 12.60, 1, PERROW, 14, 4, None, None, None),
    ("HP-1040", "valve plate", 118.00, 1, ULVENAU, 28, 8, None, None, None),
    ("HP-1050", "control piston", 67.00, 1, ULVENAU, 28, 8, None, None, None),
    ("HP-1051", "control spring", 9.40, 1, PERROW, 14, 4, None, None, None),
    ("HP-1060", "compensator valve", 155.00, 1, ULVENAU, 35, 10, None, None, None),
    ("HP-1070A", "shim ring 2.40", 3.20, 5, PERROW, 14, 4, None, None, None),
    ("HP-1070B", "shim ring 2.50", 3.20, 5, PERROW, 14, 4, None, None, None),
    ("HP-1070C", "shim ring 2.60", 3.20, 5, PERROW, 14, 4, None, None, None),
    ("HP-1080", "housing", 410.00, 1, ULVENAU, 56, 14, None, 150.0, None),
    ("HP-2001", "shaft seal 40x62, Tarnholt", 14.80, 2, HEXLING, 12, 4, 1825, None, None),
    ("HP-2101", "shaft seal 40x62, Quorrin", 9.20, 2, PERROW, 7, 2, 1825, None, None),
    ("HP-2002", "cover gasket", 5.40, 5, HEXLING, 12, 4, 1460, None, None),
    ("HP-2003", "o-ring kit", 16.50, 1, HEXLING, 12, 4, 1460, None, None),
    ("HP-2004", "inlet flange seal", 2.70, 10, HEXLING, 12, 4, 1460, None, None),
    ("HP-2010", "cover bolt M12", 0.95, 50, PERROW, 7, 2, None, None, None),
    # steering gear
    ("SG-1001", "worm and ball nut, matched", 289.00, 1, ULVENAU, 42, 12, None, 70.0, None),
    ("SG-1010", "sector shaft", 164.00, 1, ULVENAU, 35, 10, None, None, None),
    ("SG-1011", "sector needle bearing", 13.70, 2, PERROW, 10, 3, None, None, None),
    ("SG-1012", "input bearing", 11.20, 2, PERROW, 10, 3, None, None, None),
    ("SG-1020", "adjuster screw with shim", 8.80, 1, PERROW, 10, 3, None, None, None),
    ("SG-1030", "torsion bar with rotary valve", 132.00, 1, ULVENAU, 35, 10, None, None, None),
    ("SG-1031", "relief plunger", 14.90, 2, PERROW, 14, 4, None, None, None),
    ("SG-1040", "drop arm", 76.00, 1, ULVENAU, 28, 8, None, None, None),
    ("SG-1050", "housing", 335.00, 1, ULVENAU, 56, 14, None, 100.0, None),
    ("SG-2001", "input seal", 5.90, 5, HEXLING, 12, 4, 1825, None, None),
    ("SG-2002", "output seal", 7.10, 5, HEXLING, 12, 4, 1825, None, "SG-2012"),
    ("SG-2012", "output seal, two lips", 8.60, 5, HEXLING, 12, 4, 1825, None, None),
    ("SG-2003", "side cover gasket", 2.40, 10, HEXLING, 12, 4, 1460, None, None),
    ("SG-2004", "valve seal ring", 1.60, 20, HEXLING, 12, 4, 1460, None, None),
    ("SG-2005", "rack piston ring", 6.30, 2, HEXLING, 12, 4, None, None, None),
    ("SG-2006", "dust boot", 4.70, 5, HEXLING, 12, 4, 1095, None, None),
    ("SG-2007", "end cover o-ring", 1.10, 20, HEXLING, 12, 4, 1460, None, None),
    ("SG-2010", "lock nut", 0.80, 25, PERROW, 7, 2, None, None, None),
    # hoist winch
    ("WD-1001", "worm shaft", 240.00, 1, ULVENAU, 42, 12, None, None, None),
    ("WD-1002", "worm wheel, bronze", 385.00, 1, ULVENAU, 49, 14, None, None, None),
    ("WD-1003", "worm bearing", 29.00, 2, PERROW, 14, 4, None, None, None),
    ("WD-1004", "thrust washer", 12.40, 2, PERROW, 14, 4, None, None, None),
    ("WD-1010", "drum", 520.00, 1, ULVENAU, 63, 15, None, None, None),
    ("WD-1011", "drum bearing", 48.00, 2, PERROW, 14, 4, None, None, None),
    ("WD-1020", "brake lining disc", 19.50, 6, PERROW, 14, 4, None, None, None),
    ("WD-1021", "brake steel disc", 10.80, 5, PERROW, 14, 4, None, None, None),
    ("WD-1022", "brake spring", 3.90, 8, PERROW, 14, 4, None, None, None),
    ("WD-1023", "brake piston", 61.00, 1, ULVENAU, 28, 8, None, None, None),
    ("WD-1030", "freewheel roller", 2.10, 12, PERROW, 14, 4, None, None, None),
    ("WD-1031", "freewheel inner race", 83.00, 1, ULVENAU, 28, 8, None, None, None),
    ("WD-1040", "load-holding valve", 142.00, 1, ULVENAU, 35, 10, None, None, None),
    ("WD-1050", "rope clamp", 17.00, 2, PERROW, 10, 3, None, None, None),
    ("WD-1051", "rope guide roller", 26.00, 2, PERROW, 14, 4, None, None, None),
    ("WD-1052", "tension spring", 7.70, 2, PERROW, 14, 4, None, None, None),
    ("WD-1060", "input coupling", 94.00, 1, ULVENAU, 28, 8, None, None, None),
    ("WD-2001", "worm shaft seal", 6.20, 2, HEXLING, 12, 4, 1825, None, None),
    ("WD-2002", "drum shaft seal", 9.80, 2, HEXLING, 12, 4, 1825, None, None),
    ("WD-2003", "brake piston seal", 5.50, 5, HEXLING, 12, 4, 1460, None, None),
    ("WD-2004", "motor flange gasket", 3.30, 10, HEXLING, 12, 4, 1460, None, None),
    ("WD-2005", "cover gasket", 4.60, 5, HEXLING, 12, 4, 1460, None, None),
)


def parts() -> tuple[dict[str, object], ...]:
    """The parts as rows of the table `parts`."""
    names = ("part", "name", "unit_cost", "pack_size", "supplier", "lead_time_days", "lead_time_sd_days")
    names += ("shelf_life_days", "core_charge", "replaced_by")
    rows = []
    for line in _LINES:
        row = dict(zip(names, line, strict=True))
        row["min_order"] = row["pack_size"] if row["supplier"] == HEXLING else None
        rows.append(row)
    return tuple(rows)
