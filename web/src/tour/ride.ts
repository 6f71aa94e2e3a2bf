// "Ride it": the fewest vias that bring the line of a tour over a whole stretch of road.
//
// Where the vias go is tried, not guessed: one near each end, in both directions, and one more in the
// middle of the longest part that the line still leaves out.

import type { Line } from "../types/Line";
import type { Tour } from "../types/Tour";
import type { Position } from "./edits";
import * as edits from "./edits";
import { distanceM, footOn } from "./ground";

/** A road on the ground, columns of equal length. */
export interface Course {
  lat: readonly number[];
  lon: readonly number[];
}

/** What planning a tour told: its lines, and how long it takes. */
export interface Trial {
  lines: readonly Line[];
  ridingS: number;
}

export interface Ride {
  tour: Tour;
  /** Share of the stretch that the line follows, 0 to 1. */
  share: number;
}

/** A line this near rides the road. */
const ON_ROAD_M = 25;
const SAMPLE_M = 50;
/** Ends may be cut where the line turns off. */
const END_M = 200;
const ENOUGH = 0.97;
const MOST_VIAS = 6;

/** Share of a road that lines follow, and the middle of the longest part they leave out. */
export function followed(road: Course, lines: readonly Course[]): { share: number; missing?: Position } {
  const samples = sampled(road);
  const inner = samples.length > 12 ? samples.slice(endCut(samples), -endCut(samples)) : samples;
  const on = inner.map((at) =>
    lines.some((line) => (footOn(line.lat, line.lon, at)?.offsetM ?? Number.POSITIVE_INFINITY) <= ON_ROAD_M),
  );
  const share = on.filter(Boolean).length / Math.max(1, on.length);
  let [bestFrom, bestLength, from] = [0, 0, -1];
  for (let i = 0; i <= on.length; i++) {
    if (i < on.length && !on[i]) {
      if (from < 0) from = i;
    } else if (from >= 0) {
      if (i - from > bestLength) [bestFrom, bestLength] = [from, i - from];
      from = -1;
    }
  }
  const missing = bestLength > 0 ? inner[bestFrom + (bestLength >> 1)] : undefined;
  return missing ? { share, missing } : { share };
}

const endCut = (samples: readonly Position[]) => Math.min(Math.floor(samples.length / 6), END_M / SAMPLE_M);

/**
 * The tour with the vias it needs to ride a stretch, or `undefined` when no line follows most of it.
 * `plan` plans a tour; `either` says whether the stretch may be ridden the other way.
 */
export async function rideOver(
  tour: Tour,
  road: Course,
  plan: (tour: Tour) => Promise<Trial>,
): Promise<Ride | undefined> {
  let best: (Ride & { ridingS: number }) | undefined;
  for (const way of [road, { lat: [...road.lat].reverse(), lon: [...road.lon].reverse() }]) {
    const tried = await along(tour, way, plan);
    if (!best || better(tried, best)) best = tried;
  }
  return best && best.share > 0.6 ? { tour: best.tour, share: best.share } : undefined;
}

function better(a: { share: number; ridingS: number }, b: { share: number; ridingS: number }): boolean {
  if (Math.abs(a.share - b.share) > 0.02) return a.share > b.share;
  return a.ridingS < b.ridingS;
}

async function along(tour: Tour, way: Course, plan: (tour: Tour) => Promise<Trial>) {
  const samples = sampled(way);
  const inset = Math.min(2, Math.floor(samples.length / 4));
  let vias = [samples[inset], samples[samples.length - 1 - inset]] as Position[];
  for (;;) {
    const next = withVias(tour, vias);
    const { lines, ridingS } = await plan(next);
    const { share, missing } = followed(way, lines);
    if (share >= ENOUGH || !missing || vias.length >= MOST_VIAS) return { tour: next, share, ridingS };
    vias = [...vias, missing].sort((a, b) => orderOn(way, a) - orderOn(way, b));
  }
}

const orderOn = (way: Course, at: Position) => {
  const foot = footOn(way.lat, way.lon, at);
  return foot ? foot.vertex + foot.share : 0;
};

/** The tour through places in this order, in the leg where that makes the least detour. */
function withVias(tour: Tour, places: readonly Position[]): Tour {
  const [first, last] = [places[0], places.at(-1)] as [Position, Position];
  const via = (at: Position) => edits.newPoint("via", at);
  if (tour.points.length < 2) {
    const inner = tour.points.length === 0 ? [edits.newPoint("stop", first)] : [via(first)];
    return [...inner, ...places.slice(1, -1).map(via), edits.newPoint("stop", last)].reduce(
      edits.append,
      tour,
    );
  }
  let [into, least] = [0, Number.POSITIVE_INFINITY];
  for (let leg = 0; leg + 1 < tour.points.length; leg++) {
    const [from, to] = [tour.points[leg], tour.points[leg + 1]];
    if (!from || !to || to.leg === "free") continue;
    const [a, b]: [Position, Position] = [
      [from.lat, from.lon],
      [to.lat, to.lon],
    ];
    const detour = distanceM(a, first) + distanceM(last, b) - distanceM(a, b);
    if (detour < least) [into, least] = [leg, detour];
  }
  return places.reduce((t, at, i) => edits.insert(t, into + i, via(at)), tour);
}

/** Places every `SAMPLE_M` along a road, its ends included. */
export function sampled(road: Course): Position[] {
  const places: Position[] = [];
  let due = 0;
  let m = 0;
  for (let i = 0; i < road.lat.length; i++) {
    const at: Position = [road.lat[i] as number, road.lon[i] as number];
    const last = i > 0 ? ([road.lat[i - 1], road.lon[i - 1]] as [number, number]) : undefined;
    const stepM = last ? distanceM(last, at) : 0;
    while (last && stepM > 0 && due < m + stepM) {
      const share = (due - m) / stepM;
      places.push([last[0] + share * (at[0] - last[0]), last[1] + share * (at[1] - last[1])]);
      due += SAMPLE_M;
    }
    m += stepM;
  }
  const end = road.lat.length - 1;
  if (end >= 0) places.push([road.lat[end] as number, road.lon[end] as number]);
  return places;
}
