// What is proposed: other ways for a leg, a better line that may take longer, round trips. One search at
// a time; it says how far it is, can be stopped, and ends in a few rides to choose from.

import { computed, effect, signal } from "@preact/signals";
import * as api from "../api";
import type { ShownChoice } from "../edit/offers";
import type { Progress } from "../plan/stream";
import type { Position } from "../tour/edits";
import * as edits from "../tour/edits";
import { type Budget, budgetOf } from "../tour/round";
import type { Proposal } from "../types/Proposal";
import type { Proposals } from "../types/Proposals";
import type { Tour } from "../types/Tour";
import type { TourPoint } from "../types/TourPoint";
import * as actions from "./actions";
import * as state from "./state";

/** What can be asked for. */
export type Asked =
  | { kind: "alternatives"; leg: number }
  | { kind: "between"; leg: number }
  | { kind: "round"; from: Position; name: string };

/** The search as it stands. */
export interface Search {
  asked: Asked;
  /** The tour it was asked on; another one makes its rides worthless. */
  tour: Tour;
  progress?: Progress;
  found?: Proposals;
  trouble?: string;
}

export const asked = signal<Asked | undefined>(undefined);
export const search = signal<Search | undefined>(undefined);
export const picked = signal(0);

/** What the fields of the card hold. */
export const longerMin = signal(40);
export const budget = signal<Budget>({ unit: "h", amount: 3 });
export const heading = signal<number | undefined>(undefined);

const MOST_ROUNDS = 4;

const open = computed(() => state.panel.value === "rides" && state.selection.value.kind === "none");
const found = computed(() => (open.value ? (search.value?.found?.proposals ?? []) : []));
/** The rides on the map. */
export const shown = computed((): ShownChoice[] =>
  found.value.map(({ lat, lon }, index) => ({ index, lat, lon, chosen: index === picked.value })),
);

/** Opens the card of a kind of search. What needs no more words begins at once. */
export function ask(what: Asked): void {
  stop();
  search.value = undefined;
  asked.value = what;
  state.open("rides");
  if (what.kind === "alternatives") void begin();
}

/** Round trips from a place; without one from the start of the tour, or from the middle of the map. */
export function askRound(at?: Position, name = ""): void {
  const start = state.tour.value.points[0];
  const from = at ?? (start ? ([start.lat, start.lon] as Position) : actions.onMap.middle?.());
  if (!from) return;
  const called = name || (at ? "" : start ? actions.label(0) : "the middle of the map");
  ask({ kind: "round", from, name: called });
}

let flight: AbortController | undefined;

export async function begin(): Promise<void> {
  const what = asked.value;
  if (!what) return;
  state.settle();
  stop();
  const mine = new AbortController();
  flight = mine;
  const tour = state.tour.value;
  const now = () => flight === mine;
  search.value = { asked: what, tour, progress: { share: 0, stage: "" } };
  picked.value = 0;
  state.say("Looking for rides");
  try {
    const found = await propose(what, tour, mine.signal, (progress) => {
      if (now()) search.value = { asked: what, tour, progress };
    });
    if (!now()) return;
    search.value = { asked: what, tour, found };
    if (open.value) bringIntoView(found.proposals);
    const count = found.proposals.length;
    state.say(count === 0 ? "Nothing found" : `${count} ${count === 1 ? "ride" : "rides"} to choose from`);
  } catch (error) {
    if (!now() || mine.signal.aborted) return;
    if (error instanceof api.Silence) state.offline.value = true;
    const trouble = error instanceof Error ? error.message : String(error);
    search.value = { asked: what, tour, trouble };
    state.say(trouble);
  } finally {
    if (now()) flight = undefined;
  }
}

/** Shows all of the rides, unless they are all to be seen. */
function bringIntoView(proposals: readonly Proposal[]): void {
  const box = (degs: number[][], pick: (...n: number[]) => number) => pick(...degs.map((d) => pick(...d)));
  const lats = proposals.map((p) => p.lat).filter((d) => d.length > 0);
  const lons = proposals.map((p) => p.lon).filter((d) => d.length > 0);
  const view = actions.onMap.view?.();
  if (lats.length === 0 || !view) return;
  const min = (...n: number[]) => n.reduce((a, b) => Math.min(a, b));
  const max = (...n: number[]) => n.reduce((a, b) => Math.max(a, b));
  const [w, s, e, n] = [box(lons, min), box(lats, min), box(lons, max), box(lats, max)];
  if (w < view[0] || s < view[1] || e > view[2] || n > view[3]) state.onMap.fit?.([w, s, e, n]);
}

/** Stops a search; what it had is gone. */
export function stop(): void {
  if (!flight) return;
  flight.abort();
  flight = undefined;
  search.value = undefined;
}

function propose(what: Asked, tour: Tour, signal: AbortSignal, progress: (p: Progress) => void) {
  if (what.kind === "alternatives") {
    return api.propose("alternatives", { tour, leg: what.leg }, progress, signal);
  }
  if (what.kind === "between") {
    const [from, to] = [tour.points[what.leg], tour.points[what.leg + 1]];
    const place = (p: TourPoint | undefined) => [p?.lat ?? 0, p?.lon ?? 0];
    const { region, taste } = tour;
    const body = { region, taste, from: place(from), to: place(to), longer_min: longerMin.value };
    return api.propose("between", body, progress, signal);
  }
  const body = {
    region: tour.region,
    taste: tour.taste,
    from: what.from,
    ...budgetOf(budget.value, tour.depart),
    heading_deg: heading.value ?? null,
    how_many: MOST_ROUNDS,
    twice: false,
  };
  return api.propose("round", body, progress, signal);
}

/** The tour with a proposal in it. */
export function withProposal({ asked: what, tour }: Search, proposal: Proposal): Tour {
  if (what.kind === "round") return edits.replacePoints(tour, proposal.points);
  return edits.fill(tour, what.leg, proposal.points.slice(1, -1));
}

/** Takes the picked ride: it becomes the tour, or its leg. */
export function take(): void {
  const now = search.value;
  const proposal = now?.found?.proposals[picked.value];
  if (!now || !proposal) return;
  if (now.tour !== state.tour.value) {
    return state.tell("The tour has changed since: look again.");
  }
  const round = now.asked.kind === "round";
  state.edit(withProposal(now, proposal), round ? "The round trip is the tour now" : "The leg rides it now");
  close();
  if (round) {
    state.fitTour();
    state.tell("The round trip is the tour now", { label: "Undo", run: state.undo });
  }
}

export function close(): void {
  stop();
  search.value = undefined;
  asked.value = undefined;
  if (state.panel.value === "rides") state.panel.value = undefined;
}

export function listen(): void {
  effect(() => {
    if (state.panel.value !== "rides") {
      stop();
      search.value = undefined;
    }
  });
  // Rides of a tour that is no longer there are not offered.
  effect(() => {
    const now = search.value;
    if (now?.found && now.tour !== state.tour.value) search.value = undefined;
  });
}
