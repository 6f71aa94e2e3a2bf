// The planned line as one course from start to end, measured in metres along it: what lies where,
// when one is there, and which part of it is nearest to a place on the map.

import { clockS } from "../format";
import { alongM, footOn } from "../tour/ground";
import type { Line } from "../types/Line";
import type { Row } from "../types/Row";
import type { Run } from "../types/Run";
import type { Planned } from "./client";

/** One leg's part of the course. */
interface Stretch {
  leg: number;
  line: Line;
  startM: number;
  endM: number;
  /** Seconds of riding since the start of the day. */
  startS: number;
}

export interface CourseDay {
  index: number;
  firstPoint: number;
  lastPoint: number;
  startM: number;
  endM: number;
  /** Seconds from departure to arrival, halts included. */
  spanS: number;
  /** What happens when: halts, rests, ferries. */
  rows: readonly Row[];
  /** Departure on a clock without zones, seconds; `undefined` without a date. */
  departS: number | undefined;
}

/** A point of the tour on the course. */
export interface Mark {
  point: number;
  day: number;
  m: number;
  /** Arrival, and departure after the halt, seconds since departure of the day. */
  arriveS: number;
  leaveS: number;
}

/** A place on the course. */
export interface Spot {
  m: number;
  lat: number;
  lon: number;
  heightM: number | undefined;
  leg: number;
  day: number;
  run: Run | undefined;
  /** Seconds since departure of the day. */
  sinceS: number;
}

export class Course {
  readonly days: CourseDay[] = [];
  readonly marks: Mark[] = [];
  readonly lengthM: number;
  readonly lowM: number | undefined;
  readonly highM: number | undefined;
  #stretches: Stretch[] = [];

  constructor(readonly planned: Planned) {
    const { plan, lines } = planned;
    let m = 0;
    let low = Number.POSITIVE_INFINITY;
    let high = Number.NEGATIVE_INFINITY;
    for (const [index, day] of plan.days.entries()) {
      const startM = m;
      const rows = day.sheet.rows;
      let ridingS = 0;
      this.marks.push({ point: day.first_point, day: index, m, arriveS: 0, leaveS: 0 });
      for (let leg = day.first_point; leg < day.last_point; leg++) {
        const line = lines[leg];
        if (!line) continue;
        const endM = m + (line.distance_m.at(-1) ?? 0);
        this.#stretches.push({ leg, line, startM: m, endM, startS: ridingS });
        m = endM;
        ridingS += line.elapsed_s.at(-1) ?? 0;
        // Where one halts is in the day's clock; what the plan did not say is ridden through.
        const row = rows.find((r) => r.point === leg + 1);
        const arriveS = row?.from_s ?? clockAt(rows, ridingS);
        this.marks.push({ point: leg + 1, day: index, m, arriveS, leaveS: row?.to_s ?? arriveS });
        for (const h of line.height_m) {
          if (h === null) continue;
          if (h < low) low = h;
          if (h > high) high = h;
        }
      }
      this.days.push({
        index,
        firstPoint: day.first_point,
        lastPoint: day.last_point,
        startM,
        endM: m,
        spanS: rows.at(-1)?.to_s ?? ridingS,
        rows,
        departS: clockS(day.depart),
      });
    }
    this.lengthM = m;
    this.lowM = low <= high ? low : undefined;
    this.highM = low <= high ? high : undefined;
  }

  /** What lies at a distance from the start; `undefined` only when there is no line. */
  at(m: number): Spot | undefined {
    const stretch = this.#stretchAt(m);
    if (!stretch) return undefined;
    const { line } = stretch;
    const local = Math.max(0, Math.min(m - stretch.startM, line.distance_m.at(-1) ?? 0));
    const i = lowerVertex(line.distance_m, local);
    const [a, b] = [line.distance_m[i] ?? 0, line.distance_m[i + 1] ?? 0];
    const share = b > a ? (local - a) / (b - a) : 0;
    const between = (column: readonly number[]) => {
      const from = column[i] ?? 0;
      return from + share * ((column[i + 1] ?? from) - from);
    };
    const [h0, h1] = [line.height_m[i] ?? undefined, line.height_m[i + 1] ?? undefined];
    const day = this.days.findLast((d) => stretch.leg >= d.firstPoint) ?? this.days[0];
    return {
      m: stretch.startM + local,
      lat: between(line.lat),
      lon: between(line.lon),
      heightM: h0 === undefined ? undefined : h0 + share * ((h1 ?? h0) - h0),
      leg: stretch.leg,
      day: day?.index ?? 0,
      run: line.runs.find((r) => i >= r.from && i < r.to) ?? line.runs.at(-1),
      sinceS: clockAt(day?.rows ?? [], stretch.startS + between(line.elapsed_s)),
    };
  }

  /** The distance at which one is a time after departure of a day; halts are stood at the stop. */
  atTime(dayIndex: number, sinceS: number): number {
    const day = this.days[dayIndex];
    if (!day) return 0;
    const ridingS = ridingAt(day.rows, sinceS);
    for (const s of this.#stretches) {
      if (s.leg < day.firstPoint || s.leg >= day.lastPoint) continue;
      if (ridingS <= s.startS) return s.startM;
      const local = ridingS - s.startS;
      const total = s.line.elapsed_s.at(-1) ?? 0;
      if (local > total) continue;
      const i = lowerVertex(s.line.elapsed_s, local);
      const [a, b] = [s.line.elapsed_s[i] ?? 0, s.line.elapsed_s[i + 1] ?? 0];
      const [p, q] = [s.line.distance_m[i] ?? 0, s.line.distance_m[i + 1] ?? 0];
      return s.startM + (b > a ? p + ((local - a) / (b - a)) * (q - p) : p);
    }
    return day.endM;
  }

  /** Runs of a day with their place on the course, in order. */
  *runs(dayIndex: number): Generator<{ run: Run; startM: number; endM: number }> {
    const day = this.days[dayIndex];
    if (!day) return;
    for (const s of this.#stretches) {
      if (s.leg < day.firstPoint || s.leg >= day.lastPoint) continue;
      for (const run of s.line.runs) {
        yield {
          run,
          startM: s.startM + (s.line.distance_m[run.from] ?? 0),
          endM: s.startM + (s.line.distance_m[run.to] ?? 0),
        };
      }
    }
  }

  /** The place of the course nearest to a place on the map, `legs` restricts the search. */
  nearest(lat: number, lon: number, leg?: number): (Spot & { offsetM: number }) | undefined {
    let best: { m: number; offsetM: number } | undefined;
    for (const s of this.#stretches) {
      if (leg !== undefined && s.leg !== leg) continue;
      const foot = footOn(s.line.lat, s.line.lon, [lat, lon]);
      if (foot && (!best || foot.offsetM < best.offsetM)) {
        best = { m: s.startM + alongM(s.line, foot), offsetM: foot.offsetM };
      }
    }
    const spot = best && this.at(best.m);
    return best && spot ? { ...spot, offsetM: best.offsetM } : undefined;
  }

  #stretchAt(m: number): Stretch | undefined {
    let [low, high] = [0, this.#stretches.length - 1];
    while (low < high) {
      const mid = (low + high) >> 1;
      if ((this.#stretches[mid] as Stretch).endM < m) low = mid + 1;
      else high = mid;
    }
    return this.#stretches[low];
  }
}

/** The clock when so much of a day's riding is done; where one halts, the time of leaving. */
function clockAt(rows: readonly Row[], ridingS: number): number {
  const row = rows.findLast((r) => r.riding_s <= ridingS);
  if (!row) return ridingS;
  const next = rows[rows.indexOf(row) + 1]?.from_s ?? Number.POSITIVE_INFINITY;
  return Math.min(row.to_s + ridingS - row.riding_s, next);
}

/** The riding that is done when the clock shows a time; none is done while one halts. */
function ridingAt(rows: readonly Row[], sinceS: number): number {
  const row = rows.findLast((r) => r.from_s <= sinceS);
  if (!row) return sinceS;
  const next = rows[rows.indexOf(row) + 1]?.riding_s ?? Number.POSITIVE_INFINITY;
  return Math.min(row.riding_s + Math.max(0, sinceS - row.to_s), next);
}

/** The last vertex whose value is not above `x`, never the very last vertex. */
function lowerVertex(column: readonly number[], x: number): number {
  let [low, high] = [0, Math.max(0, column.length - 2)];
  while (low < high) {
    const mid = (low + high + 1) >> 1;
    if ((column[mid] as number) <= x) low = mid;
    else high = mid - 1;
  }
  return low;
}
