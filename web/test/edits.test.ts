import { expect, test } from "vitest";
import * as edits from "../src/tour/edits";
import { footOn } from "../src/tour/ground";
import { History } from "../src/tour/history";
import { budgetOf } from "../src/tour/round";
import type { Tour } from "../src/types/Tour";

/** Stops and vias along the equator, one a tenth of a degree. */
function tour(kinds: string): Tour {
  let t = edits.emptyTour("here");
  [...kinds].forEach((k, i) => {
    t = edits.append(t, { ...edits.newPoint(k === "s" ? "stop" : "via", [0, i / 10]), name: `p${i}` });
  });
  return t;
}
const names = (t: Tour) => t.points.map((p) => p.name).join(" ");
const kinds = (t: Tour) => t.points.map((p) => p.kind[0]).join("");

test("a via turns into a stop when it comes to lie at an end", () => {
  // Appending one at a time makes every first and last point a stop for a while.
  expect(kinds(tour("svs"))).toBe("sss");
  let t = edits.setKind(tour("sss"), 1, "via");
  expect(kinds(t)).toBe("svs");
  t = edits.remove(t, 0);
  expect(kinds(t)).toBe("ss");
  expect(kinds(edits.setKind(t, 1, "via"))).toBe("ss");
});

test("no edit changes the tour it is given", () => {
  const t = edits.setLeg(tour("ssss"), 1, "free");
  const before = JSON.stringify(t);
  const all: Tour[] = [
    edits.append(t, edits.newPoint("stop", [1, 1])),
    edits.prepend(t, edits.newPoint("stop", [1, 1])),
    edits.insert(t, 1, edits.newPoint("via", [1, 1])),
    edits.insertDrawn(t, 1, 0, [1, 1]),
    edits.move(t, 2, [3, 3]),
    edits.remove(t, 2),
    edits.reorder(t, 0, 3),
    edits.reverse(t),
    edits.setDayEnd(t, 1, true),
    edits.setDwell(t, 1, 20),
    edits.renamePoint(t, 1, "lunch"),
  ];
  for (const edited of all) expect(JSON.stringify(edited)).not.toBe(before);
  expect(JSON.stringify(t)).toBe(before);
});

test("a point fits where it makes the least detour", () => {
  const t = tour("ssss");
  expect(edits.fittingLeg(t, [0.01, 0.04])).toBe(0);
  expect(edits.fittingLeg(t, [0.01, 0.26])).toBe(2);
  expect(edits.fittingLeg(tour("s"), [0, 0])).toBeUndefined();
});

test("inserting into a free leg shares its drawn points out", () => {
  let t = edits.setLeg(tour("ss"), 0, "free");
  for (const [i, lon] of [0.02, 0.05, 0.08].entries()) t = edits.insertDrawn(t, 0, i, [0, lon]);
  const split = edits.insert(t, 0, edits.newPoint("via", [0, 0.04]), 1);
  expect(split.points.map((p) => p.leg)).toEqual(["road", "free", "free"]);
  expect(split.points.map((p) => p.drawn?.length ?? 0)).toEqual([0, 1, 2]);
  // Taking it out again leaves one free leg through the same places.
  expect(edits.remove(split, 1).points[1]?.drawn?.map((d) => d[1])).toEqual([0.02, 0.04, 0.05, 0.08]);
});

test("a leg that is routed again forgets what was drawn", () => {
  const free = edits.insertDrawn(edits.setLeg(tour("ss"), 0, "free"), 0, 0, [1, 1]);
  const road = edits.setLeg(free, 0, "road");
  expect(road.points[1]?.drawn).toBeUndefined();
  expect(edits.insertDrawn(road, 0, 0, [1, 1]).points[1]?.drawn).toBeUndefined();
});

test("reordering keeps the legs whose ends stay neighbours", () => {
  const t = edits.setLeg(edits.setLeg(tour("ssss"), 0, "free"), 2, "free");
  const moved = edits.reorder(t, 3, 2);
  expect(names(moved)).toBe("p0 p1 p3 p2");
  expect(moved.points.map((p) => p.leg)).toEqual(["road", "free", "road", "road"]);
  expect(edits.reorder(t, 0, 9)).toBe(t);
});

test("reversing twice is the tour itself", () => {
  let t = edits.setLeg(tour("sssss"), 1, "free");
  t = edits.insertDrawn(edits.insertDrawn(t, 1, 0, [0, 0.13]), 1, 1, [0, 0.17]);
  t = edits.setDayEnd(t, 3, true);
  const back = edits.reverse(t);
  expect(names(back)).toBe("p4 p3 p2 p1 p0");
  expect(back.points[3]?.drawn).toEqual([
    [0, 0.17],
    [0, 0.13],
  ]);
  expect(back.points[1]?.ends_day).toBe(true);
  expect(edits.reverse(back)).toEqual(t);
});

test("a day ends at a stop, never at the ends of the tour", () => {
  const t = edits.setDayEnd(edits.setKind(tour("ssss"), 1, "via"), 1, true);
  expect(kinds(t)).toBe("ssss");
  expect(t.points[1]?.ends_day).toBe(true);
  expect(edits.setDayEnd(t, 3, true).points[3]?.ends_day).toBeUndefined();
  const timed = edits.setNextDepart(t, 1, "09:30");
  expect(edits.setDayEnd(timed, 1, false).points[1]).not.toHaveProperty("next_depart");
  // A via passes: it neither halts nor ends a day.
  expect(edits.setKind(edits.setDwell(timed, 1, 30), 1, "via").points[1]).toEqual({
    kind: "via",
    lat: 0,
    lon: 0.1,
    leg: "road",
    name: "p1",
  });
});

test("dwell stays within a day and departure within a minute", () => {
  expect(edits.setDwell(tour("ss"), 1, 5000).points[1]?.dwell_min).toBe(1440);
  expect(edits.setDwell(tour("ss"), 1, Number.NaN).points[1]?.dwell_min).toBeUndefined();
  expect(edits.setDepart(tour("ss"), "2026-07-01T08:30:15").depart).toBe("2026-07-01T08:30");
  expect(edits.setDepart(edits.setDepart(tour("ss"), "2026-07-01T08:30"), "")).not.toHaveProperty("depart");
});

test("undo and redo without end give back the very documents", () => {
  const docs = Array.from({ length: 500 }, (_, i) => edits.rename(tour("ss"), `n${i}`));
  const history = new History(docs[0] as Tour);
  for (const d of docs) history.push(d);
  for (let i = 498; i >= 0; i--) expect(history.undo()).toBe(docs[i]);
  expect(history.canUndo).toBe(false);
  expect(history.undo()).toBe(docs[0]);
  for (let i = 1; i < 500; i++) expect(history.redo()).toBe(docs[i]);
  expect(history.canRedo).toBe(false);
  history.undo();
  history.push(docs[7] as Tour);
  expect(history.canRedo).toBe(false);
});

test("the nearest place on a line", () => {
  // A right angle at (0, 1): the foot from (0.5, 0.9) lies on the second side.
  const foot = footOn([0, 0, 1], [0, 1, 1], [0.5, 0.9]);
  expect(foot?.vertex).toBe(1);
  expect(foot?.share).toBeCloseTo(0.5, 6);
  expect(foot?.at[1]).toBeCloseTo(1, 6);
  // One tenth of a degree of longitude at 0.5 degrees north, mean earth radius.
  expect(foot?.offsetM).toBeCloseTo(11_119.5 * Math.cos(0.5 * (Math.PI / 180)), -1);
});

test("a repair moves, turns or takes out its point, and nothing else", () => {
  const t = edits.setKind(tour("sss"), 1, "via");
  const mend = (change: object) =>
    edits.repair(t, { text: "", point: 1, move_to: null, remove: false, to_kind: null, ...change });
  expect(names(mend({ remove: true }))).toBe("p0 p2");
  expect(mend({ move_to: [0.01, 0.11] }).points[1]).toMatchObject({
    lat: 0.01,
    lon: 0.11,
    kind: "via",
    name: "p1",
  });
  expect(kinds(mend({ to_kind: "stop" }))).toBe("sss");
  expect(mend({ move_to: [0.01, 0.11] }).points[0]).toBe(t.points[0]);
  expect(mend({ point: 9, remove: true })).toBe(t);
});

test("a proposal fills its leg; the ends stay what they are", () => {
  const t = edits.setLeg(edits.setDwell(tour("sss"), 1, 20), 0, "free");
  const vias = [0.03, 0.06].map((lon) => edits.newPoint("via", [0.01, lon]));
  const filled = edits.fill(t, 0, vias);
  expect(kinds(filled)).toBe("svvss");
  expect(filled.points[3]).toMatchObject({ name: "p1", dwell_min: 20, leg: "road" });
  expect(filled.points[4]).toBe(t.points[2]);
  expect(kinds(edits.fill(t, 1, []))).toBe("sss");
  expect(edits.fill(t, 7, vias)).toBe(t);
});

test("a round trip that is back by a time counts from the departure, over midnight too", () => {
  expect(budgetOf({ unit: "h", amount: 2.5 }, null)).toEqual({ hours: 2.5, km: null });
  expect(budgetOf({ unit: "km", amount: 120 }, null)).toEqual({ hours: null, km: 120 });
  const by = (clock: string) => budgetOf({ unit: "by", clock }, "2026-06-13T09:30");
  expect(by("17:00")).toEqual({ hours: 7.5, km: null });
  expect(by("01:30")).toEqual({ hours: 16, km: null });
});
