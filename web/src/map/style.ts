// The map's style: one function of a sheet's palette and of the region shown.
//
// From below: ground and relief, water and borders, roads, names. A road says with its colour how
// much it bends or what it is worth to the rider's taste, with its width what class it is, with its dashes what it is made of, and with
// strokes across that it is closed.

import type {
  ExpressionSpecification,
  FilterSpecification,
  LayerSpecification,
  LineLayerSpecification,
  SourceSpecification,
  StyleSpecification,
  SymbolLayerSpecification,
} from "maplibre-gl";
import { fade } from "./colour";
import { fontFaces, ITALIC, PLAIN, STRONG } from "./fonts";
import { BEND_CLASSES_DEG_PER_KM, PALETTES, type Palette, type PaletteName } from "./palette";

export interface StyleOptions {
  /** Name of the region, as in its addresses. */
  region: string;
  /** Its id, so that tiles of an older import are never shown. */
  id: string;
  /** What stands before `/api`; absolute. */
  tileBase: string;
  /** Credit for the data, if it wants one. */
  attribution: string | null;
  units: "metric" | "imperial";
  hasRelief: boolean;
  /** Whether the region has a coast: then whatever is not land is sea. */
  hasCoast: boolean;
  /** What roads are shaded by. */
  shade: Shade;
  /** The taste whose `worth` the tiles carry: a name, or a whole taste as JSON. */
  taste?: string | undefined;
}

export type Shade = "bends" | "worth";

/** A taste that asks for nothing: roads are shaded by their bends. */
const NO_TASTE = "fastest";

/** Address of the tiles that hold the roads alone, with what they are worth to a taste; a template. */
export const roadAddress = (options: StyleOptions) =>
  `${address(options, "tiles")}&only=roads&taste=${encodeURIComponent(options.taste ?? NO_TASTE)}`;

const address = ({ tileBase, region, id }: StyleOptions, kind: "tiles" | "relief") =>
  `${tileBase}/api/regions/${encodeURIComponent(region)}/${kind}/{z}/{x}/{y}?v=${encodeURIComponent(id)}`;

/** Source and layers other parts of the page refer to. */
export const REGION_SOURCE = "region";
/** The roads once more, as lines to shade: another taste changes these and leaves all names in place. */
export const ROADS_SOURCE = "roads";
export const RELIEF_SOURCE = "relief";
/** The lowest of the lettering: what the page draws on the map goes under it. */
export const FIRST_LABEL_LAYER = "name-water-line";
/** The lowest of the roads. */
export const FIRST_ROAD_LAYER = "ferry";
/** The layers a pointer meets a road on. */
export const ROAD_LAYERS = ["road-minor", "road", "road-unpaved", "road-unsure", "road-shut", "ferry"];

const VECTOR_MAX_ZOOM = 15;
const RELIEF_MAX_ZOOM = 12;

type Expr = ExpressionSpecification;
type LinePaint = NonNullable<LineLayerSpecification["paint"]>;
type LineLayout = NonNullable<LineLayerSpecification["layout"]>;
type SymbolPaint = NonNullable<SymbolLayerSpecification["paint"]>;
type SymbolLayout = NonNullable<SymbolLayerSpecification["layout"]>;

/** The style of a region on a sheet. */
export function style(name: PaletteName, options: StyleOptions): StyleSpecification {
  const palette = PALETTES[name];
  const { attribution } = options;
  const sources: Record<string, SourceSpecification> = {
    [REGION_SOURCE]: {
      type: "vector",
      tiles: [address(options, "tiles")],
      maxzoom: VECTOR_MAX_ZOOM,
      ...(attribution ? { attribution } : {}),
    },
    [ROADS_SOURCE]: { type: "vector", tiles: [roadAddress(options)], maxzoom: VECTOR_MAX_ZOOM },
  };
  if (options.hasRelief) {
    sources[RELIEF_SOURCE] = {
      type: "raster-dem",
      tiles: [address(options, "relief")],
      tileSize: 256,
      maxzoom: RELIEF_MAX_ZOOM,
      encoding: "terrarium",
    };
  }
  return {
    version: 8,
    "font-faces": fontFaces(),
    sources,
    layers: [
      ...ground(palette, options),
      ...lines(palette),
      ...roads(palette, options.shade),
      ...labels(palette, options.units),
    ],
  };
}

/** Colour of the sheet where nothing is drawn. */
export function background(palette: Palette, hasCoast: boolean): string {
  return hasCoast ? palette.water : palette.land;
}

// --- ground ---------------------------------------------------------------------------------

function ground(p: Palette, options: StyleOptions): LayerSpecification[] {
  const area = (kind: string, colour: string): LayerSpecification => ({
    id: `ground-${kind}`,
    type: "fill",
    source: REGION_SOURCE,
    "source-layer": "land",
    filter: ["==", ["get", "kind"], kind],
    paint: { "fill-color": colour, "fill-antialias": kind !== "land" },
  });
  const relief: LayerSpecification = {
    id: "relief",
    type: "hillshade",
    source: RELIEF_SOURCE,
    paint: {
      "hillshade-method": "multidirectional",
      // A main light from the north-west, as on printed sheets, and weaker ones beside it.
      "hillshade-illumination-direction": [315, 270, 0],
      "hillshade-illumination-altitude": [40, 35, 35],
      "hillshade-shadow-color": [0.34, 0.16, 0.16].map((a) => fade(p.shade, a)),
      "hillshade-highlight-color": [0.22, 0.1, 0.1].map((a) => fade(p.light, a)),
      "hillshade-exaggeration": ["interpolate", ["linear"], ["zoom"], 7, 0.62, 11, 0.5, 15, 0.34],
    },
  };
  return [
    { id: "sheet", type: "background", paint: { "background-color": background(p, options.hasCoast) } },
    area("land", p.land),
    area("field", p.field),
    area("bare", p.bare),
    area("wood", p.wood),
    area("wetland", p.wetland),
    area("sand", p.sand),
    area("glacier", p.glacier),
    area("built_up", p.built_up),
    ...(options.hasRelief ? [relief] : []),
    area("water", p.water),
  ];
}

function lines(p: Palette): LayerSpecification[] {
  const line = (id: string, kinds: string[], paint: LinePaint, minzoom = 0): LineLayerSpecification => ({
    id,
    type: "line",
    source: REGION_SOURCE,
    "source-layer": "lines",
    minzoom,
    filter: ["in", ["get", "kind"], ["literal", kinds]],
    layout: { "line-join": "round", "line-cap": "round" },
    paint,
  });
  return [
    line("stream", ["stream"], { "line-color": p.waterEdge, "line-width": zooms([12, 0.4], [16, 1.4]) }, 11),
    line("river", ["river"], { "line-color": p.waterEdge, "line-width": zooms([7, 0.4], [11, 1], [16, 3]) }),
    line("coast", ["coast"], { "line-color": p.waterEdge, "line-width": zooms([6, 0.5], [14, 1.1]) }),
    line("rail", ["rail"], { "line-color": p.rail, "line-width": zooms([9, 0.5], [14, 1.1]) }, 9),
    {
      ...line("rail-ties", ["rail"], {
        "line-color": p.rail,
        "line-width": zooms([12, 3], [16, 5]),
        "line-dasharray": [0.3, 3.5],
      }),
      minzoom: 12,
      layout: { "line-cap": "butt" },
    },
    line(
      "state-border",
      ["state_border"],
      { "line-color": p.border, "line-width": zooms([6, 0.5], [12, 1]), "line-dasharray": [3, 2] },
      6,
    ),
    line("country-border-band", ["country_border"], {
      "line-color": fade(p.border, 0.16),
      "line-width": zooms([5, 2], [10, 5], [14, 9]),
    }),
    line("country-border", ["country_border"], {
      "line-color": p.border,
      "line-width": zooms([5, 0.7], [12, 1.3]),
      "line-dasharray": [5, 1.5, 1, 1.5],
    }),
  ];
}

// --- roads ----------------------------------------------------------------------------------

/** Width in pixels by zoom for each rank of road. */
const WIDTHS: [
  zoom: number,
  motorway: number,
  main: number,
  second: number,
  third: number,
  lane: number,
  town: number,
  track: number,
][] = [
  [5, 0.9, 0.7, 0.5, 0.4, 0.4, 0.3, 0.3],
  [8, 1.5, 1.3, 1.1, 0.9, 0.7, 0.4, 0.4],
  [10, 2.2, 2, 1.8, 1.5, 1.2, 0.6, 0.6],
  [12, 3.4, 3.2, 2.9, 2.5, 2.0, 1.1, 1.0],
  [14, 5.2, 5, 4.7, 4, 3.4, 2.4, 1.6],
  [16, 9.5, 9, 8.5, 7.5, 6.5, 5.5, 2.8],
  [19, 24, 22, 21, 19, 17, 15, 7],
];

const CLASS: Expr = ["get", "class"];
const is = (key: string): Expr => ["==", ["get", key], true];
const classIs = (...classes: string[]): Expr => ["in", CLASS, ["literal", classes]];
const accessIs = (...values: string[]): Expr => ["in", ["get", "access"], ["literal", values]];
const both = (...all: Expr[]): FilterSpecification => ["all", ...all] as FilterSpecification;
const not = (e: Expr): Expr => ["!", e];

const MINOR = classIs("service", "track", "path");
const FERRY = classIs("ferry");
const SHUT = accessIs("closed");
const UNVERIFIED = accessIs("unverified");
const RESTRICTED = accessIs("destination", "permit", "private");
const UNPAVED: Expr = ["==", ["get", "paved"], 0];
const UNKNOWN: Expr = ["!", ["has", "paved"]];

/** Road width by class and zoom, times a factor, plus pixels. */
function width(factor = 1, plus = 0): Expr {
  const stops = WIDTHS.flatMap(([zoom, motorway, main, second, third, lane, town, track]) => {
    const px = (value: number) => Math.round((value * factor + plus) * 100) / 100;
    const small: Expr = ["case", is("link"), px(third), px(main)];
    return [
      zoom,
      [
        "match",
        CLASS,
        "motorway",
        ["case", is("link"), px(third), px(motorway)],
        ["trunk", "primary"],
        small,
        "secondary",
        px(second),
        "tertiary",
        px(third),
        "unclassified",
        px(lane),
        ["residential", "living_street"],
        px(town),
        px(track),
      ],
    ];
  });
  return ["interpolate", ["exponential", 1.5], ["zoom"], ...stops] as unknown as Expr;
}

/** Bend rate or worth decides outside towns; elsewhere, and where not everybody may ride, roads are plain. */
function roadColour(p: Palette, shade: Shade): Expr {
  const [straightest = p.town, ...others] = p.bends;
  const classes = BEND_CLASSES_DEG_PER_KM.slice(1).flatMap((from, i) => [from, others[i] ?? straightest]);
  const byBends: Expr = ["step", ["get", "bend"], straightest, ...classes] as unknown as Expr;
  const [worthless = p.town, ...better] = p.worth;
  const byWorth: Expr = [
    "step",
    ["get", "worth"],
    worthless,
    ...better.flatMap((colour, i) => [i + 1, colour]),
  ] as unknown as Expr;
  return [
    "case",
    SHUT,
    p.closed,
    UNVERIFIED,
    p.unverified,
    RESTRICTED,
    p.restricted,
    ["==", CLASS, "motorway"],
    p.motorway,
    ["any", is("built_up"), is("link")],
    p.town,
    shade === "worth" ? byWorth : byBends,
  ] as unknown as Expr;
}

function roads(p: Palette, shade: Shade): LayerSpecification[] {
  const road = (
    id: string,
    minzoom: number,
    filter: FilterSpecification,
    paint: LinePaint,
    layout: LineLayout = {},
  ): LineLayerSpecification => ({
    id,
    type: "line",
    source: ROADS_SOURCE,
    "source-layer": "roads",
    minzoom,
    filter,
    layout: { "line-join": "round", ...layout },
    paint,
  });
  const colour = roadColour(p, shade);
  // Within a class the better road lies on top.
  const winding: LineLayout = {
    "line-sort-key": shade === "worth" ? ["coalesce", ["get", "worth"], 0] : ["get", "bend"],
  };
  const solid = [not(FERRY), not(MINOR), not(UNPAVED)];
  const inTunnel: Expr = ["case", is("tunnel"), 0.45, 1];
  return [
    road("ferry", 7, both(FERRY, not(SHUT)), {
      "line-color": p.ferry,
      "line-width": zooms([7, 0.8], [14, 1.8]),
      "line-dasharray": [4, 2.5],
    }),
    road(
      "road-edge",
      11,
      both(...solid),
      {
        "line-color": p.roadEdge,
        "line-width": width(1, 1.5),
        "line-opacity": zooms([11, 0.25], [12.5, 0.9]),
        // Where nobody says what the road is made of, its edges are dotted.
        "line-dasharray": ["case", UNKNOWN, ["literal", [0.4, 0.4]], ["literal", [1, 0]]],
      },
      { "line-cap": "butt" },
    ),
    road("road-minor-edge", 14, both(classIs("service"), not(UNPAVED)), {
      "line-color": p.roadEdge,
      "line-width": width(1, 1),
      "line-opacity": 0.7,
    }),
    road(
      "road-minor",
      12,
      both(MINOR, ["==", ["get", "paved"], 1], not(UNVERIFIED), not(SHUT)),
      {
        "line-color": ["case", classIs("service"), p.town, colour],
        "line-width": width(),
        "line-opacity": inTunnel,
      },
      { "line-cap": "round", ...winding },
    ),
    // No dash tells of the unknown on a service road: most are yards and car parks.
    road(
      "road-service",
      13,
      both(classIs("service"), UNKNOWN, not(UNVERIFIED), not(SHUT)),
      { "line-color": p.town, "line-width": width() },
      { "line-cap": "round" },
    ),
    road(
      "road-unsure",
      11,
      both(["any", ["all", classIs("track", "path"), UNKNOWN], UNVERIFIED] as Expr, not(SHUT), not(FERRY)),
      {
        "line-color": colour,
        "line-width": width(0.9),
        "line-opacity": zooms([11, 0.5], [13, 1]),
        "line-dasharray": [
          "case",
          UNPAVED,
          ["literal", [2.6, 1.8]],
          UNKNOWN,
          ["literal", [0.1, 2.2]],
          ["literal", [1, 0]],
        ],
      },
      { "line-cap": "round", ...winding },
    ),
    road("road-shut", 11, both(SHUT, not(FERRY), ["any", not(MINOR), [">=", ["zoom"], 13]] as Expr), {
      "line-color": p.closed,
      "line-width": width(0.8),
    }),
    road(
      "road",
      4,
      both(...solid, not(SHUT), not(UNVERIFIED)),
      { "line-color": colour, "line-width": width(), "line-opacity": inTunnel },
      { "line-cap": "round", ...winding },
    ),
    road(
      "road-unpaved",
      8,
      both(UNPAVED, not(FERRY), not(SHUT), not(UNVERIFIED)),
      {
        "line-color": ["case", is("built_up"), p.roadEdge, RESTRICTED, p.roadEdge, colour],
        "line-width": width(),
        "line-dasharray": [2.4, 1.1],
        "line-opacity": inTunnel,
      },
      { "line-cap": "butt", ...winding },
    ),
    road("road-bridge", 13, both(is("bridge"), not(FERRY), not(MINOR)), {
      "line-color": p.quietInk,
      "line-width": zooms([13, 0.6], [17, 1.1]),
      "line-gap-width": width(1, 0.6),
    }),
  ];
}

// --- lettering and pictograms ------------------------------------------------------------------

function labels(p: Palette, units: StyleOptions["units"]): LayerSpecification[] {
  const symbol = (
    id: string,
    layer: string,
    minzoom: number,
    filter: FilterSpecification,
    layout: SymbolLayout,
    paint: SymbolPaint = {},
  ): SymbolLayerSpecification => ({
    id,
    type: "symbol",
    source: REGION_SOURCE,
    "source-layer": layer,
    minzoom,
    filter,
    layout,
    paint: {
      "text-color": p.ink,
      "text-halo-color": fade(p.halo, 0.88),
      "text-halo-width": 1.3,
      "text-halo-blur": 0.4,
      ...paint,
    },
  });
  const kindIs = (...kinds: string[]): Expr => ["in", ["get", "kind"], ["literal", kinds]];
  const image = (name: string) => `${p.name}/${name}`;
  const water = { "text-color": p.waterInk };
  const along: SymbolLayout = {
    "symbol-placement": "line",
    "icon-rotation-alignment": "map",
    "icon-allow-overlap": true,
    "icon-ignore-placement": true,
    "icon-padding": 0,
  };
  const service = (id: string, kinds: string[], minzoom: number, text: number): SymbolLayerSpecification =>
    symbol(
      id,
      "places",
      minzoom,
      both(kindIs(...kinds)),
      {
        "icon-image": ["concat", `${p.name}/`, ["get", "kind"]],
        "icon-size": zooms([11, 0.75], [16, 1]),
        "icon-padding": 3,
        "text-field": ["step", ["zoom"], "", text, ["coalesce", ["get", "name"], ""]],
        "text-font": [PLAIN],
        "text-size": 11,
        "text-anchor": "top",
        "text-offset": [0, 0.75],
        "text-max-width": 8,
        "text-optional": true,
        "symbol-sort-key": ["-", ["get", "rank"]],
      },
      { "text-color": p.quietInk },
    );
  const settlement = (
    id: string,
    kinds: string[],
    minzoom: number,
    size: Expr,
    font: string,
  ): SymbolLayerSpecification =>
    symbol(id, "places", minzoom, both(kindIs(...kinds)), {
      "text-field": ["get", "name"],
      "text-font": [font],
      "text-size": size,
      "text-max-width": 7,
      "text-padding": 4,
      "text-letter-spacing": 0.01,
      "symbol-sort-key": ["-", ["get", "rank"]],
    });
  const height: Expr = ["case", ["has", "height_m"], heightText(units), ""];
  const summit = (
    id: string,
    kind: string,
    minzoom: number,
    size: Expr,
    icon: Expr,
  ): SymbolLayerSpecification =>
    symbol(id, "places", minzoom, both(kindIs(kind)), {
      "icon-image": image(kind),
      "icon-size": icon,
      "icon-padding": 0,
      "text-field": [
        "format",
        ["coalesce", ["get", "name"], ""],
        {},
        "\n",
        {},
        height,
        { "font-scale": 0.86 },
      ],
      "text-font": [ITALIC],
      "text-size": size,
      "text-anchor": "top",
      "text-offset": [0, 0.55],
      "text-max-width": 8,
      "text-line-height": 1.05,
      "text-optional": kind === "pass",
      "symbol-sort-key": ["-", ["get", "rank"]],
    });

  return [
    symbol(
      FIRST_LABEL_LAYER,
      "lines",
      11,
      both(["in", ["get", "kind"], ["literal", ["river", "stream"]]], ["has", "name"]),
      {
        "symbol-placement": "line",
        "symbol-spacing": 420,
        "text-field": ["get", "name"],
        "text-font": [ITALIC],
        "text-size": zooms([11, 10.5], [16, 12.5]),
        "text-letter-spacing": 0.06,
        "text-max-angle": 35,
      },
      water,
    ),
    symbol(
      "road-strike",
      "roads",
      9,
      both(SHUT, not(FERRY), ["any", not(MINOR), [">=", ["zoom"], 13]] as Expr),
      {
        ...along,
        "icon-image": image("strike"),
        "icon-size": zooms([9, 0.45], [13, 0.65], [17, 1]),
        "symbol-spacing": zooms([9, 8], [14, 13], [17, 26]),
      },
    ),
    symbol("road-oneway", "roads", 15, both(["has", "oneway"], not(SHUT)), {
      ...along,
      "icon-image": image("oneway"),
      "icon-size": zooms([15, 0.55], [18, 0.95]),
      "icon-rotate": ["case", ["==", ["get", "oneway"], -1], 180, 0],
      "symbol-spacing": 110,
    }),
    symbol(
      "road-mark",
      "roads",
      11,
      both(["any", is("seasonal"), ["all", is("ford"), [">=", ["zoom"], 13]]] as Expr, not(SHUT)),
      {
        "symbol-placement": "line",
        "icon-rotation-alignment": "viewport",
        "icon-image": ["case", is("ford"), image("ford"), image("seasonal")],
        "icon-size": zooms([11, 0.6], [16, 0.9]),
        "symbol-spacing": 160,
        "icon-padding": 4,
      },
    ),
    symbol(
      "road-name",
      "roads",
      13,
      both(["has", "name"], not(FERRY), [
        "any",
        not(classIs("residential", "living_street", "service", "track", "path")),
        [">=", ["zoom"], 15],
      ] as Expr),
      {
        "symbol-placement": "line",
        "symbol-spacing": 380,
        "text-field": ["get", "name"],
        "text-font": [PLAIN],
        "text-size": zooms([13, 10], [17, 12.5]),
        "text-letter-spacing": 0.02,
        "text-max-angle": 30,
      },
      { "text-color": p.quietInk },
    ),
    symbol(
      "ferry-name",
      "roads",
      10,
      both(FERRY, ["has", "name"]),
      {
        "symbol-placement": "line",
        "symbol-spacing": 420,
        "text-field": ["get", "name"],
        "text-font": [ITALIC],
        "text-size": 11,
        "text-max-angle": 30,
      },
      water,
    ),
    symbol(
      "road-number",
      "roads",
      8,
      both(["has", "ref"], not(is("link")), [
        "any",
        classIs("motorway", "trunk", "primary"),
        ["all", classIs("secondary", "tertiary"), [">=", ["zoom"], 10]],
        [
          "all",
          not(classIs("secondary", "tertiary", "track", "path", "service", "ferry")),
          [">=", ["zoom"], 12],
        ],
      ] as Expr),
      {
        "symbol-placement": "line",
        "symbol-spacing": 300,
        "text-field": ["get", "ref"],
        "text-font": [STRONG],
        "text-size": zooms([8, 9.5], [14, 11.5]),
        "text-rotation-alignment": "viewport",
        "text-padding": 16,
      },
      { "text-color": p.quietInk, "text-halo-color": p.halo, "text-halo-width": 2 },
    ),
    service("food", ["food"], 13, 16),
    service("lodging", ["lodging"], 12, 15),
    service("camping", ["camping"], 12, 15),
    service("viewpoint", ["viewpoint"], 11, 14),
    service("fuel", ["fuel"], 11, 15),
    service("ferry-terminal", ["ferry_terminal"], 9, 12),
    summit("peak", "peak", 11, zooms([11, 9.5], [15, 12]), zooms([11, 0.6], [14, 0.8])),
    settlement("hamlet", ["hamlet", "suburb"], 12, zooms([12, 10], [16, 13]), PLAIN),
    symbol(
      "water-name",
      "places",
      9,
      both(kindIs("water")),
      {
        "text-field": ["get", "name"],
        "text-font": [ITALIC],
        "text-size": zooms([9, 10.5], [15, 14]),
        "text-max-width": 6,
        "text-letter-spacing": 0.04,
      },
      water,
    ),
    symbol("island-name", "places", 8, both(kindIs("island")), {
      "text-field": ["get", "name"],
      "text-font": [ITALIC],
      "text-size": zooms([8, 10.5], [14, 14]),
      "text-letter-spacing": 0.06,
    }),
    summit("pass", "pass", 8, zooms([8, 10], [15, 13]), zooms([8, 0.7], [14, 1])),
    settlement("village", ["village"], 9, zooms([9, 10], [12, 11.5], [16, 15]), PLAIN),
    settlement("town", ["town"], 7, zooms([7, 10.5], [12, 14], [16, 19]), PLAIN),
    settlement("city", ["city"], 4, zooms([4, 11], [8, 13.5], [12, 18], [16, 23]), STRONG),
  ];
}

function heightText(units: StyleOptions["units"]): Expr {
  return units === "imperial"
    ? ["concat", ["to-string", ["round", ["*", ["get", "height_m"], 3.28084]]], " ft"]
    : ["concat", ["to-string", ["get", "height_m"]], " m"];
}

/** A number that grows with the zoom. */
function zooms(...stops: [zoom: number, value: number][]): Expr {
  return ["interpolate", ["linear"], ["zoom"], ...stops.flat()] as unknown as Expr;
}
