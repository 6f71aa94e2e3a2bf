// Setting the map up: everything it needs comes from the page's own server.

import {
  AttributionControl,
  Map as GlMap,
  type LngLatBoundsLike,
  NavigationControl,
  ScaleControl,
  setWorkerUrl,
  type VectorTileSource,
} from "maplibre-gl";
import workerUrl from "maplibre-gl/dist/maplibre-gl-worker.mjs?url";
import "maplibre-gl/dist/maplibre-gl.css";
import { PALETTES, type PaletteName } from "./palette";
import { dataUrl, FIELD, PICTOGRAMS, type Pictogram, pictogram } from "./pictograms";
import { background, REGION_SOURCE, ROADS_SOURCE, roadAddress, type StyleOptions, style } from "./style";

setWorkerUrl(workerUrl);

/** Pictograms are drawn at this many device pixels a CSS pixel, sharp on most screens. */
const SHARPNESS = 3;

export interface Sheet {
  map: GlMap;
  /** Shows another region, or the same on another sheet, in other units or to another taste. */
  show(palette: PaletteName, options: StyleOptions): void;
  /** Whether the roads on the screen are shaded by the taste asked for. */
  shaded(): boolean;
}

/** Makes the map in `container`. `bounds_deg`: west, south, east, north to begin with. */
export function createMap(
  container: HTMLElement,
  palette: PaletteName,
  options: StyleOptions,
  bounds_deg: [number, number, number, number],
): Sheet {
  const map = new GlMap({
    container,
    style: style(palette, options),
    bounds: padded(bounds_deg),
    fitBoundsOptions: { padding: 24 },
    maxZoom: 18.5,
    attributionControl: false,
    dragRotate: false,
    pitchWithRotate: false,
    touchPitch: false,
    keyboard: true,
    // Keeps names from flickering at tile edges while the line is dragged.
    fadeDuration: 150,
    localIdeographFontFamily: "sans-serif",
  });
  map.touchZoomRotate.disableRotation();
  map.keyboard.disableRotation();
  map.addControl(new AttributionControl({ compact: true }), "bottom-right");
  map.addControl(new NavigationControl({ showCompass: false }), "bottom-right");
  let scale = new ScaleControl({ unit: options.units, maxWidth: 90 });
  map.addControl(scale, "bottom-left");
  map.setMissingStyleImageResolver((id) => addPictogram(map, id));
  let shown = { palette, options };
  // A region does not say whether it has a coast before its first tiles are read.
  map.on("sourcedata", (event) => {
    if (event.sourceId !== REGION_SOURCE || !event.isSourceLoaded || shown.options.hasCoast) return;
    const land = { sourceLayer: "land", filter: ["==", ["get", "kind"], "land"] };
    if (map.querySourceFeatures(REGION_SOURCE, land as never).length > 0) {
      shown = { ...shown, options: { ...shown.options, hasCoast: true } };
      map.setPaintProperty("sheet", "background-color", background(PALETTES[shown.palette], true));
    }
  });
  // Tiles of another taste replace the old ones one by one; one set is on its way at a time, and the
  // newest taste waits behind it.
  let wanted = options.taste;
  let waiting = false;
  const shade = () => {
    if (waiting || wanted === undefined || wanted === shown.options.taste) return;
    const source = map.getSource<VectorTileSource>(ROADS_SOURCE);
    if (!source) return;
    shown = { ...shown, options: { ...shown.options, taste: wanted } };
    waiting = true;
    source.setTiles([roadAddress(shown.options)]);
  };
  const arrived = () => {
    if (!waiting || !map.isSourceLoaded(ROADS_SOURCE)) return;
    waiting = false;
    shade();
  };
  map.on("sourcedata", (event) => event.sourceId === ROADS_SOURCE && arrived());
  map.on("idle", arrived);
  return {
    map,
    show(palette, options) {
      const same = options.region === shown.options.region && options.id === shown.options.id;
      const hasCoast = options.hasCoast || (same && shown.options.hasCoast);
      if (options.units !== shown.options.units) {
        map.removeControl(scale);
        scale = new ScaleControl({ unit: options.units, maxWidth: 90 });
        map.addControl(scale, "bottom-left");
      }
      wanted = options.taste;
      // The style keeps the tiles that are there, so that nothing vanishes while the new ones come.
      const taste = same ? shown.options.taste : wanted;
      const next = { ...options, hasCoast, taste };
      const sameStyle = palette === shown.palette && JSON.stringify(next) === JSON.stringify(shown.options);
      shown = { palette, options: next };
      if (!sameStyle) map.setStyle(style(palette, next), { diff: true });
      if (!same) waiting = false;
      shade();
    },
    shaded: () => !waiting && (wanted === undefined || wanted === shown.options.taste),
  };
}

/** Draws the pictogram an image id such as `night/fuel` asks for. */
async function addPictogram(map: GlMap, id: string): Promise<void> {
  const [sheet, name] = id.split("/");
  if (!(sheet === "day" || sheet === "night") || !PICTOGRAMS.includes(name as Pictogram)) return;
  const size = FIELD * SHARPNESS;
  const image = new Image(size, size);
  image.src = dataUrl(pictogram(name as Pictogram, PALETTES[sheet]));
  await image.decode();
  const canvas = new OffscreenCanvas(size, size);
  const paper = canvas.getContext("2d");
  if (!paper || map.hasImage(id)) return;
  paper.drawImage(image, 0, 0, size, size);
  map.addImage(id, paper.getImageData(0, 0, size, size), { pixelRatio: SHARPNESS });
}

/** A region may be a single junction; the map needs a box. */
function padded([west, south, east, north]: [number, number, number, number]): LngLatBoundsLike {
  const least_deg = 0.002;
  return [west - least_deg, south - least_deg, east + least_deg, north + least_deg];
}
