// A taste as the page handles it: its dials, what it says in words, what it costs. Pure.
//
// Whole tastes are the ones of the server; in a tour a built-in one may stand by its name alone.

import { length, span, type Units } from "../format";
import type { Taste } from "../types/Taste";
import type { TasteChoice } from "../types/TasteChoice";
import type { TastePrice } from "../types/TastePrice";

/** What can make a road good, in the order of the panel. */
export const VIRTUES = [
  { key: "bends", label: "Bends", text: "curve after curve, at a pleasant lean" },
  { key: "hills", label: "Hills", text: "climbs, descents, relief around" },
  { key: "quiet", label: "Quiet", text: "few houses, junctions and signals" },
  { key: "surroundings", label: "Surroundings", text: "water, woods, open country" },
] as const;
export type Virtue = (typeof VIRTUES)[number]["key"];

/** Kinds of road one may have to take, and what one can say to each. */
export const WAYS = [
  { key: "motorways", label: "Motorways" },
  { key: "tolls", label: "Tolls" },
  { key: "ferries", label: "Ferries" },
] as const;
export const SAYS = ["use", "avoid", "never"] as const;
export type Say = (typeof SAYS)[number];

/** What lies under the wheels, each one taking the ones before along. */
export const GROUNDS = [
  { value: "paved", label: "paved only" },
  { value: "compacted", label: "and firm unpaved" },
  { value: "gravel", label: "and gravel" },
  { value: "anything", label: "anything" },
] as const;

/** Largest price, minutes longer for ten minutes of the best road. */
export const MOST_LONGER_MIN = 30;

/** The whole taste of a tour. A name nobody knows is taken for the first one. */
export function wholeOf(choice: TasteChoice, builtIn: readonly Taste[]): Taste | undefined {
  if (typeof choice !== "string") return choice;
  return builtIn.find((t) => t.name === choice) ?? builtIn[0];
}

export const nameOf = (choice: TasteChoice): string => (typeof choice === "string" ? choice : choice.name);

/** Whether two tastes route and shade alike, whatever they are called. */
export function sameDials(a: Taste, b: Taste): boolean {
  return dialsKey(a) === dialsKey(b);
}

/** What decides route and shade, as one string: equal for equal dials. */
export function dialsKey({ name: _name, text: _text, ...dials }: Taste): string {
  return JSON.stringify(sorted(dials));
}

function sorted(value: unknown): unknown {
  if (value === null || typeof value !== "object") return value;
  return Object.fromEntries(
    Object.entries(value)
      .sort(([a], [b]) => (a < b ? -1 : 1))
      .map(([key, v]) => [key, sorted(v)]),
  );
}

/** What decides the shading, as the tiles are asked for: the price of worth does not change what roads are worth. */
export function shadingKey(taste: Taste, builtIn: readonly Taste[]): string | undefined {
  if (!asksForRoads(taste)) return undefined;
  const choice = choiceOf(taste, builtIn);
  if (typeof choice === "string") return choice;
  return JSON.stringify({ ...choice, name: OWN, text: "", longer_min: 10 });
}

/** What a tour carries for a taste: a built-in one by its name, any other whole. */
export function choiceOf(taste: Taste, builtIn: readonly Taste[]): TasteChoice {
  const same = builtIn.find((t) => t.name === taste.name);
  return same && sameDials(same, taste) ? same.name : taste;
}

/** A taste with some dials turned. What was built in or kept under a name is no longer that one. */
export function turned(taste: Taste, change: Partial<Taste>): Taste {
  // A dial turned means that roads count, whatever the taste made least before.
  return { ...taste, counts: "time", ...change, name: OWN, text: "" };
}
/** The name of a taste that has none yet. */
export const OWN = "own";

/** Whether roads differ in worth to a taste; `fastest` and `shortest` ask for nothing. */
export function asksForRoads(taste: Taste): boolean {
  return (
    taste.counts === "time" &&
    taste.longer_min > 0 &&
    (VIRTUES.some(({ key }) => taste[key] > 0) || taste.surface.seek_unpaved > 0)
  );
}

/** How much a virtue counts, in words. */
export function weightWords(share: number): string {
  const percent = Math.round(share * 100);
  return percent === 0 ? "does not count" : `${percent}\u00a0%`;
}

/** What a taste asks for, in one short line. */
export function summary(taste: Taste): string {
  const liked = VIRTUES.filter(({ key }) => taste[key] > 0)
    .sort((a, b) => taste[b.key] - taste[a.key])
    .map(({ label }) => label.toLowerCase());
  if (taste.surface.seek_unpaved > 0) liked.push("unpaved roads");
  const parts: string[] = [];
  if (asksForRoads(taste)) {
    parts.push(liked.join(", "), `up to ${Math.round(taste.longer_min)}\u00a0min longer for ten`);
  }
  for (const { key, label } of WAYS) {
    if (taste[key] !== "use")
      parts.push(`${taste[key] === "never" ? "never" : "avoids"} ${label.toLowerCase()}`);
  }
  return parts.join(" · ");
}

/** What a taste rides longer for, and how much of it the line and the fastest one have. */
function gain(price: TastePrice, taste: Taste): [what: string, m: number, fastestM: number] {
  const most = Math.max(...VIRTUES.map(({ key }) => taste[key]));
  if (taste.surface.seek_unpaved > 0 && taste.surface.seek_unpaved >= most) {
    return ["unpaved road", price.unpaved_m, price.unpaved_m_fastest];
  }
  if (taste.bends > 0 && taste.bends >= most) {
    return ["winding road", price.winding_m, price.winding_m_fastest];
  }
  return ["road to this taste", price.liked_m, price.liked_m_fastest];
}

/** What the taste cost against the fastest, in one short line; `undefined` when there is nothing to say. */
export function priceWords(
  price: TastePrice | null | undefined,
  taste: Taste | undefined,
  units: Units,
): string | undefined {
  if (!price || !taste) return undefined;
  const minutes = Math.round(price.extra_s / 60);
  const [what, more, fewer] = gain(price, taste);
  const time = minutes > 0 ? `+${span(price.extra_s)}` : "No longer than the fastest";
  if (length(more, units) === length(fewer, units)) {
    return minutes > 0 ? `${time} against the fastest` : time;
  }
  // The unit is said once when it is the same; beside whole kilometres tenths are noise.
  const [told, unit] = parted(length(more, units));
  const [other, otherUnit] = parted(length(fewer, units));
  const less = otherUnit === unit && !told.includes(".") ? String(Math.round(fewer / UNIT_M[units])) : other;
  const against = fewer < 1 ? "none" : otherUnit === unit ? less : `${other}\u00a0${otherUnit}`;
  return `${time}${minutes > 0 ? " for" : ","} ${told}\u00a0${unit} of ${what} instead of ${against}`;
}

const UNIT_M = { metric: 1000, miles: 1609.344 };
const parted = (figure: string) => figure.split("\u00a0") as [string, string];
