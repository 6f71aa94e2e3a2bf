import type { Map as GlMap } from "maplibre-gl";
import { render } from "preact";
import { listenToKeys } from "./page/keys";
import { sheet } from "./page/MapView";
import { Page } from "./page/Page";
import * as rides from "./page/rides";
import * as roads from "./page/roads";
import * as state from "./page/state";
import * as taste from "./page/taste";
import { dress } from "./page/theme";
import type { Plan } from "./types/Plan";
import type { Tour } from "./types/Tour";
import "./page/page.css";

declare global {
  interface Window {
    /** A way in for tests and the curious: the map, the document and what was worked out from it. */
    lacet: { map?: GlMap; tour(): Tour; plan(): Plan | undefined; settled(): boolean; shaded(): boolean };
  }
}

window.lacet = {
  /** Nothing is on its way: the plan is that of the tour, and the shelf has it. */
  settled: () =>
    !state.planning.value &&
    state.keepState.value === "kept" &&
    (state.fresh.value || state.shown.value.points.length === 0),
  /** The roads on the map are shaded by what they are to be shaded by. */
  shaded: () => sheet?.shaded() ?? false,
  tour: () => state.shown.value,
  plan: () => {
    const planned = state.planned.value;
    if (!planned) return undefined;
    return {
      ...planned.plan,
      legs: planned.plan.legs.map((leg, i) => ({ ...leg, line: planned.lines[i] ?? null })),
    };
  },
};

dress();
taste.listen();
roads.listen();
rides.listen();
listenToKeys();
render(<Page />, document.getElementById("page") as HTMLElement);
void state.boot();
