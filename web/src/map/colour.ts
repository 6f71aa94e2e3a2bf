// Colour arithmetic. OKLab after Björn Ottosson, "A perceptual color space for image processing"
// (2020); contrast after WCAG 2.2, "relative luminance" and "contrast ratio".

/** Lightness 0..1, chroma (0 grey, 0.2 vivid), hue in degrees. */
export type Oklch = readonly [lightness: number, chroma: number, hue_deg: number];

type Triple = [number, number, number];

/** `#rrggbb` of a colour; chroma is lowered until the screen can show it, lightness stays. */
export function hex([lightness, chroma, hue_deg]: Oklch): string {
  let c = chroma;
  let rgb = linear([lightness, c, hue_deg]);
  while (c > 0 && rgb.some((v) => v < -1e-4 || v > 1 + 1e-4)) {
    c = Math.max(0, c - 0.002);
    rgb = linear([lightness, c, hue_deg]);
  }
  const byte = (v: number) => Math.round(255 * encode(Math.min(1, Math.max(0, v))));
  return `#${rgb.map((v) => byte(v).toString(16).padStart(2, "0")).join("")}`;
}

/** `rgba()` of a `#rrggbb` colour. */
export function fade(colour: string, alpha: number): string {
  return `rgba(${bytes(colour).join(", ")}, ${alpha})`;
}

/** `steps` colours in a straight OKLab line, so that each is as much lighter than the last. */
export function ramp(from: Oklch, to: Oklch, steps: number): string[] {
  const [a, b] = [toLab(from), toLab(to)];
  return Array.from({ length: steps }, (_, i) => {
    const t = i / (steps - 1);
    const [l, x, y] = a.map((v, k) => v + t * ((b[k] ?? 0) - v)) as Triple;
    return hex([l, Math.hypot(x, y), (Math.atan2(y, x) * 180) / Math.PI]);
  });
}

/** Contrast ratio of two `#rrggbb` colours, 1..21. */
export function contrast(a: string, b: string): number {
  const [light, dark] = [luminance(a), luminance(b)].sort((x, y) => y - x) as [number, number];
  return (light + 0.05) / (dark + 0.05);
}

/** OKLab lightness, 0..1, of a `#rrggbb` colour. */
export function lightness(colour: string): number {
  const [r, g, b] = bytes(colour).map((v) => decode(v / 255)) as Triple;
  const l = Math.cbrt(0.4122214708 * r + 0.5363325363 * g + 0.0514459929 * b);
  const m = Math.cbrt(0.2119034982 * r + 0.6806995451 * g + 0.1073969566 * b);
  const s = Math.cbrt(0.0883024619 * r + 0.2817188376 * g + 0.6299787005 * b);
  return 0.2104542553 * l + 0.793617785 * m - 0.0040720468 * s;
}

/** Relative luminance, 0..1, of a `#rrggbb` colour: what is left of it in grey. */
export function luminance(colour: string): number {
  const [r, g, b] = bytes(colour).map((v) => decode(v / 255)) as Triple;
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
}

function bytes(colour: string): Triple {
  return [1, 3, 5].map((i) => Number.parseInt(colour.slice(i, i + 2), 16)) as Triple;
}

function toLab([l, c, h]: Oklch): Triple {
  const angle = (h * Math.PI) / 180;
  return [l, c * Math.cos(angle), c * Math.sin(angle)];
}

function linear(colour: Oklch): Triple {
  const [lightness, a, b] = toLab(colour);
  const l = (lightness + 0.3963377774 * a + 0.2158037573 * b) ** 3;
  const m = (lightness - 0.1055613458 * a - 0.0638541728 * b) ** 3;
  const s = (lightness - 0.0894841775 * a - 1.291485548 * b) ** 3;
  return [
    4.0767416621 * l - 3.3077115913 * m + 0.2309699292 * s,
    -1.2684380046 * l + 2.6097574011 * m - 0.3413193965 * s,
    -0.0041960863 * l - 0.7034186147 * m + 1.707614701 * s,
  ];
}

function encode(v: number): number {
  return v <= 0.0031308 ? 12.92 * v : 1.055 * v ** (1 / 2.4) - 0.055;
}

function decode(v: number): number {
  return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
}
