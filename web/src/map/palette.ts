// The two sheets: day, printed on warm paper; night, on slate. A style is a function of one of these.

import { hex, type Oklch, ramp } from "./colour";

export type PaletteName = "day" | "night";

/** How one day of a tour is drawn: hue and dash, so that either is enough to tell it. */
export interface DayStroke {
  colour: string;
  /** In line widths; `null` solid. */
  dash: number[] | null;
}

export interface Palette {
  name: PaletteName;
  /** Ground, and what lies on it. */
  land: string;
  wood: string;
  field: string;
  bare: string;
  glacier: string;
  sand: string;
  wetland: string;
  built_up: string;
  water: string;
  waterEdge: string;
  border: string;
  rail: string;
  shade: string;
  light: string;

  /** Roads outside towns by bend rate, one colour per class of `BEND_CLASSES_DEG_PER_KM`. */
  bends: string[];
  /** The same by worth to the rider's taste, one colour per step of `worth` in the tiles. */
  worth: string[];
  /** Roads in towns, motorways, roads not open to everybody, tracks whose access nobody verified. */
  town: string;
  motorway: string;
  restricted: string;
  unverified: string;
  closed: string;
  strike: string;
  ferry: string;
  roadEdge: string;

  /** Lettering. */
  ink: string;
  quietInk: string;
  waterInk: string;
  halo: string;

  /** The tour drawn on the map, and the points on it. */
  line: string;
  lineEdge: string;
  days: DayStroke[];
  stop: string;
  via: string;
  pointInk: string;
  hover: string;
  warn: string;
}

/**
 * Lower ends of the classes of bend rate: each road in a class turns twice as much as in the one
 * before. A road at the limit of the last class turns more than a full circle and a half a kilometre.
 */
export const BEND_CLASSES_DEG_PER_KM = [0, 40, 80, 160, 320, 640];

/** Steps of `worth` in the tiles: 0 worth nothing, the last the best road there is for a taste. */
export const WORTH_STEPS = 9;

/** The one ramp of a sheet, from almost nothing to what one rides for. */
const shades = (from: Oklch, to: Oklch) => ({
  bends: ramp(from, to, BEND_CLASSES_DEG_PER_KM.length),
  worth: ramp(from, to, WORTH_STEPS),
});

const DASHES: (number[] | null)[] = [null, [3, 1], [1.4, 0.9], [4, 0.9, 1, 0.9], [0.9, 0.6], [6, 1.2]];

function days(lightness: number, chroma: number, hues_deg: number[]): DayStroke[] {
  return hues_deg.map((hue, i) => ({ colour: hex([lightness, chroma, hue]), dash: DASHES[i] ?? null }));
}

const day: Palette = {
  name: "day",
  land: hex([0.968, 0.012, 95]),
  wood: hex([0.915, 0.032, 132]),
  field: hex([0.953, 0.024, 115]),
  bare: hex([0.938, 0.009, 95]),
  glacier: hex([0.965, 0.012, 225]),
  sand: hex([0.945, 0.035, 92]),
  wetland: hex([0.925, 0.022, 175]),
  built_up: hex([0.922, 0.01, 75]),
  water: hex([0.868, 0.038, 228]),
  waterEdge: hex([0.72, 0.058, 235]),
  border: hex([0.6, 0.035, 320]),
  rail: hex([0.66, 0.008, 70]),
  shade: hex([0.42, 0.03, 285]),
  light: hex([1, 0, 0]),

  ...shades([0.84, 0.024, 345], [0.35, 0.145, 345]),
  town: hex([1, 0, 0]),
  motorway: hex([0.8, 0.02, 255]),
  restricted: hex([0.94, 0.004, 80]),
  unverified: hex([0.62, 0.035, 75]),
  closed: hex([0.76, 0.008, 70]),
  strike: hex([0.55, 0.15, 35]),
  ferry: hex([0.56, 0.075, 240]),
  roadEdge: hex([0.69, 0.014, 65]),

  ink: hex([0.3, 0.014, 65]),
  quietInk: hex([0.44, 0.014, 65]),
  waterInk: hex([0.43, 0.08, 243]),
  halo: hex([0.975, 0.01, 95]),

  line: hex([0.48, 0.16, 254]),
  lineEdge: hex([1, 0, 0]),
  days: days(0.48, 0.16, [254, 165, 45, 292, 210, 100]),
  stop: hex([0.3, 0.06, 254]),
  via: hex([0.48, 0.16, 254]),
  pointInk: hex([1, 0, 0]),
  hover: hex([0.3, 0.014, 65]),
  warn: hex([0.55, 0.19, 35]),
};

const night: Palette = {
  name: "night",
  land: hex([0.252, 0.014, 250]),
  wood: hex([0.272, 0.022, 160]),
  field: hex([0.263, 0.017, 150]),
  bare: hex([0.282, 0.006, 230]),
  glacier: hex([0.34, 0.02, 230]),
  sand: hex([0.3, 0.022, 85]),
  wetland: hex([0.268, 0.024, 190]),
  built_up: hex([0.305, 0.012, 265]),
  water: hex([0.205, 0.035, 245]),
  waterEdge: hex([0.4, 0.05, 240]),
  border: hex([0.58, 0.035, 310]),
  rail: hex([0.43, 0.008, 260]),
  shade: hex([0.1, 0.015, 260]),
  light: hex([0.72, 0.03, 240]),

  ...shades([0.42, 0.022, 255], [0.775, 0.145, 32]),
  town: hex([0.44, 0.014, 260]),
  motorway: hex([0.5, 0.03, 255]),
  restricted: hex([0.38, 0.01, 260]),
  unverified: hex([0.53, 0.03, 80]),
  closed: hex([0.42, 0.008, 260]),
  strike: hex([0.74, 0.13, 80]),
  ferry: hex([0.58, 0.07, 235]),
  roadEdge: hex([0.18, 0.012, 255]),

  ink: hex([0.9, 0.008, 90]),
  quietInk: hex([0.76, 0.01, 90]),
  waterInk: hex([0.73, 0.06, 235]),
  halo: hex([0.22, 0.014, 250]),

  line: hex([0.83, 0.11, 215]),
  lineEdge: hex([0.15, 0.02, 250]),
  days: days(0.83, 0.11, [215, 150, 90, 300, 255, 120]),
  stop: hex([0.95, 0.03, 215]),
  via: hex([0.83, 0.11, 215]),
  pointInk: hex([0.18, 0.02, 250]),
  hover: hex([0.97, 0.01, 90]),
  warn: hex([0.84, 0.16, 80]),
};

export const PALETTES: Readonly<Record<PaletteName, Palette>> = { day, night };
