// The taste of the tour on the page: its dials, the tastes kept under a name, its files, and what the
// map is shaded by.

import { batch, computed, effect, signal } from "@preact/signals";
import * as api from "../api";
import type { Shade } from "../map/style";
import * as edits from "../tour/edits";
import * as tastes from "../tour/taste";
import type { Taste } from "../types/Taste";
import * as state from "./state";

/** Tastes the rider kept under a name. */
export const kept = signal<Taste[]>([]);
/** What the rider wants roads shaded by. */
export const wantedShade = signal<Shade>("worth");

/** The whole taste of the tour on the screen. */
export const taste = computed(() => tastes.wholeOf(state.shown.value.taste, state.tastes.value));
/** The built-in or kept taste it is equal to, if any. */
export const known = computed(() => {
  const now = taste.value;
  return now && all().find((t) => t.name === now.name && tastes.sameDials(t, now));
});
/** What the map is shaded by: a taste that asks for no roads shows bends. */
export const shade = computed<Shade>(() =>
  wantedShade.value === "worth" && taste.value && tastes.asksForRoads(taste.value) ? "worth" : "bends",
);
/** The taste tiles are asked for, if they are asked for one. */
export const shadedBy = computed(() =>
  shade.value === "worth" && taste.value ? tastes.shadingKey(taste.value, state.tastes.value) : undefined,
);
/** What the taste cost against the fastest, once it is known. */
export const price = computed(() =>
  state.fresh.value
    ? tastes.priceWords(state.planned.value?.plan.taste_price, taste.value, state.units.value)
    : undefined,
);

/** Every taste that can be chosen by name: built in, then kept. */
export const all = (): Taste[] => [...state.tastes.value, ...kept.value];

/** Turns dials; the line and the roads follow, the document is decided when they rest. */
export function turn(change: Partial<Taste>): void {
  const now = taste.value;
  if (!now) return;
  const next = tastes.turned(now, change);
  if (tastes.sameDials(now, next)) return;
  const like = all().find((t) => tastes.sameDials(t, next));
  state.turn(edits.setTaste(state.shown.value, choice(like ?? next)), "Taste changed");
}

/** Takes a taste as it is. */
export function choose(next: Taste): void {
  state.settle();
  const now = state.tour.value.taste;
  const taken = choice(next);
  if (JSON.stringify(now) !== JSON.stringify(taken)) {
    state.edit(edits.setTaste(state.tour.value, taken), `Taste: ${next.name}`);
  }
}

const choice = (t: Taste) => tastes.choiceOf(t, state.tastes.value);

/** Why a taste cannot be kept under a name, or `undefined`. */
export function cannotKeep(name: string): string | undefined {
  if (!name) return "Give the taste a name first.";
  if (state.tastes.value.some((t) => t.name === name)) return `"${name}" is built in: choose another name.`;
  return undefined;
}

/** Keeps the dials as they are under a name; a taste of that name is replaced. */
export function keep(name: string): boolean {
  const now = taste.value;
  const why = cannotKeep(name.trim());
  if (!now || why) {
    if (why) state.tell(why);
    return false;
  }
  const named = { ...now, name: name.trim(), text: tastes.summary(now) };
  const before = kept.value;
  setKept([...before.filter((t) => t.name !== named.name), named]);
  choose(named);
  state.tell(`"${named.name}" is kept among your tastes`);
  return true;
}

export function forget(name: string): void {
  const before = kept.value;
  setKept(before.filter((t) => t.name !== name));
  state.tell(`"${name}" is no longer kept`, { label: "Bring back", run: () => setKept(before) });
}

function setKept(next: Taste[]): void {
  kept.value = next;
  state.remember({ tastes: next });
}

export function shadeBy(next: Shade): void {
  wantedShade.value = next;
  state.remember({ shade: next });
  if (next === "worth" && shade.value !== "worth") {
    state.tell("This taste asks for no roads: turn up a dial, or choose another taste. Bends are shown.");
  }
}

/** Opens a taste from a file; it becomes the tour's and is kept when it has a name of its own. */
export async function openFile(file: File): Promise<void> {
  try {
    const read = await api.readTaste(await file.arrayBuffer());
    batch(() => {
      choose(read);
      if (!cannotKeep(read.name)) setKept([...kept.value.filter((t) => t.name !== read.name), read]);
      state.open("taste");
    });
    state.tell(`${file.name}: the taste "${read.name}"`);
  } catch (error) {
    state.trouble(error);
  }
}

/** The taste as a file. */
export async function takeFile(): Promise<void> {
  const now = taste.value;
  if (!now) return;
  try {
    const text = await api.writeTaste(now);
    state.download(`${fileName(now.name)}.toml`, new Blob([text], { type: "application/toml" }));
  } catch (error) {
    state.trouble(error);
  }
}

const fileName = (name: string) =>
  name
    .trim()
    .replace(/[^\p{L}\p{N}-]+/gu, "-")
    .replace(/^-+|-+$/g, "") || "taste";

/** Whatever is done elsewhere is done to the taste the dials show. */
export function listen(): void {
  effect(() => {
    if (!state.booted.value) return;
    const remembered = state.recalled();
    batch(() => {
      kept.value = remembered.tastes ?? [];
      wantedShade.value = remembered.shade ?? "worth";
    });
  });
  const decide = (e: Event) => {
    if (!(e.target instanceof Element && e.target.closest(".taste-dials"))) state.settle();
  };
  for (const type of ["pointerdown", "keydown", "drop"]) window.addEventListener(type, decide, true);
  window.addEventListener("pagehide", () => {
    state.settle();
    state.flushRemembered();
  });
}
