// What the page knows, as signals, and the few actions that change it. Data goes one way: an action
// makes a new document, the document is kept and planned, the plan is shown.

import { batch, computed, signal } from "@preact/signals";
import * as api from "../api";
import type { Units } from "../format";
import { BEND_CLASSES_DEG_PER_KM } from "../map/palette";
import { PlanClient, type Planned } from "../plan/client";
import { Course } from "../plan/course";
import { emptyTour, type Position } from "../tour/edits";
import { History } from "../tour/history";
import { Keeper, type KeepState, type Slot } from "../tour/keeper";
import type { FoundPlace } from "../types/FoundPlace";
import type { NearRoad } from "../types/NearRoad";
import type { RegionInfo } from "../types/RegionInfo";
import type { Taste } from "../types/Taste";
import type { Tour } from "../types/Tour";
import type { TourEntry } from "../types/TourEntry";
import type { Warning } from "../types/Warning";
import * as backup from "./backup";

export type Selection =
  | { kind: "none" }
  | { kind: "point"; index: number }
  | { kind: "leg"; leg: number; m: number }
  | { kind: "drawn"; leg: number; index: number }
  /** `worth`: of the road there to the taste the map is shaded by, 0 to 1. */
  | { kind: "place"; at: Position; found?: FoundPlace; worth?: number }
  | { kind: "stretch"; id: number }
  | { kind: "warning"; index: number };

/** What the card's place shows when nothing is selected. */
export type Panel = "tour" | "taste" | "roads" | "rides" | "shelf" | "warnings" | "keys";
export type PaletteChoice = "system" | "day" | "night";

export const regions = signal<RegionInfo[]>([]);
export const region = signal<RegionInfo | undefined>(undefined);
export const tastes = signal<Taste[]>([]);
export const entries = signal<TourEntry[]>([]);
/** The document as committed. */
export const tour = signal<Tour>(emptyTour(""));
/** The document under the rider's hand during a drag. */
export const draft = signal<Tour | undefined>(undefined);
export const planned = signal<Planned | undefined>(undefined);
export const planning = signal(false);
/** Why the present tour has no plan. */
export const planTrouble = signal<string | undefined>(undefined);
export const offline = signal(false);
export const keepState = signal<KeepState>("kept");
export const keepTrouble = signal<string | undefined>(undefined);
export const selection = signal<Selection>({ kind: "none" });
/** The tour's panel was opened by hand, so it shows even while there is nothing in it. */
export const askedForTour = signal(false);
export const panel = signal<Panel | undefined>(undefined);
/** Metres along the tour under the pointer or the ribbon's slider. */
export const cursor = signal<number | undefined>(undefined);
export const units = signal<Units>("metric");
export const palette = signal<PaletteChoice>("system");
const systemDark = signal(false);
export const dark = computed(() =>
  palette.value === "system" ? systemDark.value : palette.value === "night",
);
export const toast = signal<{ text: string; action?: { label: string; run(): void } } | undefined>(undefined);
/** Last thing said to a screen reader. */
export const voice = signal("");
export const booted = signal(false);
export const historyDepth = signal({ undo: false, redo: false });

/** The document to show: what is dragged, or what is. */
export const shown = computed(() => draft.value ?? tour.value);
export const course = computed(() => (planned.value ? new Course(planned.value) : undefined));
/** Whether the plan on the screen is that of the document on the screen. */
export const fresh = computed(() => planned.value?.tour === shown.value);
export const warnings = computed<Warning[]>(() => planned.value?.plan.warnings ?? []);
/** The road under a selected place, once it is known. */
export const road = signal<NearRoad | undefined>(undefined);
/** The same, when it was the road that was asked about and not the ground beside it. */
export const roadHit = signal<NearRoad | undefined>(undefined);

let history = new History<Tour>(tour.value);
let keeper = newKeeper();
let remembered: api.Remembered = {};
let fitWhenPlanned = false;
/** Set by the map when it is there. */
export const onMap: { fit?: (bounds: [number, number, number, number]) => void } = {};

export const client = new PlanClient({
  async post(body, signal) {
    const plan = await api.postPlan(body, signal);
    offline.value = false;
    return plan;
  },
  connect: api.openHand,
  planned: (result) => {
    batch(() => {
      offline.value = false;
      planned.value = result;
      planTrouble.value = undefined;
    });
    // While one is held or turned, and for what is no longer asked about, nothing is said.
    if (!draft.value && fresh.value) arrived();
  },
  failed: (error) => {
    if (error instanceof api.Silence) {
      offline.value = true;
      setTimeout(() => offline.value && client.request(shown.value), 3000);
    } else {
      planTrouble.value = error instanceof Error ? error.message : String(error);
      voice.value = planTrouble.value;
    }
  },
  busy: (busy) => {
    planning.value = busy;
  },
});

/** The plan of the committed document is here. */
function arrived(): void {
  if (fitWhenPlanned) {
    fitWhenPlanned = false;
    fitTour();
  }
  keepLength();
  if (planned.value) sayPlan(planned.value);
}

/** Commits an edited document: kept, planned, undoable. */
export function edit(next: Tour, says: string, select?: Selection): void {
  forgetTurning();
  draft.value = undefined;
  if (next === tour.value) return;
  history.push(next);
  arrive(says, select);
}

/** Shows a document that is not decided yet. */
export function preview(next: Tour): void {
  draft.value = next;
  client.request(next, true);
}

/** Drops what is under the hand; the line goes back. */
export function dropDraft(): void {
  if (!draft.value) return;
  draft.value = undefined;
  client.request(tour.value);
}

/** A document that is being turned by dials: it decides itself when they rest, one step to undo. */
let turning: { next: Tour; says: string; timer: ReturnType<typeof setTimeout> } | undefined;
const REST_MS = 700;

export function turn(next: Tour, says: string): void {
  forgetTurning();
  turning = { next, says, timer: setTimeout(settle, REST_MS) };
  preview(next);
}
/** Decides what dials were turned to; called before anything else is done to the tour. */
export function settle(): void {
  if (turning) edit(turning.next, turning.says);
}
function forgetTurning(): void {
  clearTimeout(turning?.timer);
  turning = undefined;
}

export function undo(): void {
  settle();
  if (!history.canUndo) return say("Nothing to undo");
  history.undo();
  arrive("Undone");
}
export function redo(): void {
  settle();
  if (!history.canRedo) return say("Nothing to redo");
  history.redo();
  arrive("Done again");
}

function arrive(says: string, select?: Selection): void {
  batch(() => {
    tour.value = history.now;
    historyDepth.value = { undo: history.canUndo, redo: history.canRedo };
    if (select) selection.value = select;
    else selection.value = stillThere(selection.value, history.now);
  });
  say(says);
  keeper.keep(tour.value, lengthNow());
  // What the dials were turned to may be planned already.
  if (fresh.value && !planning.value) arrived();
  else client.request(tour.value);
}

function stillThere(sel: Selection, t: Tour): Selection {
  if (sel.kind === "point" && !t.points[sel.index]) return { kind: "none" };
  if (sel.kind === "leg" && !t.points[sel.leg + 1]) return { kind: "none" };
  if (sel.kind === "drawn" && !t.points[sel.leg + 1]?.drawn?.[sel.index]) return { kind: "none" };
  return sel;
}

export function select(next: Selection): void {
  batch(() => {
    selection.value = next;
    road.value = roadHit.value = undefined;
    if (next.kind === "none") cursor.value = undefined;
  });
}

/** Shows a panel instead of a card; the same one again closes it. */
export function show(next: Panel | undefined): void {
  batch(() => {
    const seen = next !== "tour" || tour.value.points.length > 0 || askedForTour.value;
    const open = selection.value.kind === "none" && panel.value === next && seen;
    panel.value = open ? undefined : next;
    askedForTour.value = panel.value === "tour";
    selection.value = { kind: "none" };
  });
  if (next === "shelf") void refreshShelf();
}
/** Opens a panel and leaves it open. */
export function open(next: Panel): void {
  if (panel.value !== next || selection.value.kind !== "none") show(next);
}

/** On a narrow sheet the map needs the room; the tour's panel comes when it is asked for. */
export const narrow = () => matchMedia("(max-width: 640px)").matches;

/** After opening or beginning a tour: what is in it, where there is room. */
export function showTour(): void {
  panel.value = narrow() ? undefined : "tour";
}

let saying = 0;
/** Says something to a screen reader; said again even when it is the same. */
export function say(text: string): void {
  saying++;
  voice.value = saying % 2 ? text : `${text}\u200b`;
}

let toastTimer: ReturnType<typeof setTimeout> | undefined;
export function tell(text: string, action?: { label: string; run(): void }): void {
  clearTimeout(toastTimer);
  toast.value = action ? { text, action } : { text };
  say(text);
  // With something to press it stays long enough to be reached by keyboard.
  toastTimer = setTimeout(() => (toast.value = undefined), action ? 20_000 : 7_000);
}

function sayPlan({ plan }: Planned): void {
  if (plan.legs.length === 0) return;
  const km = `${(plan.total.length_m / 1000).toFixed(0)} km`;
  const miles = `${(plan.total.length_m / 1609.344).toFixed(0)} miles`;
  const hours = Math.floor(plan.total.riding_s / 3600);
  const minutes = Math.round((plan.total.riding_s % 3600) / 60);
  const count = plan.warnings.length;
  say(
    `${units.value === "miles" ? miles : km}, ${hours} hours ${minutes} minutes of riding` +
      (count ? `, ${count} ${count === 1 ? "warning" : "warnings"}` : ""),
  );
}

// ---- keeping ----

function lengthNow(): number | undefined {
  return planned.value?.tour === tour.value ? planned.value.plan.total.length_m : undefined;
}

let keptLength: { tour: Tour; lengthM: number } | undefined;
/** The shelf's list shows lengths; they are known only after planning. */
function keepLength(): void {
  const lengthM = lengthNow();
  if (lengthM === undefined || !keeper.slot || !history.canUndo) return;
  if (keptLength?.tour === tour.value) return;
  keptLength = { tour: tour.value, lengthM };
  keeper.keep(tour.value, lengthM);
}

function newKeeper(slot?: Slot): Keeper {
  const mine: Keeper = new Keeper(
    {
      create: api.createTour,
      save: api.saveTour,
      created: (made) => {
        // What was changed while the tour was being made is still under no id.
        const newest = backup.read(undefined);
        backup.forget(undefined);
        if (newest) backup.write(newest.tour, made);
        if (keeper === mine) rememberTour(made.id);
      },
      state: (state, why) => {
        if (keeper !== mine) return;
        keepState.value = state;
        keepTrouble.value = state === "waiting" && !(why instanceof api.Silence) ? why?.message : undefined;
        if (state === "waiting" && why instanceof api.Silence) offline.value = true;
        if (state === "kept") offline.value = false;
        if (state === "conflict") say("This tour was changed elsewhere. Choose which to keep.");
      },
      later: (again, delayMs) => setTimeout(again, delayMs),
      backup: { write: (t, s) => backup.write(t, s), clear: () => backup.forget(mine.slot) },
    },
    slot,
  );
  return mine;
}

export const conflict = () => keeper.conflict;
export const keepMine = () => keeper.keepMine();
export const keepBoth = () => keeper.keepBoth();
export function takeTheirs(): void {
  const newer = keeper.conflict;
  if (!newer) return;
  backup.forget(keeper.slot);
  become(newer.tour, { id: newer.id, revision: newer.revision });
}

/** The id the shelf has this tour under. */
export const currentId = () => keeper.slot?.id;

// ---- tours ----

function become(next: Tour, slot?: Slot): void {
  settle();
  client.cancel();
  history = new History(next);
  keeper = newKeeper(slot);
  const where = regions.value.find((r) => r.name === next.region);
  batch(() => {
    tour.value = next;
    draft.value = undefined;
    planned.value = undefined;
    planTrouble.value = where
      ? undefined
      : `This tour is planned on "${next.region}", which is not imported here. Import it, or open another tour.`;
    keepState.value = "kept";
    keepTrouble.value = undefined;
    selection.value = { kind: "none" };
    cursor.value = undefined;
    historyDepth.value = { undo: false, redo: false };
    if (where) region.value = where;
  });
  rememberTour(slot?.id);
  if (where && next.points.length > 0) client.request(next);
}

export function newTour(regionName = region.value?.name ?? ""): void {
  become(emptyTour(regionName, tour.value.taste));
  showTour();
  say("New tour");
}

export async function openTour(id: string, andFit = true): Promise<boolean> {
  try {
    const unsaved = backup.read(id);
    const kept = await api.getTour(id);
    if (kept.deleted) return false;
    become(kept.tour, { id, revision: kept.revision });
    fitWhenPlanned = andFit;
    if (unsaved && JSON.stringify(unsaved.tour) !== JSON.stringify(kept.tour)) {
      // Changes that never reached the shelf; an outdated revision ends in the question which to keep.
      keeper = newKeeper(unsaved.slot ?? { id, revision: kept.revision });
      history.push(unsaved.tour);
      arrive("Changes that were not kept yet are back");
    } else backup.forget({ id, revision: 0 });
    showTour();
    return true;
  } catch (error) {
    trouble(error);
    return false;
  }
}

/** Opens a tour that comes from a file or is a copy; it goes on the shelf at once. */
export function adopt(next: Tour): void {
  become(next);
  fitWhenPlanned = true;
  showTour();
  keeper.keep(next);
}

export async function refreshShelf(): Promise<void> {
  try {
    entries.value = await api.listTours();
  } catch (error) {
    trouble(error);
  }
}

export async function discard(entry: TourEntry): Promise<void> {
  try {
    await api.deleteTour(entry.id);
    if (currentId() === entry.id) newTour();
    panel.value = "shelf";
    await refreshShelf();
    tell(`"${entry.name || "Tour without a name"}" is in the bin`, {
      label: "Bring back",
      run: () => void bringBack(entry),
    });
  } catch (error) {
    trouble(error);
  }
}

export async function bringBack(entry: TourEntry): Promise<void> {
  try {
    await api.restoreTour(entry.id);
    toast.value = undefined;
    await refreshShelf();
    say("Brought back");
  } catch (error) {
    trouble(error);
  }
}

export async function duplicate(entry: TourEntry): Promise<void> {
  try {
    const { tour: original } = await api.getTour(entry.id);
    adopt({ ...original, name: `${original.name || "Tour"} (copy)` });
    tell("This is the copy now");
  } catch (error) {
    trouble(error);
  }
}

export async function openFile(file: File): Promise<void> {
  if (!region.value) return;
  try {
    const answer = await api.readFile(region.value.name, file);
    adopt(answer.tour);
    tell([`${file.name}: ${answer.summary}`, ...answer.warnings].join(" · "));
  } catch (error) {
    trouble(error);
  }
}

export async function takeFile(kind: api.FileKind, splitDays: boolean): Promise<void> {
  if (tour.value.points.length < 2) return tell("There is no line yet: set a start and a second stop first.");
  try {
    const { name, blob } = await api.exportFile(kind, tour.value, splitDays);
    download(name, blob);
  } catch (error) {
    trouble(error);
  }
}

/** Where paper is cut to inches, letter; else the half sheet that fits a tank bag. */
export const paperSize = signal<api.PaperSize>(/-(US|CA|MX)$/.test(navigator.language) ? "letter" : "a5");

export async function takePaper(kind: api.PaperKind): Promise<void> {
  if (tour.value.points.length < 2) return tell("There is no line yet: set a start and a second stop first.");
  try {
    const { name, blob } = await api.paper(kind, tour.value, paperSize.value);
    download(name, blob);
  } catch (error) {
    trouble(error);
  }
}

export function download(name: string, blob: Blob): void {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
  tell(`${name} is in your downloads`);
}

export function chooseRegion(name: string): void {
  if (tour.value.points.length === 0 || tour.value.region === name) become(emptyTour(name, tour.value.taste));
  else newTour(name);
  const where = region.value;
  if (where) onMap.fit?.(where.bounds_deg);
}

/** Shows the whole tour, or the whole region when there is none. */
export function fitTour(): void {
  const lines = planned.value?.lines ?? [];
  let [w, s, e, n] = [180, 90, -180, -90];
  const take = (lat: number, lon: number) => {
    [w, e] = [Math.min(w, lon), Math.max(e, lon)];
    [s, n] = [Math.min(s, lat), Math.max(n, lat)];
  };
  for (const line of lines) {
    for (const [i, lat] of line.lat.entries()) take(lat, line.lon[i] as number);
  }
  for (const p of tour.value.points) take(p.lat, p.lon);
  if (w <= e) onMap.fit?.([w, s, e, n]);
  else if (region.value) onMap.fit?.(region.value.bounds_deg);
}

export function trouble(error: unknown): void {
  if (error instanceof DOMException && error.name === "AbortError") return;
  if (error instanceof api.Silence) offline.value = true;
  tell(
    error instanceof api.Silence
      ? "Lacet does not answer. Start it again with `lacet serve`; nothing is lost."
      : error instanceof Error
        ? error.message
        : String(error),
  );
}

// ---- what is remembered ----

let rememberTimer: ReturnType<typeof setTimeout> | undefined;
/** What the server has not confirmed. */
let unsent: api.Remembered = {};
export function remember(change: api.Remembered): void {
  remembered = { ...remembered, ...change };
  unsent = { ...unsent, ...change };
  clearTimeout(rememberTimer);
  rememberTimer = setTimeout(sendRemembered, 400);
}
/** Another window may have remembered something else meanwhile: only what changed here is changed. */
async function sendRemembered(): Promise<void> {
  const sent = unsent;
  try {
    await api.putState({ ...(await api.getState()), ...sent });
    if (unsent === sent) unsent = {};
  } catch {
    // It goes with the next change, or when the page does.
  }
}
/** What is not sent when the page goes away is sent as it goes. */
export function flushRemembered(): void {
  clearTimeout(rememberTimer);
  if (Object.keys(unsent).length > 0) void api.putState(remembered, true).catch(() => {});
}
export const rememberedView = () => remembered.view;
export const recalled = (): Readonly<api.Remembered> => remembered;

function rememberTour(id: string | undefined): void {
  remember({ tour: id });
  // The address names the tour, so that two tabs can hold two tours through a reload.
  window.history.replaceState(null, "", id ? `#tour=${encodeURIComponent(id)}` : "#");
}

export function setUnits(next: Units): void {
  units.value = next;
  remember({ units: next });
}
export function setPalette(next: PaletteChoice): void {
  palette.value = next;
  remember({ palette: next });
}

/** Loads what is on the server and opens the last tour. */
export async function boot(): Promise<void> {
  const scheme = matchMedia("(prefers-color-scheme: dark)");
  systemDark.value = scheme.matches;
  scheme.addEventListener("change", () => (systemDark.value = scheme.matches));
  try {
    const [allRegions, allTastes, state] = await Promise.all([
      api.getRegions(),
      api.getTastes(),
      api.getState().catch((): api.Remembered => ({})),
    ]);
    remembered = state ?? {};
    const usable = allRegions.filter((r) => !r.trouble);
    batch(() => {
      regions.value = allRegions;
      tastes.value = allTastes;
      units.value = remembered.units ?? "metric";
      palette.value = remembered.palette ?? "system";
      region.value = usable.find((r) => r.name === remembered.view?.region) ?? usable[0];
    });
    const named = /^#tour=(.+)$/.exec(location.hash)?.[1];
    const id = named ? decodeURIComponent(named) : remembered.tour;
    const unsaved = backup.read(undefined);
    if (unsaved) adopt(unsaved.tour);
    else if (!id || !(await openTour(id, !remembered.view))) {
      become(emptyTour(region.value?.name ?? "", allTastes[0] ? "fastest" : ""));
    }
    offline.value = false;
    toast.value = undefined;
  } catch (error) {
    if (!(error instanceof api.Silence)) throw error;
    offline.value = true;
    setTimeout(() => void boot(), 2000);
    return;
  }
  booted.value = true;
}

/** Number of a bend rate's class, as the map colours it. */
export const bendClass = (rate: number): number =>
  BEND_CLASSES_DEG_PER_KM.findLastIndex((low) => rate >= low);
