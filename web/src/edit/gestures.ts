// The map under the rider's hand: binds the map, the overlay and the handles to the page's state.

import { effect } from "@preact/signals";
import type { Map as Sheet } from "maplibre-gl";
import { PALETTES, WORTH_STEPS } from "../map/palette";
import { ROAD_LAYERS } from "../map/style";
import * as rides from "../page/rides";
import * as roads from "../page/roads";
import * as state from "../page/state";
import type { Position } from "../tour/edits";
import * as edits from "../tour/edits";
import { footOn } from "../tour/ground";
import type { Tour } from "../types/Tour";
import { type Grip, Handles, type HandleView, position } from "./handles";
import { CHOICE_HIT } from "./offers";
import { HIT_LAYERS, Overlay } from "./overlay";

/** What is held while the pointer is down. */
interface Held {
  base: Tour;
  /** The tour with the held thing at a place. */
  at(place: Position): Tour;
  /** Legs of that tour that change with it, and of the tour before. */
  legs: number[];
  baseLegs: number[];
  grip: Grip;
  says: string;
}

const paletteNow = () => PALETTES[state.dark.value ? "night" : "day"];

const SLACK_PX = 4;
const LONG_PRESS_MS = 550;
/** A point this far off the road is shown where it is, on a tether to the line. */
const TETHERED_M = 100;

export function bindMap(map: Sheet): void {
  const overlay = new Overlay(map, paletteNow());
  let held: Held | undefined;
  let live: ReadonlySet<number> = new Set();

  const dragged = (h: Held, at: Position) => {
    if (held !== h) {
      held = h;
      live = new Set(h.baseLegs);
      overlay.setPlan(state.planned.value, live);
    }
    state.preview(h.at(at));
  };
  const dropped = (h: Held, at: Position) => {
    held = undefined;
    // On a narrow sheet a card would cover what was just done.
    state.edit(h.at(at), h.says, state.narrow() ? { kind: "none" } : h.grip);
  };
  const cancelled = () => {
    held = undefined;
    state.dropDraft();
  };

  const handles = new Handles(map, {
    chosen: (grip) => state.select(grip),
    dragged: (grip, at) => dragged(held ?? holdGrip(grip), at),
    dropped: (grip, at) => dropped(held ?? holdGrip(grip), at),
    cancelled,
    nudged: (grip, at) => state.edit(holdGrip(grip).at(at), "Nudged", grip),
    deleted: (grip) => deleteGrip(grip),
  });

  // The plan, the handles and the dot follow the state.
  effect(() => {
    const planned = state.planned.value;
    if (held && planned && planned.tour !== held.base) live = new Set(held.legs);
    else if (!held && !state.draft.value) live = new Set();
    else if (held) live = new Set(held.baseLegs);
    overlay.setPlan(planned, live);
  });
  effect(() => handles.update(handleViews()));
  effect(() => {
    const placed = state.fresh.value ? (state.planned.value?.plan.points ?? []) : [];
    const t = state.shown.value;
    overlay.setTethers(
      placed.flatMap((at, i): [Position, Position][] => {
        const p = t.points[i];
        return p && at.offset_m >= TETHERED_M
          ? [
              [
                [p.lat, p.lon],
                [at.lat, at.lon],
              ],
            ]
          : [];
      }),
    );
  });
  effect(() => {
    const m = state.cursor.value;
    const spot = m === undefined ? undefined : state.course.value?.at(m);
    overlay.setDot(spot && [spot.lat, spot.lon]);
  });
  effect(() => {
    const sel = state.selection.value;
    let at: Position | undefined;
    if (sel.kind === "place") at = sel.at;
    if (sel.kind === "warning") at = state.warnings.value[sel.index]?.at ?? undefined;
    if (sel.kind === "leg") {
      const spot = state.course.value?.at(sel.m);
      at = spot && [spot.lat, spot.lon];
    }
    overlay.setChosen(at);
  });
  effect(() => overlay.setStretches(roads.shown.value));
  effect(() => overlay.setChoices(rides.shown.value));
  effect(() => overlay.setInk(paletteNow()));

  // Press on the line and drag it.
  const press = (lngLat: { lat: number; lng: number }, legs: number[]): Held | undefined => {
    const sel = state.selection.value;
    // Out and back on one road: the leg that is chosen goes first.
    const leg = sel.kind === "leg" && legs.includes(sel.leg) ? sel.leg : legs[0];
    if (leg === undefined || !state.fresh.value) return undefined;
    return holdLine(leg, [lngLat.lat, lngLat.lng]);
  };
  map.on("mousedown", HIT_LAYERS, (e) => {
    if (e.originalEvent.button !== 0 || e.originalEvent.ctrlKey || e.originalEvent.shiftKey) return;
    const h = press(e.lngLat, legsOf(e.features));
    if (!h) return;
    e.preventDefault();
    follow(e.originalEvent.clientX, e.originalEvent.clientY, "mouse", h);
  });
  map.on("touchstart", HIT_LAYERS, (e) => {
    const touch = e.originalEvent.touches[0];
    if (!touch || e.originalEvent.touches.length > 1) return;
    const h = press(e.lngLat, legsOf(e.features));
    if (!h) return;
    e.preventDefault();
    follow(touch.clientX, touch.clientY, "touch", h);
  });

  let stopFollowing: (() => void) | undefined;
  /** Follows the pointer from a press on the line until it is let go. */
  function follow(x0: number, y0: number, by: "mouse" | "touch", h: Held): void {
    const box = map.getCanvas().getBoundingClientRect();
    let moving = false;
    let [x, y] = [x0, y0];
    const place = (): Position => position(map.unproject([x - box.left, y - box.top]));
    const move = (e: MouseEvent | TouchEvent) => {
      const p = "touches" in e ? e.touches[0] : e;
      if (!p) return;
      if ("touches" in e && e.touches.length > 1) return lost();
      [x, y] = [p.clientX, p.clientY];
      if (!moving && Math.hypot(x - x0, y - y0) < SLACK_PX) return;
      moving = true;
      if (e.cancelable) e.preventDefault();
      map.getCanvas().style.cursor = "grabbing";
      dragged(h, place());
    };
    const events =
      by === "mouse" ? ["mousemove", "mouseup", "blur"] : ["touchmove", "touchend", "touchcancel"];
    const [moveEvent, upEvent, lostEvent] = events as [string, string, string];
    const end = () => {
      window.removeEventListener(moveEvent, move as EventListener);
      window.removeEventListener(upEvent, up);
      window.removeEventListener(lostEvent, lost);
      map.getCanvas().style.cursor = "";
      stopFollowing = undefined;
    };
    const up = () => {
      end();
      if (moving) dropped(h, place());
      // A touch whose default was prevented makes no click.
      else if (by === "touch") clickAt(x - box.left, y - box.top);
    };
    const lost = () => {
      end();
      if (moving) cancelled();
    };
    stopFollowing = lost;
    window.addEventListener(moveEvent, move as EventListener, { passive: false });
    window.addEventListener(upEvent, up);
    window.addEventListener(lostEvent, lost);
  }

  // A click asks what is there: a leg of the line, or a place on the map.
  function clickAt(x: number, y: number): void {
    const at = position(map.unproject([x, y]));
    const choice = map.getLayer(CHOICE_HIT)
      ? map.queryRenderedFeatures([x, y], { layers: [CHOICE_HIT] })[0]?.properties.index
      : undefined;
    if (choice !== undefined) {
      rides.picked.value = Number(choice);
      return;
    }
    const legs = map.getLayer(HIT_LAYERS[0] as string)
      ? legsOf(map.queryRenderedFeatures([x, y], { layers: HIT_LAYERS }))
      : [];
    const sel = state.selection.value;
    // Clicking again where several legs lie goes through them.
    const next = sel.kind === "leg" ? legs[(legs.indexOf(sel.leg) + 1) % legs.length] : legs[0];
    if (next !== undefined) {
      const spot = state.course.value?.nearest(at[0], at[1], next);
      state.select({ kind: "leg", leg: next, m: spot?.m ?? 0 });
      if (spot) state.cursor.value = spot.m;
    } else state.select(placeOf(map, at, [x, y]));
  }
  map.on("click", (e) => {
    if (!e.defaultPrevented) clickAt(e.point.x, e.point.y);
  });
  map.on("contextmenu", (e) => state.select(placeOf(map, position(e.lngLat), [e.point.x, e.point.y])));

  // Long press on touch, where there is no second button.
  let pressTimer: ReturnType<typeof setTimeout> | undefined;
  map.on("touchstart", (e) => {
    clearTimeout(pressTimer);
    if (e.points.length > 1 || e.defaultPrevented) return;
    pressTimer = setTimeout(
      () => state.select(placeOf(map, position(e.lngLat), [e.point.x, e.point.y])),
      LONG_PRESS_MS,
    );
  });
  for (const type of ["touchend", "touchmove", "touchcancel", "movestart"] as const) {
    map.on(type, () => clearTimeout(pressTimer));
  }

  // Hovering over the line moves the dot and the ribbon.
  map.on("mousemove", HIT_LAYERS, (e) => {
    if (held) return;
    map.getCanvas().style.cursor = "grab";
    const leg = legsOf(e.features)[0];
    const spot = state.course.value?.nearest(e.lngLat.lat, e.lngLat.lng, leg);
    if (spot) state.cursor.value = spot.m;
  });
  map.on("mouseleave", HIT_LAYERS, () => {
    map.getCanvas().style.cursor = "";
    if (state.selection.value.kind !== "leg") state.cursor.value = undefined;
  });

  // Enter on the map asks about the middle, marked by a cross while the map has the keyboard.
  map.getCanvas().addEventListener("keydown", (e) => {
    if (e.key !== "Enter" && e.key !== " ") return;
    e.preventDefault();
    const { clientWidth, clientHeight } = map.getCanvas();
    clickAt(clientWidth / 2, clientHeight / 2);
  });

  /** Esc lets go of whatever is held. */
  letGo = () => {
    if (stopFollowing) {
      stopFollowing();
      return true;
    }
    return handles.cancel();
  };
  focusGrip = (grip) => handles.focus(grip);
}

/** Lets go of what is held; true when something was. */
export let letGo: () => boolean = () => false;
/** Puts the keyboard on a handle. */
export let focusGrip: (grip: Grip) => void = () => {};

export function deleteGrip(grip: Grip): void {
  const t = state.tour.value;
  if (grip.kind === "drawn") {
    state.edit(edits.removeDrawn(t, grip.leg, grip.index), "Drawn point deleted", { kind: "none" });
  } else {
    const what = t.points[grip.index]?.kind === "via" ? "Via deleted" : "Stop deleted";
    state.edit(edits.remove(t, grip.index), what, { kind: "none" });
  }
}

function holdGrip(grip: Grip): Held {
  const base = state.tour.value;
  if (grip.kind === "drawn") {
    return {
      base,
      at: (p) => edits.moveDrawn(base, grip.leg, grip.index, p),
      legs: [grip.leg],
      baseLegs: [grip.leg],
      grip,
      says: "Drawn point moved",
    };
  }
  const legs = [grip.index - 1, grip.index];
  const says = base.points[grip.index]?.kind === "via" ? "Via moved" : "Stop moved";
  return { base, at: (p) => edits.move(base, grip.index, p), legs, baseLegs: legs, grip, says };
}

/** A press on the line: a via on a road leg, a drawn point on a free one. */
function holdLine(leg: number, pressed: Position): Held {
  const base = state.tour.value;
  const end = base.points[leg + 1];
  if (end?.leg === "free") {
    const index = drawnBefore(base, leg, pressed);
    return {
      base,
      at: (p) => edits.insertDrawn(base, leg, index, p),
      legs: [leg],
      baseLegs: [leg],
      grip: { kind: "drawn", leg, index },
      says: "Point drawn",
    };
  }
  return {
    base,
    at: (p) => edits.insert(base, leg, edits.newPoint("via", p)),
    legs: [leg, leg + 1],
    baseLegs: [leg],
    grip: { kind: "point", index: leg + 1 },
    says: "Via added",
  };
}

/** How many drawn points of a free leg lie before a place on it. */
export function drawnBefore(tour: Tour, leg: number, at: Position): number {
  const [from, to] = [tour.points[leg], tour.points[leg + 1]];
  if (!from || !to) return 0;
  const path = [[from.lat, from.lon], ...(to.drawn ?? []), [to.lat, to.lon]] as Position[];
  const foot = footOn(
    path.map((p) => p[0]),
    path.map((p) => p[1]),
    at,
  );
  return foot?.vertex ?? 0;
}

function legsOf(features: { properties?: Record<string, unknown> | null }[] | undefined): number[] {
  const legs = (features ?? []).map((f) => Number(f.properties?.leg)).filter((n) => Number.isInteger(n));
  return [...new Set(legs)].sort((a, b) => a - b);
}

/** What the map draws at a place: a town or a pass whose sign was hit, or the bare ground. */
function placeOf(map: Sheet, at: Position, [x, y]: [number, number]): state.Selection {
  const box: [[number, number], [number, number]] = [
    [x - 6, y - 6],
    [x + 6, y + 6],
  ];
  for (const f of map.queryRenderedFeatures(box)) {
    if (f.sourceLayer !== "places" || f.geometry.type !== "Point" || !f.properties?.name) continue;
    const [lon, lat] = f.geometry.coordinates as [number, number];
    const heightM = Number(f.properties.height_m);
    return {
      kind: "place",
      at: [lat, lon],
      found: {
        kind: String(f.properties.kind ?? ""),
        name: String(f.properties.name),
        detail: "",
        lat,
        lon,
        height_m: Number.isFinite(heightM) ? heightM : null,
        distance_m: null,
      },
    };
  }
  const roads = map.queryRenderedFeatures(box, { layers: ROAD_LAYERS.filter((id) => map.getLayer(id)) });
  const steps = roads.map((f) => Number(f.properties.worth)).filter(Number.isFinite);
  return steps.length > 0
    ? { kind: "place", at, worth: Math.max(...steps) / (WORTH_STEPS - 1) }
    : { kind: "place", at };
}

/** What stands on the map for the tour: its points, and the drawn points of free legs. */
function handleViews(): HandleView[] {
  const t = state.shown.value;
  const sel = state.selection.value;
  const dragging = state.draft.value !== undefined;
  const placed = state.fresh.value ? state.planned.value?.plan.points : undefined;
  const views: HandleView[] = [];
  const drawn: HandleView[] = [];
  let stops = 0;
  t.points.forEach((p, index) => {
    const isStop = p.kind === "stop";
    if (isStop) stops++;
    const at = placed?.[index];
    // During a drag the handle stays under the hand, afterwards it lies on the road.
    const where: Position = at && !dragging && at.offset_m < TETHERED_M ? [at.lat, at.lon] : [p.lat, p.lon];
    const name = pointName(t, index);
    views.push({
      grip: { kind: "point", index },
      at: where,
      look: !isStop ? "via" : index === 0 ? "start" : p.ends_day ? "bed" : "stop",
      text: isStop ? String(stops) : "",
      label: isStop ? `Stop ${stops}${name ? `, ${name}` : ""}` : `Via${name ? `, ${name}` : ""}`,
      chosen: sel.kind === "point" && sel.index === index,
    });
    if (p.leg !== "free") return;
    (p.drawn ?? []).forEach((d, i) => {
      drawn.push({
        grip: { kind: "drawn", leg: index - 1, index: i },
        at: d,
        look: "drawn",
        text: "",
        label: `Drawn point ${i + 1} of the leg to ${name || "the next point"}`,
        chosen: sel.kind === "drawn" && sel.leg === index - 1 && sel.index === i,
      });
    });
  });
  return [...views, ...drawn];
}

/** A point's own name, or that of the road it lies on. */
export function pointName(t: Tour, index: number): string {
  const own = t.points[index]?.name;
  if (own) return own;
  const planned = state.planned.value;
  return planned?.tour.points.length === t.points.length ? (planned.plan.points[index]?.road ?? "") : "";
}
