// What the map offers beside the line: stretches of road worth riding, and other ways and whole rides
// to choose from. Both lie under the line, stretches under the roads too.

import type { Feature, LineString } from "geojson";
import type { LayerSpecification } from "maplibre-gl";
import type { Palette } from "../map/palette";

export const STRETCH = "lacet-stretch";
export const CHOICE = "lacet-choice";

/** Press here to choose. */
export const CHOICE_HIT = `${CHOICE}-hit`;

/** Columns of equal length, degrees. */
interface Path {
  lat: readonly number[];
  lon: readonly number[];
}

/** A stretch on the map. */
export interface ShownStretch extends Path {
  id: number;
  /** The one the card or the list is about. */
  chosen: boolean;
}

/** Another way on the map. */
export interface ShownChoice extends Path {
  index: number;
  chosen: boolean;
}

export const featureOf = (path: ShownStretch | ShownChoice): Feature<LineString> => {
  const { lat, lon, ...properties } = path;
  const coordinates = lat.map((deg, i) => [lon[i] as number, deg]);
  return { type: "Feature", properties, geometry: { type: "LineString", coordinates } };
};

const CHOSEN = ["get", "chosen"] as never;
const byZoom = (...stops: [zoom: number, px: unknown][]) =>
  ["interpolate", ["linear"], ["zoom"], ...stops.flat()] as never;
const ifChosen = (yes: number, no: number) => ["case", CHOSEN, yes, no];

export function offerLayers(ink: Palette): LayerSpecification[] {
  const round = { "line-cap": "round", "line-join": "round" } as const;
  return [
    // A stretch has a rim under its road, which keeps its own shade; where hairpins lie close the rim is one.
    {
      id: `${STRETCH}-rim`,
      type: "line",
      source: STRETCH,
      layout: round,
      paint: {
        "line-color": ["case", CHOSEN, ink.ink, ink.roadEdge],
        "line-width": byZoom([8, ifChosen(10, 7)], [12, ifChosen(15, 10)], [16, ifChosen(24, 19)]),
      },
    },
    {
      id: `${STRETCH}-paper`,
      type: "line",
      source: STRETCH,
      layout: round,
      paint: {
        "line-color": ink.halo,
        "line-width": byZoom([8, ifChosen(6, 5.4)], [12, ifChosen(10, 8)], [16, ifChosen(18, 16)]),
      },
    },
    {
      id: `${CHOICE}-ground`,
      type: "line",
      source: CHOICE,
      layout: round,
      paint: { "line-color": ink.lineEdge, "line-width": byZoom([8, 5], [14, 8]), "line-opacity": 0.6 },
    },
    {
      id: `${CHOICE}-faint`,
      type: "line",
      source: CHOICE,
      filter: ["!", CHOSEN] as never,
      layout: round,
      paint: { "line-color": ink.line, "line-width": byZoom([8, 2.2], [14, 3.6]), "line-opacity": 0.45 },
    },
    {
      id: `${CHOICE}-picked`,
      type: "line",
      source: CHOICE,
      filter: CHOSEN,
      layout: round,
      paint: { "line-color": ink.line, "line-width": byZoom([8, 3], [14, 5]), "line-dasharray": [2, 1.4] },
    },
    {
      id: CHOICE_HIT,
      type: "line",
      source: CHOICE,
      layout: round,
      paint: { "line-width": 18, "line-opacity": 0 },
    },
  ];
}
