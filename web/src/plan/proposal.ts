// What the proposal calls answer with.

import type { Sums } from "../types/Sums";
import type { TourPoint } from "../types/TourPoint";
import type { Warning } from "../types/Warning";

/** What was proposed, best first. */
export interface Proposals {
  proposals: Proposal[];
  /** What the rider should know, in plain words. */
  notes: string[];
}

/** A way that could be ridden. */
export interface Proposal {
  title: string;
  /** Points that make the planner ride it, first and last included. */
  points: TourPoint[];
  lat: number[];
  lon: number[];
  sums: Sums;
  ride: { winding_m: number; liked_m: number; built_up_m: number; worth: number; twice_m: number };
  /** Differences to the line there is: positive is more. */
  against?: {
    riding_s: number;
    length_m: number;
    winding_m: number;
    liked_m: number;
    worth: number;
    shared: number;
  } | null;
  notes: string[];
  warnings: Warning[];
}
