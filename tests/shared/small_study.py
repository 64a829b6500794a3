"""A study folder of a few lines: three implants, given positions, no mesh.

`write` puts it down; tables that are given take the place of its own.
"""

from pathlib import Path

SETTINGS = """
[study]
title = "A check"
kind = "validation"

[scans]
poses = "poses.csv"
temperature_c = 20.0
expansion_per_k = 75e-6

[reference]
mpe_um = { constant = 1.9, per_metre = 4.0 }
"""
IMPLANTS = """model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z
M,I1,0,0,0,0,0,1
M,I2,20,5,0,0,0,1
M,I3,40,0,0,0,0,1
"""
SCANS = """scan,model,device,operator,session
s1,M,A,1,1
s2,M,A,2,1
"""
POSES = "scan,model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z\n" + "".join(
    f"{scan},M,{implant},{x},{y},0,0,0,1\n"
    for scan, last in (("s1", 40.03), ("s2", 40.04))
    for implant, x, y in (("I1", 0, 0), ("I2", 20.01, 5), ("I3", last, 0))
)

DRIFT_IMPLANTS = """model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z,\
flat_x,flat_y,flat_z,valid_from
M,I1,0,0,0,0,0,1,1,0,0,
M,I2,20,5,0,0,0,1,1,0,0,
M,I3,48,0,2,0,0,1,1,0,0,
"""
DRIFT_SCANS = """scan,model,device,operator,session,repeat,measured_at
s1,M,device A,1,1,1,2026-01-01T10:00
s2,M,device A,1,1,2,2026-01-01T10:20
s3,M,device A,1,2,1,2026-02-01
"""
DRIFT_POSES = (
    "scan,model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z,flat_x,flat_y,flat_z\n"
    + "".join(
        f"s{k},M,{implant},{x + 0.01 * k:.2f},{y},{z},0,0,1,1,0,0\n"
        for k in (1, 2, 3)
        for implant, x, y, z in (("I1", 0, 0, 0), ("I2", 20, 5, 0), ("I3", 48.02, 0, 2))
    )
)
EVENTS = "at,device,kind,note,new_baseline\n2026-01-15,device A,service,tip,false\n"
LANDMARKS = "scan,implant,x_mm,y_mm,z_mm\ns1,I1,0,0,0\n"
DRIFT_SETTINGS = """[study]
title = "Odd"
kind = "drift"
[scans]
poses = "poses.csv"
landmarks = "landmarks.csv"
temperature_c = 20.0
expansion_per_k = 75e-6
[drift]
events = "events.csv"
[reference]
mpe_um = { constant = 1.9 }
"""
STUDY = {
    "study": SETTINGS,
    "scans": SCANS,
    "poses": POSES,
    "implants": IMPLANTS,
}
"""Two scans of one model, whose settings give no limits."""
DRIFT = {
    "study": DRIFT_SETTINGS,
    "scans": DRIFT_SCANS,
    "poses": DRIFT_POSES,
    "events": EVENTS,
    "landmarks": LANDMARKS,
    "implants": DRIFT_IMPLANTS,
}
"""Three dated scans of one device, with every kind of table."""
SIX = {
    "study": '[study]\ntitle = "Positions"\nkind = "validation"\n[scans]\nposes = "poses.csv"\n',
    "scans": "scan,model,device,operator\n" + "".join(f"s{i},M,A,{i % 2}\n" for i in range(6)),
    "poses": "scan,model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z\n"
    + "".join(
        f"s{i},M,{name},{x + 0.003 * i * (k + 1) % 0.02},{y},0,0,0,1\n"
        for i in range(6)
        for k, (name, x, y) in enumerate([("I1", 0, 0), ("I2", 20, 5), ("I3", 40, 0)])
    ),
    "implants": IMPLANTS,
}
"""Six scans of two operators, with the least that study.toml must say."""
_NAMES = {"study": "study.toml", "implants": "reference/implants.csv"}


def write(folder, of=STUDY, **files):
    """Write a study of `of`; named files replace its own, a name without ending is a CSV."""
    for name, text in (of | files).items():
        target = Path(folder, _NAMES.get(name, name if "." in name else f"{name}.csv"))
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(text if isinstance(text, bytes) else text.encode())
    return Path(folder)
