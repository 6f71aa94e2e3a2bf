// A proposal in a few words: what there is to ride on it, and what it costs and gives against the line
// there is.

import { length, span, type Units } from "../format";
import type { Proposal } from "../types/Proposal";

const LEAST_M = 500;

/** What it costs and gives against another line; empty for a round trip, which has none. */
export function costWords({ against }: Proposal, units: Units): string {
  if (!against) return "";
  const parts = [time(against.riding_s)];
  const winding = against.winding_m;
  if (winding >= LEAST_M) parts.push(`${length(winding, units)} more winding road`);
  else if (winding <= -LEAST_M) parts.push(`${length(-winding, units)} less winding road`);
  else if (against.liked_m >= LEAST_M) parts.push(`${length(against.liked_m, units)} more to your taste`);
  return parts.join(", ");
}

function time(s: number): string {
  const minutes = Math.round(s / 60);
  if (minutes === 0) return "no longer";
  return minutes > 0 ? `+${span(s)}` : `${span(-s)} shorter`;
}

/** What there is to ride. */
export function rideWords({ ride, sums, warnings }: Proposal, units: Units): string {
  const parts = [`winding ${length(ride.winding_m, units)}`];
  if (ride.liked_m >= LEAST_M) parts.push(`to your taste ${length(ride.liked_m, units)}`);
  const unpaved = sums.unpaved_m + sums.unknown_surface_m;
  if (unpaved >= LEAST_M) parts.push(`unpaved or unknown ${length(unpaved, units)}`);
  if (ride.twice_m >= LEAST_M) parts.push(`twice ${length(ride.twice_m, units)}`);
  if (warnings.length > 0) parts.push(`${warnings.length} ${warnings.length === 1 ? "warning" : "warnings"}`);
  return parts.join(" · ");
}
