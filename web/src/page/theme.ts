// The page takes its colours and its lettering from the map's sheet, so that both are one print.

import { effect } from "@preact/signals";
import { fontFaces, PLAIN, STRONG } from "../map/fonts";
import { PALETTES } from "../map/palette";
import * as state from "./state";

export function dress(): void {
  const faces = fontFaces() as Record<string, { url: string; "unicode-range"?: string[] }[]>;
  for (const [name, weight] of [
    [PLAIN, "400"],
    [STRONG, "600"],
  ] as const) {
    for (const face of faces[name] ?? []) {
      document.fonts.add(
        new FontFace("Lacet", `url(${face.url})`, {
          weight,
          display: "swap",
          ...(face["unicode-range"] ? { unicodeRange: face["unicode-range"].join(",") } : {}),
        }),
      );
    }
  }
  effect(() => {
    const name = state.dark.value ? "night" : "day";
    const palette = PALETTES[name];
    const root = document.documentElement;
    root.dataset.sheet = name;
    for (const [i, colour] of palette.worth.entries()) root.style.setProperty(`--worth-${i}`, colour);
    for (const [i, colour] of palette.bends.entries()) root.style.setProperty(`--bend-${i}`, colour);
    for (const key of [
      "land",
      "ink",
      "quietInk",
      "line",
      "lineEdge",
      "stop",
      "via",
      "pointInk",
      "warn",
    ] as const) {
      root.style.setProperty(`--sheet-${key}`, palette[key]);
    }
  });
}
