// What the sheet means, as small samples with words, for the page's legend.

import { BEND_CLASSES_DEG_PER_KM, PALETTES, type Palette, type PaletteName, WORTH_STEPS } from "./palette";
import { type Pictogram, pictogram } from "./pictograms";
import type { Shade } from "./style";

export interface LegendEntry {
  /** A sample, as an SVG document. */
  svg: string;
  text: string;
}

export interface LegendPart {
  title: string;
  entries: LegendEntry[];
}

const WIDE = 44;
const HIGH = 20;
const SLOPE = "M2 14C12 14 14 6 24 6s10 6 18 6";

/** The legend of a sheet, in the order it is read. */
export function legend(name: PaletteName, shade: Shade): LegendPart[] {
  const p = PALETTES[name];
  const solid = (colour: string) => road(p, colour, 4, { edge: p.roadEdge });
  const winding = p.bends[4] ?? p.town;
  const place = (name: Pictogram, text: string): LegendEntry => ({ svg: pictogram(name, p), text });
  const bends = {
    title: "Bends outside towns, degrees of turning per kilometre",
    entries: p.bends.map((colour, i) => ({ svg: solid(colour), text: range(i) })),
  };
  const worth = {
    title: "Worth outside towns, from nothing to the best road there is for the taste",
    entries: p.worth.map((colour, i) => ({ svg: solid(colour), text: worthRange(i) })),
  };
  return [
    shade === "worth" ? worth : bends,
    {
      title: "Roads",
      entries: [
        { svg: road(p, p.motorway, 5, { edge: p.roadEdge }), text: "motorway" },
        { svg: solid(p.town), text: "road in a town" },
        { svg: road(p, winding, 3.5, { dash: "8 4" }), text: "unpaved" },
        { svg: road(p, winding, 3.5, { edge: p.roadEdge, edgeDash: "2 2" }), text: "surface unknown" },
        { svg: road(p, winding, 2.5, { dash: "0.1 5", round: true }), text: "track, surface unknown" },
        {
          svg: road(p, p.unverified, 2, { dash: "5 4", round: true }),
          text: "track whose access is not verified: check before you ride",
        },
        {
          svg: road(p, p.restricted, 4, { edge: p.roadEdge }),
          text: "destination only, by permit, or private",
        },
        { svg: road(p, p.closed, 3.5, { strikes: true }), text: "closed or forbidden to motorcycles" },
        { svg: road(p, p.ferry, 1.8, { dash: "7 4" }), text: "ferry" },
        place("oneway", "one way"),
        place("seasonal", "not open all the year"),
        place("ford", "ford"),
      ],
    },
    {
      title: "Places",
      entries: [
        place("pass", "pass, with its height"),
        place("peak", "peak"),
        place("viewpoint", "viewpoint"),
        place("fuel", "fuel"),
        place("food", "food and drink"),
        place("lodging", "bed"),
        place("camping", "camping"),
        place("ferry_terminal", "ferry landing"),
      ],
    },
    {
      title: "Ground",
      entries: [
        { svg: ground(p.wood), text: "wood" },
        { svg: ground(p.field), text: "meadow, field" },
        { svg: ground(p.bare), text: "rock, heath" },
        { svg: ground(p.glacier), text: "glacier" },
        { svg: ground(p.wetland), text: "wetland" },
        { svg: ground(p.sand), text: "sand" },
        { svg: ground(p.built_up), text: "built-up" },
        { svg: ground(p.water), text: "water" },
      ],
    },
  ];
}

function range(i: number): string {
  const [from, to] = [BEND_CLASSES_DEG_PER_KM[i], BEND_CLASSES_DEG_PER_KM[i + 1]];
  if (to === undefined) return `${from} and more`;
  return i === 0 ? `below ${to}` : `${from} to ${to}`;
}

function worthRange(i: number): string {
  const share = Math.round((100 * i) / (WORTH_STEPS - 1));
  return i === 0 ? "about 0 %: just a road" : `about ${share} %`;
}

interface Stroke {
  edge?: string;
  edgeDash?: string;
  dash?: string;
  round?: boolean;
  strikes?: boolean;
}

function road(p: Palette, colour: string, width: number, stroke: Stroke): string {
  const line = (ink: string, wide: number, more: string) =>
    `<path d="${SLOPE}" fill="none" stroke="${ink}" stroke-width="${wide}" ${more}/>`;
  const dashed = (dash: string | undefined) => (dash ? `stroke-dasharray="${dash}"` : "");
  const strikes = [9, 17, 25, 33]
    .map(
      (x) => `<path d="M${x - 2} 15l5-10" stroke="${p.strike}" stroke-width="1.6" stroke-linecap="round"/>`,
    )
    .join("");
  return document(
    WIDE,
    (stroke.edge ? line(stroke.edge, width + 1.6, dashed(stroke.edgeDash)) : "") +
      line(colour, width, dashed(stroke.dash) + (stroke.round ? ' stroke-linecap="round"' : "")) +
      (stroke.strikes ? strikes : ""),
  );
}

function ground(colour: string): string {
  return document(WIDE, `<path d="M2 3h40v14H2z" fill="${colour}"/>`);
}

function document(wide: number, content: string): string {
  return `<svg xmlns="http://www.w3.org/2000/svg" width="${wide}" height="${HIGH}" viewBox="0 0 ${wide} ${HIGH}">${content}</svg>`;
}
