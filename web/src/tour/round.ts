// What a round trip is asked to be.

import { clockS } from "../format";

/** Hours of riding, kilometres, or back by a time of the day. */
export type Budget = { unit: "h" | "km"; amount: number } | { unit: "by"; clock: string };

/** Directions a rider names, degrees from north. */
export const HEADINGS: [name: string, deg: number | undefined][] = [
  ["anywhere", undefined],
  ["north", 0],
  ["north-east", 45],
  ["east", 90],
  ["south-east", 135],
  ["south", 180],
  ["south-west", 225],
  ["west", 270],
  ["north-west", 315],
];

/** What a round trip may take: riding time, or length. "Back by" counts from the departure. */
export function budgetOf(b: Budget, depart: string | null | undefined) {
  if (b.unit !== "by") {
    return b.unit === "km" ? { length_m: b.amount * 1000 } : { riding_s: b.amount * 3600 };
  }
  const [hours = 0, minutes = 0] = b.clock.split(":").map(Number);
  const s = (hours * 60 + minutes) * 60 - (clockS(depart) ?? 0);
  // Earlier than the departure means the next day.
  return { riding_s: ((s % DAY_S) + DAY_S) % DAY_S };
}
const DAY_S = 86_400;
