import type { Map as GlMap } from "maplibre-gl";
import { render } from "preact";
import { listenToKeys } from "./page/keys";
import { Page } from "./page/Page";
import * as state from "./page/state";
import { dress } from "./page/theme";
import type { Plan } from "./types/Plan";
import type { Tour } from "./types/Tour";
import "./page/page.css";

declare global {
  interface Window {
    /** A way in for tests and the curious: the map, the document and what was worked out from it. */
    lacet: { map?: GlMap; tour(): Tour; plan(): Plan | undefined; settled(): boolean };
  }
}

window.lacet = {
  /** Nothing is on its way: the plan is that of the tour, and the shelf has it. */
  settled: () =>
    !state.planning.value &&
    state.keepState.value === "kept" &&
    (state.fresh.value || state.shown.value.points.length === 0),
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
listenToKeys();
render(<Page />, document.getElementById("page") as HTMLElement);
void state.boot();
