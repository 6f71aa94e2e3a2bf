// Recordings on the map: all that were found as tiles, one that was chosen as its line.

import type { GeoJSONSource, Map as GlMap } from "maplibre-gl";
import * as state from "../page/state";

/** The map, once it is there. */
export type MapOf = () => GlMap | undefined;

const ALL = "shelf-all";
const ONE = "shelf-one";
let tiles: string | undefined;
let line: [number, number][][] = [];
let watched: GlMap | undefined;

const ink = () => (state.dark.value ? "#7fd0c8" : "#1f6f78");

/** Puts the layers where they should be; a new sheet of the map has lost them. */
function settle(map: GlMap): void {
  if (tiles && !map.getSource(ALL)) {
    map.addSource(ALL, { type: "vector", tiles: [tiles], maxzoom: 14 });
    map.addLayer({
      id: ALL,
      type: "line",
      source: ALL,
      "source-layer": "recordings",
      paint: { "line-color": ink(), "line-width": 1.6, "line-opacity": 0.75 },
    });
  }
  if (line.length > 0 && !map.getSource(ONE)) {
    map.addSource(ONE, { type: "geojson", data: geometry() });
    map.addLayer({
      id: ONE,
      type: "line",
      source: ONE,
      paint: { "line-color": ink(), "line-width": 4, "line-dasharray": [2, 1] },
    });
  }
}

const geometry = () => ({
  type: "Feature" as const,
  properties: {},
  geometry: {
    type: "MultiLineString" as const,
    coordinates: line.map((run) => run.map(([lat, lon]) => [lon, lat])),
  },
});

function remove(map: GlMap, id: string): void {
  if (map.getLayer(id)) map.removeLayer(id);
  if (map.getSource(id)) map.removeSource(id);
}

function ready(of: MapOf): GlMap | undefined {
  const map = of();
  if (map && watched !== map) {
    watched = map;
    map.on("styledata", () => settle(map));
  }
  return map;
}

/** Shows the recordings of these tiles. */
export function draw(of: MapOf, url: string): void {
  const map = ready(of);
  if (!map || (url === tiles && map.getSource(ALL))) return;
  tiles = url;
  remove(map, ALL);
  if (map.isStyleLoaded()) settle(map);
}

/** Shows the line of one recording. */
export function trace(of: MapOf, runs: [number, number][][]): void {
  const map = ready(of);
  if (!map) return;
  line = runs;
  const source = map.getSource<GeoJSONSource>(ONE);
  if (source) source.setData(geometry());
  else if (map.isStyleLoaded()) settle(map);
}

/** Takes the tiles off the map. */
export function hide(of: MapOf): void {
  const map = of();
  tiles = undefined;
  if (map) remove(map, ALL);
}

/** Takes everything off the map. */
export function clear(of: MapOf): void {
  const map = of();
  hide(of);
  line = [];
  if (map) remove(map, ONE);
}
