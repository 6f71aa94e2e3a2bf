// Edits of a tour document. Every function takes a tour and gives a new one; the old one is never
// changed, so that undo is nothing but the stack of documents. A position is `[lat, lon]` in degrees.
//
// Legs are counted from 0: leg `n` runs from point `n` to point `n + 1`, and is kept in the latter.

import type { LegKind } from "../types/LegKind";
import type { PointKind } from "../types/PointKind";
import type { Repair } from "../types/Repair";
import type { TasteChoice } from "../types/TasteChoice";
import type { Tour } from "../types/Tour";
import type { TourPoint } from "../types/TourPoint";
import { distanceM } from "./ground";

export type Position = readonly [lat: number, lon: number];

/** A tour without points. */
export function emptyTour(region: string, taste: TasteChoice = "fastest"): Tour {
  return { format: "lacet-tour-1", name: "", region, taste, points: [] };
}

/** A stop or a via, joined by road. Coordinates are kept to a centimetre or so. */
export function newPoint(kind: PointKind, at: Position, name = ""): TourPoint {
  const point: TourPoint = { kind, lat: round(at[0]), lon: round(at[1]), leg: "road" };
  if (name) point.name = name;
  return point;
}

const round = (deg: number) => Math.round(deg * 1e7) / 1e7;

/** Puts a point at the end. */
export function append(tour: Tour, point: TourPoint): Tour {
  return withPoints(tour, [...tour.points, point]);
}

/** Puts a point before the start. */
export function prepend(tour: Tour, point: TourPoint): Tour {
  return withPoints(tour, [{ ...point, leg: "road" }, ...tour.points]);
}

/**
 * Puts a point into leg `leg`. A free leg stays free on both sides, its drawn points shared out:
 * `drawnBefore` of them lie before the new point.
 */
export function insert(tour: Tour, leg: number, point: TourPoint, drawnBefore = 0): Tour {
  const end = tour.points[leg + 1];
  if (!end) return append(tour, point);
  const drawn = end.drawn ?? [];
  const first = withDrawn({ ...point, leg: end.leg }, end.leg === "free" ? drawn.slice(0, drawnBefore) : []);
  const second = withDrawn(end, end.leg === "free" ? drawn.slice(drawnBefore) : []);
  return withPoints(tour, [...tour.points.slice(0, leg + 1), first, second, ...tour.points.slice(leg + 2)]);
}

/**
 * The leg into which a point fits with the least detour as the crow flies, or `undefined` when the
 * tour has no leg yet.
 */
export function fittingLeg(tour: Tour, at: Position): number | undefined {
  let best: number | undefined;
  let least = Number.POSITIVE_INFINITY;
  for (let leg = 0; leg + 1 < tour.points.length; leg++) {
    const [from, to] = [tour.points[leg], tour.points[leg + 1]];
    if (!from || !to) continue;
    const a: Position = [from.lat, from.lon];
    const b: Position = [to.lat, to.lon];
    const detour = distanceM(a, at) + distanceM(at, b) - distanceM(a, b);
    if (detour < least) [best, least] = [leg, detour];
  }
  return best;
}

/** Moves a point; what is drawn towards it stays. */
export function move(tour: Tour, index: number, at: Position): Tour {
  return change(tour, index, (p) => ({ ...p, lat: round(at[0]), lon: round(at[1]) }));
}

/** Takes a point out. Two free legs that met there become one, through the same places. */
export function remove(tour: Tour, index: number): Tour {
  const gone = tour.points[index];
  if (!gone) return tour;
  const points = tour.points.filter((_, i) => i !== index);
  const next = points[index];
  if (next && index > 0 && gone.leg === "free" && next.leg === "free") {
    const drawn = [...(gone.drawn ?? []), [gone.lat, gone.lon] as [number, number], ...(next.drawn ?? [])];
    points[index] = withDrawn(next, drawn);
  }
  return withPoints(tour, points);
}

/** Moves a point to another place in the order. Legs whose ends changed are routed on roads again. */
export function reorder(tour: Tour, from: number, to: number): Tour {
  const moved = tour.points[from];
  if (!moved || from === to || to < 0 || to >= tour.points.length) return tour;
  const order = tour.points.filter((_, i) => i !== from);
  order.splice(to, 0, moved);
  const before = new Map(tour.points.map((p, i) => [p, tour.points[i - 1]]));
  return withPoints(
    tour,
    order.map((p, i) => (before.get(p) === order[i - 1] ? p : withDrawn({ ...p, leg: "road" }, []))),
  );
}

/** Rides the tour the other way round; free legs keep their shape, days their ends. */
export function reverse(tour: Tour): Tour {
  const old = tour.points;
  const points = old.map((_, i) => {
    const { leg: _leg, drawn: _drawn, ...rest } = old[old.length - 1 - i] as TourPoint;
    const joined = old[old.length - i];
    const drawn = joined?.drawn ?? [];
    return withDrawn({ ...rest, leg: i > 0 && joined ? joined.leg : "road" }, [...drawn].reverse());
  });
  return withPoints(tour, points);
}

/** Turns a via into a stop or back. The ends of a tour are always stops. */
export function setKind(tour: Tour, index: number, kind: PointKind): Tour {
  return change(tour, index, (p) => ({ ...p, kind }));
}

/** Makes a leg routed or drawn; a leg that becomes free starts straight. */
export function setLeg(tour: Tour, leg: number, kind: LegKind): Tour {
  return change(tour, leg + 1, (p) => withDrawn({ ...p, leg: kind }, kind === "free" ? (p.drawn ?? []) : []));
}

/** Puts a drawn point into a free leg so that it becomes its number `index`. */
export function insertDrawn(tour: Tour, leg: number, index: number, at: Position): Tour {
  return changeDrawn(tour, leg, (drawn) => [...drawn.slice(0, index), rounded(at), ...drawn.slice(index)]);
}

/** Moves a drawn point of a free leg. */
export function moveDrawn(tour: Tour, leg: number, index: number, at: Position): Tour {
  return changeDrawn(tour, leg, (drawn) => drawn.map((d, i) => (i === index ? rounded(at) : d)));
}

/** Takes a drawn point out of a free leg. */
export function removeDrawn(tour: Tour, leg: number, index: number): Tour {
  return changeDrawn(tour, leg, (drawn) => drawn.filter((_, i) => i !== index));
}

/** Ends the day at a point, which becomes a stop; or joins the two days that meet there. */
export function setDayEnd(tour: Tour, index: number, ends: boolean): Tour {
  return change(tour, index, (p) => {
    const { ends_day: _ends, next_depart: _next, ...rest } = p;
    return ends ? { ...p, kind: "stop", ends_day: true } : rest;
  });
}

/**
 * Moves the end of a day to another place of the line: to a stop or via that is there already, or to a new stop
 * on leg `leg`. What is known of the next morning goes with it.
 */
export function moveDayEnd(
  tour: Tour,
  from: number,
  to: { index: number } | { leg: number; at: Position },
): Tour {
  const old = tour.points[from];
  if (!old?.ends_day) return tour;
  const next = old.next_depart ?? "";
  if ("index" in to) {
    if (to.index === from) return tour;
    return setNextDepart(setDayEnd(setDayEnd(tour, from, false), to.index, true), to.index, next);
  }
  const joined = setDayEnd(tour, from, false);
  const index = to.leg + 1;
  const there = setDayEnd(insert(joined, to.leg, newPoint("stop", to.at)), index, true);
  // A stop that says nothing else is only passed from now on; the line stays what it was.
  const silent = !old.name && !old.dwell_min && !old.refuel && !old.arrive_by;
  const moved = setNextDepart(there, index, next);
  return silent ? setKind(moved, from < index ? from : from + 1, "via") : moved;
}

/** Ends days at these places, each on a leg of the tour, in riding order; days that were are joined. */
export function splitByNights(
  tour: Tour,
  nights: readonly { leg: number; at: Position; name: string }[],
): Tour {
  const joined = tour.points.reduce((t, p, i) => (p.ends_day ? setDayEnd(t, i, false) : t), tour);
  // From the last on, so that legs before keep their numbers.
  return nights.reduceRight(
    (t, n) => setDayEnd(insert(t, n.leg, newPoint("stop", n.at, n.name)), n.leg + 1, true),
    joined,
  );
}

/** To be at a stop by an hour, `HH:MM`, which sets the day's departure; empty for no such hour. */
export function setArriveBy(tour: Tour, index: number, time: string): Tour {
  return change(tour, index, ({ arrive_by: _old, ...p }) => (time ? { ...p, arrive_by: time } : p));
}

/** Who rides, on what. */
export function setRider(tour: Tour, rider: Tour["rider"]): Tour {
  return { ...tour, rider };
}

/** When the day that starts at a day's end leaves, `HH:MM`; empty for no time. */
export function setNextDepart(tour: Tour, index: number, time: string): Tour {
  return change(tour, index, ({ next_depart: _old, ...p }) => (time ? { ...p, next_depart: time } : p));
}

/** Names a point; the empty name goes back to that of the road. */
export function renamePoint(tour: Tour, index: number, name: string): Tour {
  return change(tour, index, ({ name: _old, ...p }) => (name.trim() ? { ...p, name: name.trim() } : p));
}

/** How long the rider halts at a stop, minutes. */
export function setDwell(tour: Tour, index: number, minutes: number): Tour {
  const dwell = Math.max(0, Math.min(1440, Math.round(minutes) || 0));
  return change(tour, index, ({ dwell_min: _old, ...p }) => (dwell ? { ...p, dwell_min: dwell } : p));
}

/** Names the tour. */
export function rename(tour: Tour, name: string): Tour {
  return { ...tour, name: name.trim() };
}

/** When the first day leaves, `YYYY-MM-DDTHH:MM`; empty for a tour without a date. */
export function setDepart(tour: Tour, depart: string): Tour {
  const { depart: _old, ...rest } = tour;
  return depart ? { ...rest, depart: depart.slice(0, 16) } : rest;
}

/** Routes by another taste. */
export function setTaste(tour: Tour, taste: TasteChoice): Tour {
  return { ...tour, taste };
}

/** Sets right what a warning is about: a point moved onto the road that is ridden, turned or taken out. */
export function repair(tour: Tour, { point, move_to, remove: gone, to_kind }: Repair): Tour {
  if (gone) return remove(tour, point);
  let next = tour;
  if (move_to) next = move(next, point, move_to);
  if (to_kind) next = setKind(next, point, to_kind);
  return next;
}

/** The same tour over other points. */
export function replacePoints(tour: Tour, points: readonly TourPoint[]): Tour {
  return withPoints(tour, [...points]);
}

/** Puts other points into leg `leg`: vias, or stops, between its ends, which stay. */
export function fill(tour: Tour, leg: number, between: readonly TourPoint[]): Tour {
  if (!tour.points[leg + 1]) return tour;
  const end = withDrawn({ ...(tour.points[leg + 1] as TourPoint), leg: "road" }, []);
  return withPoints(tour, [...tour.points.slice(0, leg + 1), ...between, end, ...tour.points.slice(leg + 2)]);
}

/** Ends the tour where it began. */
export function closeLoop(tour: Tour): Tour {
  const start = tour.points[0];
  if (!start || tour.points.length < 2) return tour;
  return append(tour, newPoint("stop", [start.lat, start.lon], start.name));
}

function change(tour: Tour, index: number, edit: (point: TourPoint) => TourPoint): Tour {
  if (!tour.points[index]) return tour;
  return withPoints(
    tour,
    tour.points.map((p, i) => (i === index ? edit(p) : p)),
  );
}

function changeDrawn(tour: Tour, leg: number, edit: (drawn: [number, number][]) => [number, number][]): Tour {
  return change(tour, leg + 1, (p) => (p.leg === "free" ? withDrawn(p, edit(p.drawn ?? [])) : p));
}

const rounded = (at: Position): [number, number] => [round(at[0]), round(at[1])];

function withDrawn({ drawn: _old, ...point }: TourPoint, drawn: [number, number][]): TourPoint {
  return drawn.length > 0 ? { ...point, drawn } : point;
}

/** Keeps what every document promises: both ends are stops, vias do not halt, the first has no leg. */
function withPoints(tour: Tour, points: TourPoint[]): Tour {
  const last = points.length - 1;
  return {
    ...tour,
    points: points.map((point, i) => {
      let p = point;
      if ((i === 0 || i === last) && p.kind === "via") p = { ...p, kind: "stop" };
      if (i === 0 && (p.leg === "free" || p.drawn)) p = withDrawn({ ...p, leg: "road" }, []);
      if ((i === 0 || i === last) && p.ends_day) {
        const { ends_day: _ends, next_depart: _next, ...rest } = p;
        p = rest;
      }
      if (p.kind === "via" && (p.dwell_min || p.ends_day || p.next_depart)) {
        const { dwell_min: _dwell, ends_day: _ends, next_depart: _next, ...rest } = p;
        p = rest;
      }
      return p;
    }),
  };
}
