// Stretches of road worth riding: the one a card is about, the best in view, and riding one.

import { computed, effect, signal } from "@preact/signals";
import * as api from "../api";
import type { ShownStretch } from "../edit/offers";
import * as format from "../format";
import { followed, rideOver, type Trial } from "../tour/ride";
import type { Stretch } from "../types/Stretch";
import type { Tour } from "../types/Tour";
import * as actions from "./actions";
import * as state from "./state";

/** How many of the best are listed. */
const MOST = 10;

/** The best stretches in view, best first; `undefined` while nobody asked. */
export const best = signal<Stretch[] | undefined>(undefined);
export const looking = signal(false);
/** The one under the pointer or the keyboard in the list. */
export const pointed = signal<number | undefined>(undefined);
/** Lines of stretches seen so far, by region and number. */
const lines = signal<ReadonlyMap<string, WithLine>>(new Map());
type WithLine = Stretch & { lat: number[]; lon: number[] };

const keyOf = (id: number) => `${state.region.value?.id} ${id}`;
/** A stretch with its line, once that has come. */
export const lineOf = (id: number): WithLine | undefined => lines.value.get(keyOf(id));

/** The number of the stretch the card is about. */
const chosenId = computed(() => {
  const sel = state.selection.value;
  if (sel.kind === "stretch") return sel.id;
  if (sel.kind === "place") return state.roadHit.value?.stretch?.id;
  return listed() ? pointed.value : undefined;
});
const listed = () => state.panel.value === "roads" && state.selection.value.kind === "none";

/** What the map shows of it. */
export const shown = computed((): ShownStretch[] => {
  const ids = new Set(listed() ? best.value?.map((s) => s.id) : []);
  const chosen = chosenId.value;
  if (chosen !== undefined) ids.add(chosen);
  return [...ids]
    .map((id) => lineOf(id))
    .filter((s) => s !== undefined)
    .map(({ id, lat, lon }) => ({ id, lat, lon, chosen: id === chosen }));
});

async function fetchLine(id: number): Promise<WithLine | undefined> {
  const region = state.region.value;
  const key = keyOf(id);
  if (!region || lines.peek().has(key)) return lines.peek().get(key);
  try {
    const { lat = [], lon = [], ...rest } = await api.getStretch(region.name, id);
    const stretch = { ...rest, lat, lon };
    lines.value = new Map([...lines.peek(), [key, stretch]]);
    return stretch;
  } catch (error) {
    if (error instanceof api.Silence) state.offline.value = true;
    return undefined;
  }
}

let flight: AbortController | undefined;
/** Looks for the best stretches in view. */
export async function look(): Promise<void> {
  const region = state.region.value;
  const view = actions.onMap.view?.();
  if (!region || !view) return;
  flight?.abort();
  const mine = new AbortController();
  flight = mine;
  looking.value = true;
  try {
    const found = await api.bestStretches(region.name, view, MOST, mine.signal);
    if (flight !== mine) return;
    best.value = found;
    looking.value = false;
    await Promise.all(found.map((s) => fetchLine(s.id)));
  } catch (error) {
    if (flight !== mine) return;
    looking.value = false;
    state.trouble(error);
  }
}

/** Opens the card of a stretch and shows all of it. */
export async function show(id: number): Promise<void> {
  state.select({ kind: "stretch", id });
  if (await fetchLine(id)) fitTo(id);
}

/** Shows all of a stretch. */
export function fitTo(id: number): void {
  const stretch = lineOf(id) ?? best.value?.find((s) => s.id === id);
  if (stretch) state.onMap.fit?.(stretch.bounds_deg);
}

/** The map was moved: what is best in view is another thing. */
export function moved(): void {
  if (listed()) void look();
}

/** A stretch is being brought into the line. */
export const riding = signal(false);

/** Bends the line over a stretch, with as few vias as it takes. */
export async function ride(id: number): Promise<void> {
  state.settle();
  const road = await fetchLine(id);
  if (!road || riding.value) return;
  const base = state.tour.value;
  const now = state.fresh.value ? state.planned.value : undefined;
  if (now && now.lines.length > 0 && followed(road, now.lines).share > 0.95) {
    return state.tell("The line already goes over this stretch.");
  }
  riding.value = true;
  try {
    const found = await rideOver(base, road, trial);
    if (state.tour.value !== base) return;
    if (!found) {
      return state.tell("No line goes over this stretch with this taste: it may be closed or not joined up.");
    }
    const whole = found.share > 0.95;
    state.edit(found.tour, whole ? "The line goes over it now" : "The line goes over most of it now");
    state.tell(
      `On the line now: ${whole ? "" : `${Math.round(found.share * 100)}\u00a0% of `}${called(road)}`,
      { label: "Undo", run: state.undo },
    );
  } catch (error) {
    state.trouble(error);
  } finally {
    riding.value = false;
  }
}

async function trial(tour: Tour): Promise<Trial> {
  const plan = await api.postPlan({ tour, have: [] }, new AbortController().signal);
  return {
    lines: plan.legs.filter((leg) => !leg.trouble).flatMap((leg) => (leg.line ? [leg.line] : [])),
    ridingS: plan.total.riding_s,
  };
}

/** "Coll d'Ordino, 14 km". */
export const called = (s: { name: string; length_m: number }) =>
  `${s.name || "a road without a name"}, ${format.length(s.length_m, state.units.value)}`;

/** Keeps the lines of what is shown on their way. */
export function listen(): void {
  effect(() => {
    const id = chosenId.value;
    if (id !== undefined) void fetchLine(id);
  });
  effect(() => {
    if (!listed()) {
      pointed.value = undefined;
      return;
    }
    void look();
  });
}
