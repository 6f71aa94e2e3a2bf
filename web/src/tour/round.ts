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

/** What a round trip may take: hours of riding, or kilometres. "Back by" counts from the departure. */
export function budgetOf(b: Budget, depart: string | null | undefined) {
  if (b.unit !== "by") {
    return b.unit === "km" ? { hours: null, km: b.amount } : { hours: b.amount, km: null };
  }
  const [hours = 0, minutes = 0] = b.clock.split(":").map(Number);
  const s = (hours * 60 + minutes) * 60 - (clockS(depart) ?? 0);
  // Earlier than the departure means the next day.
  return { hours: (((s % DAY_S) + DAY_S) % DAY_S) / 3600, km: null };
}
const DAY_S = 86_400;
