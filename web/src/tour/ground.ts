// Distances and nearest places on the ground, good to a few parts in a thousand over one tour:
// for picking and ordering, never for the figures shown (those come with the plan).

import type { Line } from "../types/Line";
import type { Position } from "./edits";

const EARTH_RADIUS_M = 6_371_008.8; // mean radius, IUGG
const RAD = Math.PI / 180;

/** Great-circle distance, haversine formula (stable for short distances). */
export function distanceM(a: Position, b: Position): number {
  const dLat = Math.sin(((b[0] - a[0]) * RAD) / 2);
  const dLon = Math.sin(((b[1] - a[1]) * RAD) / 2);
  const h = dLat * dLat + Math.cos(a[0] * RAD) * Math.cos(b[0] * RAD) * dLon * dLon;
  return 2 * EARTH_RADIUS_M * Math.asin(Math.min(1, Math.sqrt(h)));
}

/** A place on a polyline. */
export interface Foot {
  /** Vertex before it. */
  vertex: number;
  /** Share of the way to the next vertex, 0 to 1. */
  share: number;
  /** Metres from the place asked for. */
  offsetM: number;
  at: Position;
}

/** The nearest place to `at` on a polyline, in the plane that touches the earth there. */
export function footOn(lat: readonly number[], lon: readonly number[], at: Position): Foot | undefined {
  const squeeze = Math.cos(at[0] * RAD);
  let best: Foot | undefined;
  let least = Number.POSITIVE_INFINITY;
  for (let i = 0; i + 1 < lat.length; i++) {
    const ax = ((lon[i] as number) - at[1]) * squeeze;
    const ay = (lat[i] as number) - at[0];
    const bx = ((lon[i + 1] as number) - at[1]) * squeeze;
    const by = (lat[i + 1] as number) - at[0];
    const [dx, dy] = [bx - ax, by - ay];
    const length2 = dx * dx + dy * dy;
    const share = length2 > 0 ? Math.max(0, Math.min(1, -(ax * dx + ay * dy) / length2)) : 0;
    const [x, y] = [ax + share * dx, ay + share * dy];
    const d2 = x * x + y * y;
    if (d2 < least) {
      least = d2;
      best = { vertex: i, share, offsetM: 0, at: [at[0] + y, at[1] + x / squeeze] };
    }
  }
  if (best) best.offsetM = distanceM(at, best.at);
  return best;
}

/** Metres from the start of a line to a place on it. */
export function alongM(line: Line, foot: Foot): number {
  const a = line.distance_m[foot.vertex] ?? 0;
  const b = line.distance_m[foot.vertex + 1] ?? a;
  return a + foot.share * (b - a);
}
