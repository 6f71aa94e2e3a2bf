// Stops, vias and drawn points as buttons on the map: dragged by pointer, nudged by arrow keys,
// reached by Tab. They are real buttons so that a screen reader and a keyboard find them.

import { type LngLat, Marker, type Map as Sheet } from "maplibre-gl";
import type { Position } from "../tour/edits";

export type Grip = { kind: "point"; index: number } | { kind: "drawn"; leg: number; index: number };

/** How one handle looks and what it is called. */
export interface HandleView {
  grip: Grip;
  at: Position;
  /** `start`, `stop`, `via`, `drawn`, `bed`. */
  look: string;
  /** What stands in it, may be empty. */
  text: string;
  /** What a screen reader and a tooltip say. */
  label: string;
  chosen: boolean;
}

export interface HandleHooks {
  chosen(grip: Grip): void;
  /** Called with each move of the hand. */
  dragged(grip: Grip, at: Position): void;
  dropped(grip: Grip, at: Position): void;
  cancelled(grip: Grip): void;
  /** Arrow keys: new place. */
  nudged(grip: Grip, at: Position): void;
  deleted(grip: Grip): void;
}

/** A hand is never quite still: less is a click. */
const SLACK_PX = 4;
const NUDGE_PX = 10;

interface Handle {
  marker: Marker;
  element: HTMLButtonElement;
  view: HandleView;
}

export class Handles {
  #map: Sheet;
  #hooks: HandleHooks;
  #handles: Handle[] = [];
  #cancel: (() => void) | undefined;

  constructor(map: Sheet, hooks: HandleHooks) {
    this.#map = map;
    this.#hooks = hooks;
  }

  /** Shows these handles, in this order; elements stay with their place in the order. */
  update(views: HandleView[]): void {
    while (this.#handles.length > views.length) this.#handles.pop()?.marker.remove();
    views.forEach((view, i) => {
      const handle = this.#handles[i] ?? this.#make(view);
      this.#handles[i] = handle;
      handle.view = view;
      handle.marker.setLngLat([view.at[1], view.at[0]]);
      const { element } = handle;
      const look = `handle handle-${view.look}${view.chosen ? " handle-chosen" : ""}`;
      // Marker adds classes of its own that must stay.
      const own = [...element.classList].filter((c) => c.startsWith("maplibregl"));
      const className = [...own, ...look.split(" ")].join(" ");
      if (element.className !== className) element.className = className;
      if (element.textContent !== view.text) element.textContent = view.text;
      if (element.title !== view.label) {
        element.title = view.label;
        element.setAttribute("aria-label", view.label);
      }
      element.setAttribute("aria-pressed", String(view.chosen));
    });
  }

  /** Lets go of what is held; returns whether anything was. */
  cancel(): boolean {
    const cancel = this.#cancel;
    cancel?.();
    return cancel !== undefined;
  }

  focus(grip: Grip): void {
    const same = this.#handles.find((h) => JSON.stringify(h.view.grip) === JSON.stringify(grip));
    same?.element.focus({ preventScroll: true });
  }

  #make(view: HandleView): Handle {
    const element = document.createElement("button");
    element.type = "button";
    const marker = new Marker({ element }).setLngLat([view.at[1], view.at[0]]).addTo(this.#map);
    element.setAttribute("role", "button");
    const handle: Handle = { marker, element, view };
    // The map must not pan or zoom under a hand that holds a handle.
    for (const type of ["mousedown", "touchstart", "dblclick", "click"]) {
      element.addEventListener(type, (e) => e.stopPropagation());
    }
    element.addEventListener("click", (e) => {
      if (e.detail === 0) this.#hooks.chosen(handle.view.grip);
    });
    element.addEventListener("pointerdown", (e) => this.#press(handle, e));
    element.addEventListener("keydown", (e) => this.#key(handle, e));
    return handle;
  }

  #press(handle: Handle, down: PointerEvent): void {
    if (down.button !== 0) return;
    down.stopPropagation();
    const { element } = handle;
    const { grip } = handle.view;
    const start = this.#map.project(handle.marker.getLngLat());
    let moving = false;
    element.setPointerCapture(down.pointerId);
    const place = (e: PointerEvent): Position =>
      position(this.#map.unproject([start.x + e.clientX - down.clientX, start.y + e.clientY - down.clientY]));
    const move = (e: PointerEvent) => {
      if (e.pointerId !== down.pointerId) return;
      if (!moving && Math.hypot(e.clientX - down.clientX, e.clientY - down.clientY) < SLACK_PX) return;
      moving = true;
      element.classList.add("handle-held");
      this.#hooks.dragged(grip, place(e));
    };
    const end = () => {
      element.removeEventListener("pointermove", move);
      element.removeEventListener("pointerup", up);
      element.removeEventListener("pointercancel", lost);
      element.classList.remove("handle-held");
      this.#cancel = undefined;
    };
    const up = (e: PointerEvent) => {
      end();
      if (moving) this.#hooks.dropped(grip, place(e));
      else this.#hooks.chosen(grip);
    };
    const lost = () => {
      end();
      if (moving) this.#hooks.cancelled(grip);
    };
    this.#cancel = lost;
    element.addEventListener("pointermove", move);
    element.addEventListener("pointerup", up);
    element.addEventListener("pointercancel", lost);
  }

  #key(handle: Handle, e: KeyboardEvent): void {
    const { grip } = handle.view;
    const step = e.shiftKey ? 1 : NUDGE_PX;
    const way: Record<string, [number, number]> = {
      ArrowLeft: [-step, 0],
      ArrowRight: [step, 0],
      ArrowUp: [0, -step],
      ArrowDown: [0, step],
    };
    const by = way[e.key];
    if (by && !e.altKey && !e.ctrlKey && !e.metaKey) {
      const from = this.#map.project(handle.marker.getLngLat());
      this.#hooks.nudged(grip, position(this.#map.unproject([from.x + by[0], from.y + by[1]])));
    } else if (e.key === "Delete" || e.key === "Backspace") this.#hooks.deleted(grip);
    else return;
    e.preventDefault();
    e.stopPropagation();
  }
}

export const position = ({ lat, lng }: LngLat): Position => [lat, lng];
