// Own pictograms, drawn on a field of 20 units: plain shapes in ink on a rim of paper, so that they
// read on any ground without a frame.

import type { Palette } from "./palette";

/** What stands at a place. Keys are `kind`s of the `places` layer. */
const SHAPES = {
  // A pump: body, window and the hose at its side.
  fuel: `<path d="M5 17V4.6Q5 3.5 6.1 3.5h4.8q1.1 0 1.1 1.1V17z"/><path class="cut" d="M6.8 5.4h3.4v3H6.8z"/>
    <path class="stroke" d="M12 10.5h1.2q1 0 1 1v2.3q0 1.2 1 1.2t1-1.2V8L14 5.6"/>`,
  // A bed seen from the side.
  lodging: `<path class="stroke" d="M3.5 5v11M3.5 13.2h13V16M16.5 13.2v-2.4q0-1.3-1.3-1.3H8.6v3.4"/>
    <circle cx="6" cy="10.2" r="1.5"/>`,
  // A ridge tent with an open flap.
  camping: `<path d="M10 4 17.5 16.5h-15z"/><path class="cut" d="M10 10l2.8 5.2H7.2z"/>`,
  // A bowl with steam.
  food: `<path d="M3.5 9.8h13q0 5-4 6.7h-5q-4-1.7-4-6.7z"/>
    <path class="stroke" d="M8 7.8q-1.2-1.1 0-2.2T8 3.4M12 7.8q-1.2-1.1 0-2.2t0-2.2"/>`,
  // A standpoint and the open half of the horizon.
  viewpoint: `<circle cx="10" cy="15" r="2"/>
    <path class="stroke" d="M3.6 13.5 5.6 13.9M5.8 8.3 7.3 9.8M10 6V8.2M14.2 8.3 12.7 9.8M16.4 13.5 14.4 13.9"/>`,
  // A hull with a deckhouse over a wave.
  ferry_terminal: `<path d="M7 4.5h6v4H7zM3.5 9.3h13L14.6 13.5H5.4z"/>
    <path class="stroke" d="M3 16.3q1.7-1.5 3.5 0t3.5 0 3.5 0 3.5 0"/>`,
  // Two slopes that leave a way between them.
  pass: `<path class="stroke" d="M4.8 4.2q4.6 5.8 0 11.6M15.2 4.2q-4.6 5.8 0 11.6"/>`,
  peak: `<path d="M10 5.5 15 14.5H5z"/>`,
  settlement: `<circle cx="10" cy="10" r="2.6"/><circle class="cut" cx="10" cy="10" r="1.2"/>`,
} as const;

/** What stands along a road; drawn without a rim. */
const MARKS = {
  // A stroke across the road: closed.
  strike: `<path class="stroke" d="M7.6 14 12.4 6"/>`,
  // An arrowhead along it: one way.
  oneway: `<path class="thin" d="M5 10h9M11 7.2 14.4 10 11 12.8"/>`,
  // A star of six rays: not all the year.
  seasonal: `<path class="thin" d="M10 4.5v11M5.2 7.2l9.6 5.6M14.8 7.2l-9.6 5.6"/>`,
  // Two waves across: a ford.
  ford: `<path class="thin" d="M4 8.2q1.5-1.6 3 0t3 0 3 0 3 0M4 12q1.5-1.6 3 0t3 0 3 0 3 0"/>`,
} as const;

export type Pictogram = keyof typeof SHAPES | keyof typeof MARKS;

export const PICTOGRAMS = [...Object.keys(SHAPES), ...Object.keys(MARKS)] as Pictogram[];

/** Side of a pictogram's field, in units and in CSS pixels at its natural size. */
export const FIELD = 20;

/** A pictogram as an SVG document in the colours of a sheet. */
export function pictogram(name: Pictogram, palette: Palette): string {
  const shape = { ...SHAPES, ...MARKS }[name];
  const colour = name === "strike" ? palette.strike : name in MARKS ? palette.quietInk : palette.ink;
  const drawn = (ink: string, rim: number) => {
    const pen = (width: number) => `fill="none" stroke-width="${width + rim}"`;
    const strokes = shape
      .replaceAll('class="stroke"', pen(1.7))
      .replaceAll('class="thin"', pen(1.3))
      .replaceAll('class="cut"', `fill="${palette.halo}" stroke="none"`);
    return `<g fill="${ink}" stroke="${ink}" stroke-width="${rim}" stroke-linejoin="round" stroke-linecap="round">${strokes}</g>`;
  };
  const rim = name in MARKS ? "" : drawn(palette.halo, 2.6);
  return `<svg xmlns="http://www.w3.org/2000/svg" width="${FIELD}" height="${FIELD}" viewBox="0 0 ${FIELD} ${FIELD}">${rim}${drawn(colour, 0)}</svg>`;
}

/** An SVG document as an address an image can be loaded from. */
export function dataUrl(svg: string): string {
  return `data:image/svg+xml;charset=utf-8,${encodeURIComponent(svg)}`;
}
