// Figures in words: always with their unit, a space between number and unit, never more digits
// than are true.

export type Units = "metric" | "miles";

const SPACE = "\u00a0"; // no-break, so that a figure stays with its unit
const METRES_PER_MILE = 1609.344;
const METRES_PER_FOOT = 0.3048;

const fixed = (n: number, digits: number) =>
  n.toLocaleString("en", { minimumFractionDigits: digits, maximumFractionDigits: digits });

/** A length along the road. */
export function length(m: number, units: Units): string {
  if (units === "miles") {
    const miles = m / METRES_PER_MILE;
    return `${fixed(miles, miles < 10 ? 1 : 0)}${SPACE}mi`;
  }
  if (m < 995) return `${Math.round(m / 10) * 10}${SPACE}m`;
  return `${fixed(m / 1000, m < 9950 ? 1 : 0)}${SPACE}km`;
}

/** A place along the tour, one decimal throughout so that a moving figure does not jump. */
export function mark(m: number, units: Units): string {
  return units === "miles" ? `${fixed(m / METRES_PER_MILE, 1)}${SPACE}mi` : `${fixed(m / 1000, 1)}${SPACE}km`;
}

/** A short distance off the road. */
export function offset(m: number, units: Units): string {
  return units === "miles" ? `${fixed(m / METRES_PER_FOOT, 0)}${SPACE}ft` : `${fixed(m, 0)}${SPACE}m`;
}

/** Height, climb, descent. */
export function height(m: number, units: Units): string {
  return offset(m, units);
}

export function speed(kmh: number, units: Units): string {
  return units === "miles"
    ? `${fixed((kmh * 1000) / METRES_PER_MILE, 0)}${SPACE}mph`
    : `${fixed(kmh, 0)}${SPACE}km/h`;
}

/** Degrees of turning on each kilometre or mile. */
export function bend(degPerKm: number, units: Units): string {
  return units === "miles"
    ? `${fixed((degPerKm * METRES_PER_MILE) / 1000, 0)}°/mi`
    : `${fixed(degPerKm, 0)}°/km`;
}

/** How often on each kilometre or mile. */
export function each(perKm: number, units: Units): string {
  return units === "miles" ? `${fixed((perKm * METRES_PER_MILE) / 1000, 1)}/mi` : `${fixed(perKm, 1)}/km`;
}

/** A time taken, to the minute. */
export function span(seconds: number): string {
  const minutes = Math.round(seconds / 60);
  if (minutes < 60) return `${minutes}${SPACE}min`;
  return `${Math.floor(minutes / 60)}${SPACE}h${SPACE}${String(minutes % 60).padStart(2, "0")}`;
}

/** `YYYY-MM-DDTHH:MM` as seconds on a clock without zones; `undefined` when it is none. */
export function clockS(local: string | null | undefined): number | undefined {
  const m = /^(\d{4})-(\d\d)-(\d\d)T(\d\d):(\d\d)/.exec(local ?? "");
  if (!m) return undefined;
  const [year, month, day, hour, minute] = m.slice(1).map(Number) as [number, number, number, number, number];
  return Date.UTC(year, month - 1, day, hour, minute) / 1000;
}

/** `HH:MM` of a clock in seconds. */
export function timeOfDay(s: number): string {
  return new Date(Math.round(s / 60) * 60_000).toISOString().slice(11, 16);
}

/** `Sat 4 Jul` of a clock in seconds. */
export function dayOfYear(s: number): string {
  return new Date(s * 1000).toLocaleDateString("en-GB", {
    weekday: "short",
    day: "numeric",
    month: "short",
    timeZone: "UTC",
  });
}

/** Degrees north and east to about a metre, as a rider would read them out. */
export function coordinate(lat: number, lon: number): string {
  const ns = `${Math.abs(lat).toFixed(5)}° ${lat < 0 ? "S" : "N"}`;
  return `${ns}, ${Math.abs(lon).toFixed(5)}° ${lon < 0 ? "W" : "E"}`;
}

/** `fine_gravel` as `fine gravel`. */
export const words = (snake: string) => snake.replaceAll("_", " ");

/** First letter large. */
export const capital = (text: string) => text.charAt(0).toUpperCase() + text.slice(1);

const ROAD_WORDS: Record<string, string> = {
  trunk: "trunk road",
  primary: "primary road",
  secondary: "secondary road",
  tertiary: "local through road",
  unclassified: "minor road",
  residential: "residential street",
  service: "service road",
  free: "drawn by hand",
};
/** Kind of road in plain words. */
export const roadKind = (cls: string) => ROAD_WORDS[cls] ?? words(cls);

const ACCESS_WORDS: Record<string, string> = {
  open: "open to motorcycles",
  destination: "only to reach something on it",
  permit: "only with a permit",
  private: "private",
  unverified: "not verified: check that motors may use it",
  closed: "closed to motorcycles",
  wrong_way: "against the one-way",
};
/** Legal access in plain words; what is not known to be open is never called open. */
export const access = (value: string) => ACCESS_WORDS[value] ?? words(value);
