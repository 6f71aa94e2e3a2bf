import { expect, test } from "vitest";
import { append, emptyTour, newPoint, type Position } from "../src/tour/edits";
import { followed, rideOver, sampled, type Trial } from "../src/tour/ride";
import type { Line } from "../src/types/Line";
import type { Tour } from "../src/types/Tour";

// An invented country: a straight main road along the equator, and beside it a pass road that leaves it
// at 0.02° E, swings north to 0.03° N and comes back at 0.08° E. One degree is some 111 km.
const PASS: Position[] = [
  [0, 0.02],
  [0.02, 0.03],
  [0.03, 0.05],
  [0.02, 0.07],
  [0, 0.08],
];
const road = { lat: PASS.map((p) => p[0]), lon: PASS.map((p) => p[1]) };
const lineOf = (places: Position[]) =>
  ({ lat: places.map((p) => p[0]), lon: places.map((p) => p[1]) }) as unknown as Line;

const onPass = (at: readonly number[]) => Math.abs(at[0] as number) > 0.0005;
const along = (at: readonly number[]) => at[1] as number;

/** Rides the main road, and the pass between the first and the last via that lies on it. */
function planner(oneWay = false) {
  const asked: Tour[] = [];
  const plan = async (tour: Tour): Promise<Trial> => {
    asked.push(tour);
    const places = tour.points.map((p): Position => [p.lat, p.lon]);
    const on = places.filter(onPass);
    const [start, end] = [places[0], places.at(-1)] as [Position, Position];
    const [first, last] = [on[0], on.at(-1)];
    if (!first || !last || on.length < 2) return { lines: [lineOf([start, end])], ridingS: 100 };
    const forward = along(first) <= along(last);
    if (oneWay && !forward) return { lines: [lineOf([start, end])], ridingS: 50 };
    const way = forward ? PASS : [...PASS].reverse();
    const back = forward === along(start) <= along(end) ? 0 : 300;
    return { lines: [lineOf([start, ...way, end])], ridingS: 200 + back };
  };
  return { asked, plan };
}
const tourOf = (...places: Position[]) =>
  places.reduce((t, at) => append(t, newPoint("stop", at)), emptyTour("here"));

test("a road is followed as far as lines lie on it", () => {
  expect(followed(road, [lineOf(PASS)]).share).toBe(1);
  expect(followed(road, [lineOf([...PASS].reverse())]).share).toBe(1);
  const half = followed(road, [lineOf(PASS.slice(0, 3))]);
  expect(half.share).toBeGreaterThan(0.4);
  expect(half.share).toBeLessThan(0.6);
  // What is missing is the other half; its middle lies east of the top.
  expect(half.missing?.[1]).toBeGreaterThan(0.055);
  expect(followed(road, []).share).toBe(0);
});

test("samples lie every 50 m, ends included", () => {
  const places = sampled({ lat: [0, 0], lon: [0, 0.01] });
  expect(places.length).toBeGreaterThan(22);
  expect(places[0]).toEqual([0, 0]);
  expect(places.at(-1)).toEqual([0, 0.01]);
});

test("the line goes over a stretch in the direction of the ride, with two vias", async () => {
  for (const [from, to] of [
    [0, 0.1],
    [0.1, 0],
  ] as const) {
    const ride = await rideOver(tourOf([0, from], [0, to]), road, planner().plan);
    expect(ride?.share).toBe(1);
    const kinds = ride?.tour.points.map((p) => p.kind);
    expect(kinds).toEqual(["stop", "via", "via", "stop"]);
    const lons = ride?.tour.points.map((p) => p.lon) ?? [];
    expect(lons).toEqual([...lons].sort((a, b) => (to > from ? a - b : b - a)));
  }
});

test("a one-way stretch is ridden its own way, even when that is longer", async () => {
  const ride = await rideOver(tourOf([0, 0.1], [0, 0]), road, planner(true).plan);
  const vias = ride?.tour.points.filter((p) => p.kind === "via").map((p) => p.lon) ?? [];
  expect(vias).toEqual([...vias].sort((a, b) => a - b));
});

test("vias are put where the line leaves the stretch, and not for ever", async () => {
  const { asked, plan } = planner();
  // Follows only half of the pass until a via lies in its middle.
  const lazy = async (tour: Tour) => {
    const whole = await plan(tour);
    const middle = tour.points.some((p) => p.kind === "via" && p.lon > 0.05 && p.lon < 0.076);
    return middle ? whole : { ...whole, lines: whole.lines.map((l) => lineOf(half(l))) };
  };
  const half = (l: Line) =>
    l.lat.map((lat, i): Position => [lat, l.lon[i] as number]).filter((p) => !onPass(p) || p[1] <= 0.05);
  const ride = await rideOver(tourOf([0, 0], [0, 0.1]), road, lazy);
  expect(ride?.share).toBe(1);
  expect(ride?.tour.points.filter((p) => p.kind === "via").length).toBe(3);
  expect(asked.length).toBeLessThan(20);
});

test("nothing is offered where no line follows the stretch", async () => {
  let asked = 0;
  const never = async (tour: Tour): Promise<Trial> => {
    asked++;
    return { lines: [lineOf(tour.points.map((p): Position => [0, p.lon]))], ridingS: 1 };
  };
  expect(await rideOver(tourOf([0, 0], [0, 0.1]), road, never)).toBeUndefined();
  expect(asked).toBeLessThan(20);
});

test("a tour that has not begun starts with the stretch", async () => {
  const ride = await rideOver(emptyTour("here"), road, planner().plan);
  expect(ride?.tour.points.at(0)?.kind).toBe("stop");
  expect(ride?.tour.points.at(-1)?.kind).toBe("stop");
});
