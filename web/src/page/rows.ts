// The figures behind the ribbon: how a day of the course is laid out over a width in pixels.

import type { Course, CourseDay } from "../plan/course";
import type { Run } from "../types/Run";

/** The x of all rows: metres from the day's start, or seconds of the day's clock. */
export interface Axis {
  kind: "distance" | "time";
  from: number;
  to: number;
}

const HOUR_S = 3600;
const DAY_S = 24 * HOUR_S;

/** One axis for all rows, so that days compare: time of day when every day has a departure. */
export function axisOf(course: Course): Axis {
  const timed = course.days.length > 0 && course.days.every((d) => d.departS !== undefined);
  if (!timed) {
    const longest = Math.max(1, ...course.days.map((d) => d.endM - d.startM));
    return { kind: "distance", from: 0, to: longest };
  }
  const starts = course.days.map((d) => (d.departS as number) % DAY_S);
  const ends = course.days.map((d) => ((d.departS as number) % DAY_S) + d.spanS);
  const from = Math.floor(Math.min(...starts) / (HOUR_S / 2)) * (HOUR_S / 2);
  return { kind: "time", from, to: Math.max(from + HOUR_S, ...ends) };
}

/** Pixels from the left for a place of a day, given how long after departure one is there. */
export function xOf(axis: Axis, day: CourseDay, m: number, sinceS: number, width: number): number {
  const value = axis.kind === "distance" ? m - day.startM : ((day.departS ?? 0) % DAY_S) + sinceS;
  return ((value - axis.from) / (axis.to - axis.from)) * width;
}

/** Metres along the tour for pixels from the left. */
export function mAt(course: Course, axis: Axis, day: CourseDay, x: number, width: number): number {
  const value = axis.from + (x / width) * (axis.to - axis.from);
  const m =
    axis.kind === "distance"
      ? day.startM + value
      : course.atTime(day.index, value - ((day.departS ?? 0) % DAY_S));
  return Math.max(day.startM, Math.min(day.endM, m));
}

export type SurfaceKind = "paved" | "unpaved" | "unknown" | "free" | "ferry";

export function surfaceKind(run: Run): SurfaceKind {
  if (run.class === "free" || run.class === "ferry") return run.class;
  return run.paved === null ? "unknown" : run.paved ? "paved" : "unpaved";
}

/** A stretch of equal value, pixels. */
export interface Band<T> {
  from: number;
  to: number;
  value: T;
}

export interface Row {
  /** Height over x as an SVG path, closed along the bottom; empty without heights. */
  silhouette: string;
  /** Class of the mean bend rate. */
  bends: Band<number>[];
  surfaces: Band<SurfaceKind>[];
}

/** Width of a sample: below it the eye tells nothing apart. Bends are a mean and take more ground. */
const COLUMN_PX = 2;
const BEND_COLUMN_PX = 6;

/** Lays a day out. `scale` turns a height into pixels from the top of a field `fieldPx` high. */
export function layOut(
  course: Course,
  axis: Axis,
  day: CourseDay,
  width: number,
  fieldPx: number,
  scale: (heightM: number) => number,
  bendClass: (rate: number) => number,
): Row {
  const first = Math.max(0, xOf(axis, day, day.startM, 0, width));
  const last = Math.min(width, xOf(axis, day, day.endM, day.spanS, width));
  const outline: string[] = [];
  const bends: Band<number>[] = [];
  const surfaces: Band<SurfaceKind>[] = [];
  for (const { x, right, m0, m1, parts } of columns(COLUMN_PX)) {
    const heightM = course.at((m0 + m1) / 2)?.heightM;
    if (heightM !== undefined) outline.push(`${x.toFixed(1)} ${scale(heightM).toFixed(1)}`);
    const lengths = new Map<SurfaceKind, number>();
    for (const { run, m } of parts) {
      const kind = surfaceKind(run);
      lengths.set(kind, (lengths.get(kind) ?? 0) + m);
    }
    const most = [...lengths].sort((a, b) => b[1] - a[1])[0];
    if (most) join(surfaces, x, right, most[0]);
  }
  for (const { x, right, parts } of columns(BEND_COLUMN_PX)) {
    const roads = parts.filter(({ run }) => run.class !== "free" && run.class !== "ferry");
    const ridden = roads.reduce((sum, { m }) => sum + m, 0);
    const turned = roads.reduce((sum, { run, m }) => sum + run.bend_deg_per_km * m, 0);
    if (ridden > 0) join(bends, x, right, bendClass(turned / ridden));
  }
  const silhouette =
    outline.length > 1
      ? `M${outline.join("L")}L${last.toFixed(1)} ${fieldPx}L${first.toFixed(1)} ${fieldPx}Z`
      : "";
  return { silhouette, bends, surfaces };

  /** The day cut into columns, each with the runs it holds; none while the rider halts. */
  function* columns(step: number) {
    const runs = [...course.runs(day.index)];
    let at = 0;
    for (let x = first; x < last; x += step) {
      const right = Math.min(last, x + step);
      const m0 = mAt(course, axis, day, x, width);
      const m1 = mAt(course, axis, day, right, width);
      while (at < runs.length - 1 && (runs[at]?.endM ?? 0) <= m0) at++;
      const parts: { run: Run; m: number }[] = [];
      for (let k = at; m1 - m0 > 0.01 && k < runs.length; k++) {
        const r = runs[k];
        if (!r || r.startM >= m1) break;
        const m = Math.min(m1, r.endM) - Math.max(m0, r.startM);
        if (m > 0) parts.push({ run: r.run, m });
      }
      yield { x, right, m0, m1, parts };
    }
  }
}

function join<T>(bands: Band<T>[], from: number, to: number, value: T): void {
  const last = bands.at(-1);
  if (last && last.value === value && from - last.to < 0.01) last.to = to;
  else bands.push({ from, to, value });
}

/** Round values along the axis, at most one every `leastPx`, with what to write at them. */
export function gridOf(
  axis: Axis,
  width: number,
  leastPx: number,
  perUnitM: number,
  unit: string,
): { x: number; text: string }[] {
  const span = axis.to - axis.from;
  const unitSize = axis.kind === "time" ? HOUR_S : perUnitM;
  const steps = axis.kind === "time" ? [0.5, 1, 2, 3, 6, 12] : [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000];
  const step = (steps.find((s) => ((s * unitSize) / span) * width >= leastPx) ?? 1000) * unitSize;
  const marks: { x: number; text: string }[] = [];
  for (let v = Math.ceil(axis.from / step) * step; v <= axis.to; v += step) {
    const text =
      axis.kind === "time"
        ? `${String(Math.floor(v / HOUR_S) % 24).padStart(2, "0")}:${String(Math.round((v % HOUR_S) / 60)).padStart(2, "0")}`
        : v === 0
          ? `0 ${unit}`
          : String(Math.round(v / unitSize));
    marks.push({ x: ((v - axis.from) / span) * width, text });
  }
  return marks;
}
