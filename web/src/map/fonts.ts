// The lettering: Source Sans 3, a humanist sans under the Open Font License, from its npm package.
// Each face is a set of files by script; a file is fetched only when a letter of it is drawn.

import ranges from "@fontsource/source-sans-3/unicode.json";
import type { FontFacesSpecification } from "maplibre-gl";

const FILES = import.meta.glob<string>(
  [
    "../../node_modules/@fontsource/source-sans-3/files/source-sans-3-*-400-normal.woff2",
    "../../node_modules/@fontsource/source-sans-3/files/source-sans-3-*-400-italic.woff2",
    "../../node_modules/@fontsource/source-sans-3/files/source-sans-3-*-600-normal.woff2",
  ],
  { query: "?url", import: "default", eager: true },
);

export const PLAIN = "Sheet";
export const ITALIC = "Sheet italic";
export const STRONG = "Sheet semibold";

/** The faces of the map's lettering, for a style's `font-faces`. */
export function fontFaces(): FontFacesSpecification {
  return { [PLAIN]: face("400-normal"), [ITALIC]: face("400-italic"), [STRONG]: face("600-normal") };
}

function face(cut: string): { url: string; "unicode-range": string[] }[] {
  return Object.entries(ranges).flatMap(([script, range]) => {
    const found = Object.entries(FILES).find(([path]) =>
      path.endsWith(`source-sans-3-${script}-${cut}.woff2`),
    );
    return found ? [{ url: found[1], "unicode-range": range.split(",") }] : [];
  });
}
