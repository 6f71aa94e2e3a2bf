// The planned line on the map: sources and layers over the style. Still legs and the legs that follow
// the hand live in two sources, so that a drag only sends the map what moves.

import type { Feature, FeatureCollection, LineString, Point } from "geojson";
import type { GeoJSONSource, LayerSpecification, Map as Sheet } from "maplibre-gl";
import { STRONG } from "../map/fonts";
import type { Palette } from "../map/palette";
import { FIRST_LABEL_LAYER, FIRST_ROAD_LAYER } from "../map/style";
import type { Planned } from "../plan/client";
import type { Position } from "../tour/edits";
import { CHOICE, featureOf, offerLayers, type ShownChoice, type ShownStretch, STRETCH } from "./offers";

const STILL = "lacet-line";
const LIVE = "lacet-line-live";
const DOT = "lacet-dot";
const CHOSEN = "lacet-chosen";
const TETHER = "lacet-tether";

/** Invisible, wide enough to be hit by a finger; press here to drag the line. */
export const HIT_LAYERS = [`${STILL}-hit`, `${LIVE}-hit`];

const EMPTY: FeatureCollection = { type: "FeatureCollection", features: [] };

function layersOf(source: string, ink: Palette, severalDays: boolean): LayerSpecification[] {
  const round = { "line-cap": "round", "line-join": "round" } as const;
  const width = ["interpolate", ["linear"], ["zoom"], 7, 2.6, 12, 4, 16, 6.5] as never;
  const wide = ["interpolate", ["linear"], ["zoom"], 7, 6, 12, 8.5, 16, 12] as never;
  const layers: LayerSpecification[] = [
    {
      id: `${source}-casing`,
      type: "line",
      source,
      layout: round,
      paint: { "line-color": ink.lineEdge, "line-width": wide, "line-opacity": 0.92 },
    },
  ];
  ink.days.forEach(({ colour, dash }, i) => {
    layers.push({
      id: `${source}-day-${i}`,
      type: "line",
      source,
      filter: ["all", ["==", ["get", "kind"], "road"], ["==", ["%", ["get", "day"], ink.days.length], i]],
      layout: dash ? { "line-cap": "butt", "line-join": "round" } : round,
      paint: { "line-color": colour, "line-width": width, ...(dash ? { "line-dasharray": dash } : {}) },
    });
  });
  layers.push(
    {
      id: `${source}-free`,
      type: "line",
      source,
      filter: ["==", ["get", "kind"], "free"],
      layout: round,
      paint: { "line-color": ink.line, "line-width": width, "line-dasharray": [0.05, 1.9] },
    },
    {
      id: `${source}-trouble`,
      type: "line",
      source,
      filter: ["==", ["get", "kind"], "trouble"],
      layout: round,
      paint: { "line-color": ink.warn, "line-width": width, "line-dasharray": [0.6, 2.4] },
    },
    {
      id: `${source}-way`,
      type: "symbol",
      source,
      minzoom: 10,
      layout: {
        "symbol-placement": "line",
        "symbol-spacing": 140,
        "icon-image": "lacet-onward",
        "icon-size": ["interpolate", ["linear"], ["zoom"], 10, 0.7, 16, 1.1],
        "icon-allow-overlap": true,
        "icon-ignore-placement": true,
      },
    },
  );
  if (severalDays) {
    layers.push({
      id: `${source}-label`,
      type: "symbol",
      source,
      layout: {
        "symbol-placement": "line",
        "symbol-spacing": 420,
        "text-field": ["concat", "Day ", ["to-string", ["+", ["get", "day"], 1]]],
        "text-font": [STRONG],
        "text-size": 13,
        "text-offset": [0, -1.1],
        "text-ignore-placement": true,
      },
      paint: { "text-color": ink.line, "text-halo-color": ink.lineEdge, "text-halo-width": 2.2 },
    });
  }
  layers.push({
    id: `${source}-hit`,
    type: "line",
    source,
    layout: round,
    paint: { "line-width": 18, "line-opacity": 0 },
  });
  return layers;
}

export class Overlay {
  #map: Sheet;
  #ink: Palette;
  #data: Record<string, FeatureCollection> = {
    [STRETCH]: EMPTY,
    [CHOICE]: EMPTY,
    [TETHER]: EMPTY,
    [STILL]: EMPTY,
    [LIVE]: EMPTY,
    [DOT]: EMPTY,
    [CHOSEN]: EMPTY,
  };
  #signature = "";
  #severalDays = false;

  constructor(map: Sheet, ink: Palette) {
    this.#map = map;
    this.#ink = ink;
    // Another sheet or region takes everything away that is not in its style.
    map.on("styledata", () => {
      if (map.getLayer(FIRST_LABEL_LAYER) && !map.getLayer(DOT)) this.#attach();
    });
  }

  setInk(ink: Palette): void {
    if (ink === this.#ink) return;
    this.#ink = ink;
    this.#rebuild();
  }

  /** Draws a plan. Legs in `live` follow the hand. */
  setPlan(planned: Planned | undefined, live: ReadonlySet<number>): void {
    const still: Feature<LineString>[] = [];
    const moving: Feature<LineString>[] = [];
    let signature = "";
    const severalDays = (planned?.plan.days.length ?? 0) > 1;
    for (const [index, leg] of (planned?.plan.legs ?? []).entries()) {
      const line = planned?.lines[index];
      if (!line) continue;
      const day = planned?.plan.days.findLastIndex((d) => index >= d.first_point) ?? 0;
      const feature = (): Feature<LineString> => ({
        type: "Feature",
        properties: { leg: index, day: Math.max(0, day), kind: leg.trouble ? "trouble" : leg.kind },
        geometry: { type: "LineString", coordinates: line.lat.map((lat, i) => [line.lon[i] as number, lat]) },
      });
      if (live.has(index)) moving.push(feature());
      else {
        signature += `${index}:${day}:${leg.key};`;
        still.push(feature());
      }
    }
    if (signature !== this.#signature) {
      this.#signature = signature;
      this.#set(STILL, still);
    }
    if (moving.length > 0 || this.#data[LIVE] !== EMPTY) this.#set(LIVE, moving);
    if (severalDays !== this.#severalDays) {
      this.#severalDays = severalDays;
      this.#rebuild();
    }
  }

  /** The dot that runs along the line with the ribbon. */
  setDot(at: Position | undefined): void {
    this.#set(DOT, at ? [pointAt(at)] : []);
  }

  /** From points that lie off the road to where the line passes them. */
  setTethers(pairs: [Position, Position][]): void {
    this.#set(
      TETHER,
      pairs.map(([a, b]) => ({
        type: "Feature",
        properties: {},
        geometry: {
          type: "LineString",
          coordinates: [
            [a[1], a[0]],
            [b[1], b[0]],
          ],
        },
      })),
    );
  }

  /** The place a card is about. */
  setChosen(at: Position | undefined): void {
    this.#set(CHOSEN, at ? [pointAt(at)] : []);
  }

  /** Stretches worth riding. */
  setStretches(stretches: readonly ShownStretch[]): void {
    this.#set(STRETCH, stretches.map(featureOf));
  }

  /** Other ways, or whole rides, to choose from. */
  setChoices(choices: readonly ShownChoice[]): void {
    this.#set(CHOICE, choices.map(featureOf));
  }

  #set(source: string, features: Feature[]): void {
    const data: FeatureCollection = features.length ? { type: "FeatureCollection", features } : EMPTY;
    this.#data[source] = data;
    this.#map.getSource<GeoJSONSource>(source)?.setData(data);
  }

  #layers(): LayerSpecification[] {
    const ink = this.#ink;
    const layers = [
      ...offerLayers(ink),
      ...layersOf(STILL, ink, this.#severalDays),
      ...layersOf(LIVE, ink, this.#severalDays),
    ];
    const circle = (source: string, radius: number, fill: string, rim: string): LayerSpecification => ({
      id: source,
      type: "circle",
      source,
      paint: {
        "circle-radius": radius,
        "circle-color": fill,
        "circle-stroke-color": rim,
        "circle-stroke-width": 2.5,
      },
    });
    layers.push({
      id: TETHER,
      type: "line",
      source: TETHER,
      paint: { "line-color": ink.stop, "line-width": 1.5, "line-dasharray": [2, 2] },
    });
    layers.push(circle(CHOSEN, 7, "rgba(0,0,0,0)", ink.line), circle(DOT, 6, ink.lineEdge, ink.line));
    return layers;
  }

  #attach(): void {
    const map = this.#map;
    for (const [id, data] of Object.entries(this.#data)) {
      if (!map.getSource(id)) map.addSource(id, { type: "geojson", data, tolerance: 0.2 });
    }
    if (!map.hasImage("lacet-onward"))
      map.addImage("lacet-onward", arrow(this.#ink.lineEdge), { pixelRatio: 2 });
    const names = map.getLayer(FIRST_LABEL_LAYER) ? FIRST_LABEL_LAYER : undefined;
    for (const layer of this.#layers()) {
      // Names stay readable where the line runs through them; what is pressed or looked for is on top.
      const isRim = layer.id.startsWith(STRETCH) && map.getLayer(FIRST_ROAD_LAYER);
      const under = isRim
        ? FIRST_ROAD_LAYER
        : /-(ground|faint|picked|casing|day-\d+|free|trouble|way)$/.test(layer.id)
          ? names
          : undefined;
      if (!map.getLayer(layer.id)) map.addLayer(layer, under);
    }
  }

  #rebuild(): void {
    const map = this.#map;
    if (!map.getSource(STILL)) return;
    const prefix = /^lacet-(line|dot|chosen|tether|stretch|choice)/;
    for (const { id } of map.getStyle().layers) if (prefix.test(id)) map.removeLayer(id);
    if (map.hasImage("lacet-onward")) map.removeImage("lacet-onward");
    this.#attach();
  }
}

const pointAt = ([lat, lon]: Position): Feature<Point> => ({
  type: "Feature",
  properties: {},
  geometry: { type: "Point", coordinates: [lon, lat] },
});

/** A small chevron that points along the line, as pixels. */
function arrow(colour: string): ImageData {
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = 20;
  const pen = canvas.getContext("2d") as CanvasRenderingContext2D;
  pen.strokeStyle = colour;
  pen.lineWidth = 2.6;
  pen.lineCap = pen.lineJoin = "round";
  pen.beginPath();
  pen.moveTo(7.5, 6);
  pen.lineTo(12, 10);
  pen.lineTo(7.5, 14);
  pen.stroke();
  return pen.getImageData(0, 0, 20, 20);
}
