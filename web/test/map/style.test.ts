import { validateStyleMin } from "@maplibre/maplibre-gl-style-spec";
import { describe, expect, it } from "vitest";
import { contrast, lightness, luminance } from "../../src/map/colour";
import { fontFaces } from "../../src/map/fonts";
import { legend } from "../../src/map/legend";
import { BEND_CLASSES_DEG_PER_KM, PALETTES, type PaletteName } from "../../src/map/palette";
import { PICTOGRAMS, pictogram } from "../../src/map/pictograms";
import { FIRST_LABEL_LAYER, ROAD_LAYERS, ROADS_SOURCE, type StyleOptions, style } from "../../src/map/style";

const OPTIONS: StyleOptions = {
  region: "Demo & co",
  id: "1f",
  tileBase: "http://127.0.0.1:1",
  attribution: "© OpenStreetMap contributors",
  units: "metric",
  hasRelief: true,
  hasCoast: true,
  shade: "bends",
};
const NAMES = Object.keys(PALETTES) as PaletteName[];

describe.each(NAMES)("the %s sheet", (name) => {
  const palette = PALETTES[name];
  const grounds = [
    palette.land,
    palette.wood,
    palette.field,
    palette.bare,
    palette.glacier,
    palette.sand,
    palette.wetland,
    palette.built_up,
    palette.water,
  ];

  it.each([{}, { hasRelief: false }, { hasCoast: false, attribution: null }, { units: "imperial" as const }])(
    "is a valid style with %o",
    (change) => {
      expect(validateStyleMin(style(name, { ...OPTIONS, ...change }) as never)).toEqual([]);
    },
  );

  it("asks nobody but the server for anything", () => {
    const text = JSON.stringify({ ...style(name, OPTIONS), "font-faces": null });
    const addresses = text.match(/[a-z]+:\/\/[^"]*/g) ?? [];
    expect(addresses.length).toBeGreaterThan(0);
    for (const address of addresses) expect(address.startsWith(OPTIONS.tileBase)).toBe(true);
    expect(text).toContain("Demo%20%26%20co");
    for (const face of Object.values(fontFaces()).flat()) {
      expect((face as { url: string }).url).not.toMatch(/^[a-z]+:/);
    }
  });

  it("shades by worth with the roads of a taste, and leaves the names alone", () => {
    const taste = JSON.stringify({ name: "own & mine", bends: 1 });
    const shaded = style(name, { ...OPTIONS, shade: "worth", taste });
    expect(validateStyleMin(shaded as never)).toEqual([]);
    expect(JSON.stringify(shaded.sources[ROADS_SOURCE])).toContain(encodeURIComponent(taste));
    for (const layer of shaded.layers) {
      if (!("source" in layer) || layer["source-layer"] !== "roads") continue;
      expect(layer.source).toBe(layer.type === "line" ? ROADS_SOURCE : "region");
    }
    const road = JSON.stringify(shaded.layers.find(({ id }) => id === "road")?.paint);
    for (const colour of palette.worth) expect(road).toContain(colour);
  });

  it("shades worth in equal steps of lightness, from the same ends as bends", () => {
    const { worth, bends } = palette;
    expect([worth[0], worth.at(-1)]).toEqual([bends[0], bends.at(-1)]);
    const steps = worth.slice(1).map((c, i) => lightness(c) - lightness(worth[i] as string));
    const mean = steps.reduce((a, b) => a + b) / steps.length;
    expect(Math.abs(mean)).toBeGreaterThan(0.035);
    for (const step of steps) expect(Math.abs(step - mean)).toBeLessThan(0.01);
  });

  it("has the layers the page refers to", () => {
    const ids = style(name, OPTIONS).layers.map((layer) => layer.id);
    expect(ids).toEqual(expect.arrayContaining([FIRST_LABEL_LAYER, ...ROAD_LAYERS]));
    expect(new Set(ids).size).toBe(ids.length);
  });

  it("shades bends in equal steps of lightness that also read in grey", () => {
    const { bends } = palette;
    expect(bends.length).toBe(BEND_CLASSES_DEG_PER_KM.length);
    const steps = (values: number[]) => values.slice(1).map((v, i) => v - (values[i] ?? 0));
    const inLab = steps(bends.map(lightness));
    const mean = inLab.reduce((a, b) => a + b) / inLab.length;
    expect(Math.abs(mean)).toBeGreaterThan(0.06);
    for (const step of inLab) expect(Math.abs(step - mean)).toBeLessThan(0.01);
    // CIE 1976 L* of the luminance alone: what a grey print keeps.
    const inGrey = steps(bends.map((c) => 116 * Math.cbrt(luminance(c)) - 16));
    const greyMean = inGrey.reduce((a, b) => a + b) / inGrey.length;
    for (const step of inGrey) expect(Math.abs(step - greyMean)).toBeLessThan(0.2 * Math.abs(greyMean));
    // More bends, further from the ground.
    const away = bends.map((c) => contrast(c, palette.land));
    expect(away).toEqual([...away].sort((a, b) => a - b));
  });

  it.each(["ink", "quietInk"] as const)("letters in %s read on any ground (WCAG 1.4.3)", (ink) => {
    for (const ground of grounds) expect(contrast(palette[ink], ground)).toBeGreaterThanOrEqual(4.5);
    expect(contrast(palette[ink], palette.halo)).toBeGreaterThanOrEqual(4.5);
  });

  it("letters in water read on water and on the halo", () => {
    expect(contrast(palette.waterInk, palette.water)).toBeGreaterThanOrEqual(4.5);
    expect(contrast(palette.waterInk, palette.halo)).toBeGreaterThanOrEqual(4.5);
  });

  it("draws the tour and what warns clear of the ground (WCAG 1.4.11)", () => {
    const marks = [palette.line, palette.stop, palette.via, palette.hover, palette.warn, palette.strike];
    for (const mark of [...marks, ...palette.days.map((day) => day.colour)]) {
      for (const ground of grounds) expect(contrast(mark, ground)).toBeGreaterThanOrEqual(3);
    }
    // The line's rim parts it from any road it lies on.
    expect(contrast(palette.line, palette.lineEdge)).toBeGreaterThanOrEqual(3);
    for (const point of [palette.stop, palette.via]) {
      expect(contrast(palette.pointInk, point)).toBeGreaterThanOrEqual(4.5);
    }
  });

  it("tells days apart by dash alone", () => {
    const dashes = palette.days.map((day) => JSON.stringify(day.dash));
    expect(new Set(dashes).size).toBe(dashes.length);
  });

  it("draws every pictogram as well-formed SVG with nothing from elsewhere", () => {
    for (const each of PICTOGRAMS) {
      const svg = pictogram(each, palette);
      expect(svg).not.toMatch(/href|url\(|undefined|class=/);
      const opened = svg.match(/<[a-z]/g)?.length ?? 0;
      const closed = (svg.match(/<\//g)?.length ?? 0) + (svg.match(/\/>/g)?.length ?? 0);
      expect(opened).toBe(closed);
    }
  });

  it("has a legend for every step of worth", () => {
    const all = legend(name, "worth").flatMap((part) => part.entries);
    for (const colour of palette.worth) expect(all.some(({ svg }) => svg.includes(colour))).toBe(true);
  });

  it("has a legend for every class of bends and every kind of road", () => {
    const entries = legend(name, "bends").flatMap((part) => part.entries);
    expect(entries.length).toBeGreaterThan(20);
    for (const entry of entries) {
      expect(entry.text).not.toBe("");
      expect(entry.svg).toMatch(/^<svg .*<\/svg>$/s);
    }
    const all = entries.map((entry) => entry.svg).join();
    for (const colour of palette.bends) expect(all).toContain(colour);
  });
});

it("has letters for the scripts of Europe and more", () => {
  const covered = (letter: string, face: string) => {
    const code = letter.codePointAt(0) ?? 0;
    return (fontFaces()[face] as { "unicode-range": string[] }[]).some((file) =>
      file["unicode-range"].some((range) => {
        const [from = "", to = from] = range.replace("U+", "").split("-");
        return code >= Number.parseInt(from, 16) && code <= Number.parseInt(to, 16);
      }),
    );
  };
  for (const face of Object.keys(fontFaces())) {
    for (const letter of "aéßŁőŞŽħαΏжЩіҐếợ") expect(covered(letter, face), `${letter} in ${face}`).toBe(true);
  }
});
