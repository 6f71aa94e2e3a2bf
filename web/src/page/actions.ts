// What can be done to the tour, one function a deed: used by cards, commands and keys alike.

import { deleteGrip, drawnBefore, focusGrip, pointName } from "../edit/gestures";
import type { Position } from "../tour/edits";
import * as edits from "../tour/edits";
import type { LegKind } from "../types/LegKind";
import type { PointKind } from "../types/PointKind";
import type { Warning } from "../types/Warning";
import * as state from "./state";
import * as taste from "./taste";

/** Where a new point goes in the riding order. */
export type Where = "start" | "end" | "between";

/** Puts a point at a place; `between` is where it makes the least detour. */
export function put(kind: PointKind, where: Where, at: Position, name = ""): void {
  const t = state.tour.value;
  const point = edits.newPoint(kind, at, name);
  const done = { kind: "none" } as const;
  if (t.points.length === 0) {
    state.edit(edits.append(t, point), "Start set", done);
    state.showTour();
    return;
  }
  if (where === "start") return state.edit(edits.prepend(t, point), "Start set", done);
  const leg = where === "between" ? legFor(at) : undefined;
  if (leg === undefined) return state.edit(edits.append(t, point), "Stop added at the end", done);
  const says = `${kind === "via" ? "Via" : "Stop"} added after ${label(leg)}`;
  state.edit(edits.insert(t, leg, point, drawnBefore(t, leg, at)), says, done);
}

/** The leg a place belongs to: the one whose line is nearest when it is near, else the cheapest one. */
export function legFor(at: Position): number | undefined {
  const near = state.fresh.value ? state.course.value?.nearest(at[0], at[1]) : undefined;
  if (near && near.offsetM < 500) return near.leg;
  return edits.fittingLeg(state.tour.value, at);
}

/** A point in the chosen leg, at its chosen place. */
export function putInLeg(kind: PointKind, leg: number, m: number): void {
  const spot = state.course.value?.at(m);
  if (!spot) return;
  const at: Position = [spot.lat, spot.lon];
  const t = state.tour.value;
  state.edit(
    edits.insert(t, leg, edits.newPoint(kind, at), drawnBefore(t, leg, at)),
    kind === "via" ? "Via added" : "Stop added",
    { kind: "point", index: leg + 1 },
  );
}

/** "Stop 2, Orra" or "via" with its road. */
export function label(index: number): string {
  const t = state.shown.value;
  const p = t.points[index];
  if (!p) return "";
  const name = pointName(t, index);
  if (p.kind === "via") return name ? `via ${name}` : `via ${index + 1}`;
  const number = t.points.slice(0, index + 1).filter((q) => q.kind === "stop").length;
  return name || `Stop ${number}`;
}

export function deleteSelected(): void {
  const sel = state.selection.value;
  if (sel.kind === "point" || sel.kind === "drawn") deleteGrip(sel);
  else if (sel.kind === "leg") state.say("A leg goes when one of its ends goes: choose a stop or a via");
  else state.say("Nothing chosen to delete");
}

export function turnSelected(kind: PointKind): void {
  const sel = state.selection.value;
  if (sel.kind !== "point") return;
  const t = state.tour.value;
  if (sel.index === 0 || sel.index === t.points.length - 1) {
    return state.tell("The tour starts and ends at a stop.");
  }
  state.edit(edits.setKind(t, sel.index, kind), kind === "via" ? "Now a via" : "Now a stop");
}

export function turnLeg(leg: number, kind: LegKind): void {
  state.edit(
    edits.setLeg(state.tour.value, leg, kind),
    kind === "free" ? "Leg drawn by hand now" : "Leg routed on roads now",
  );
}

export function shift(index: number, by: 1 | -1): void {
  moveTo(index, index + by);
}
export function moveTo(from: number, to: number): void {
  const t = state.tour.value;
  if (to < 0 || to >= t.points.length || to === from) return;
  const sel = state.selection.value;
  const follow: state.Selection =
    sel.kind === "point" && sel.index === from ? { kind: "point", index: to } : { kind: "none" };
  state.edit(edits.reorder(t, from, to), `Now number ${to + 1} of ${t.points.length}`, follow);
}

export function reverse(): void {
  if (state.tour.value.points.length < 2) return state.say("Nothing to reverse");
  state.edit(edits.reverse(state.tour.value), "Reversed", { kind: "none" });
}

export function closeLoop(): void {
  if (state.tour.value.points.length < 2) return state.tell("Set a start and another stop first.");
  state.edit(edits.closeLoop(state.tour.value), "Back to the start", { kind: "none" });
}

export function endDay(index: number, ends: boolean): void {
  state.edit(
    edits.setDayEnd(state.tour.value, index, ends),
    ends ? "The day ends here" : "The two days are one",
  );
}

/** Shows a place of the tour or of the map. */
export function goTo(at: Position, zoom?: number): void {
  onMap.fly?.(at, zoom);
}
export const onMap: {
  fly?: (at: Position, zoom?: number) => void;
  zoom?: (by: number) => void;
  middle?: () => Position;
  /** West, south, east, north of what is in view, degrees. */
  view?: () => [number, number, number, number];
  metresPerPx?: () => number;
  focus?: () => void;
} = {};

export function chooseWarning(index: number): void {
  const warning = state.warnings.value[index];
  if (!warning) return;
  state.select({ kind: "warning", index });
  if (warning.at) goTo(warning.at, 14);
  if (warning.km !== null) state.cursor.value = warning.km * 1000;
}

export function choosePoint(index: number): void {
  state.select({ kind: "point", index });
  const p = state.tour.value.points[index];
  if (p) goTo([p.lat, p.lon]);
  focusGrip({ kind: "point", index });
}

/** Opens a file: a taste becomes the tour's taste, anything else a new tour. */
export function openFile(file: File): Promise<void> {
  return /\.toml$/i.test(file.name) ? taste.openFile(file) : state.openFile(file);
}

/** Asks for a file and opens it. */
export function pickFile(): void {
  pick(".gpx,.geojson,.json,.kml,.toml,application/gpx+xml");
}
export function pickTaste(): void {
  pick(".toml,application/toml");
}
function pick(accept: string): void {
  const input = document.createElement("input");
  input.type = "file";
  input.accept = accept;
  input.onchange = () => {
    const file = input.files?.[0];
    if (file) void openFile(file);
  };
  input.click();
}

/** Sets right what a warning is about. */
export function repair(warning: Warning): void {
  if (!warning.repair) return;
  state.edit(edits.repair(state.tour.value, warning.repair), "Set right", { kind: "none" });
  state.tell("Set right", { label: "Undo", run: state.undo });
}
