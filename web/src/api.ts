// The calls of docs/api.md. Every refusal becomes a `Refusal` with the server's own words; no answer
// at all becomes `Silence`.

import { answerOf, type Progress } from "./plan/stream";
import { NewerThere, Refused, type Slot } from "./tour/keeper";
import type { Conflict } from "./types/Conflict";
import type { DayLimits } from "./types/DayLimits";
import type { DaySplit } from "./types/DaySplit";
import type { ErrorBody } from "./types/ErrorBody";
import type { FoundPlace } from "./types/FoundPlace";
import type { KeptTour } from "./types/KeptTour";
import type { NearRoad } from "./types/NearRoad";
import type { Plan } from "./types/Plan";
import type { PlanRequest } from "./types/PlanRequest";
import type { Proposals } from "./types/Proposals";
import type { ReadAnswer } from "./types/ReadAnswer";
import type { RegionInfo } from "./types/RegionInfo";
import type { Stretch } from "./types/Stretch";
import type { Taste } from "./types/Taste";
import type { Tour } from "./types/Tour";
import type { TourEntry } from "./types/TourEntry";

/** The server answered no. */
export class Refusal extends Error {
  constructor(
    readonly status: number,
    readonly body: ErrorBody,
  ) {
    super(body.hint ? `${body.error}: ${body.hint}` : body.error);
  }
}
/** The server did not answer. */
export class Silence extends Error {
  constructor() {
    super("no answer from Lacet on this machine");
  }
}

export type FileKind = "gpx" | "geojson" | "kml";

/** What the page wants remembered between visits. */
export interface Remembered {
  tour?: string | undefined;
  units?: "metric" | "miles";
  palette?: "system" | "day" | "night";
  view?: { region: string; lat: number; lon: number; zoom: number };
  /** Tastes kept under a name. */
  tastes?: Taste[];
  /** What roads are shaded by. */
  shade?: "bends" | "worth";
}

async function call(path: string, init: RequestInit = {}): Promise<Response> {
  let answer: Response;
  try {
    answer = await fetch(`/api/${path}`, init);
  } catch (error) {
    if (error instanceof DOMException && error.name === "AbortError") throw error;
    throw new Silence();
  }
  if (answer.ok) return answer;
  let body: ErrorBody;
  try {
    body = (await answer.json()) as ErrorBody;
  } catch {
    // A proxy in between answers 502 to 504 for a server that is gone.
    if (answer.status >= 502 && answer.status <= 504) throw new Silence();
    body = { error: `the server answered ${answer.status}`, hint: "" };
  }
  throw new Refusal(answer.status, body);
}

export async function json<T>(path: string, init?: RequestInit): Promise<T> {
  return (await call(path, init)).json() as Promise<T>;
}

export const sending = (method: string, body: unknown, signal?: AbortSignal): RequestInit => ({
  method,
  headers: { "content-type": "application/json" },
  body: JSON.stringify(body),
  ...(signal ? { signal } : {}),
});

const inRegion = (region: string, rest: string) => `regions/${encodeURIComponent(region)}/${rest}`;

export const getRegions = () => json<RegionInfo[]>("regions");
export const getTastes = () => json<Taste[]>("tastes");
export const getState = () => json<Remembered>("state");
/** `keepalive`: the page is going away. */
export const putState = (state: Remembered, keepalive = false) =>
  call("state", { ...sending("PUT", state), keepalive });

export const postPlan = (body: PlanRequest, signal: AbortSignal) =>
  json<Plan>("plan", sending("POST", body, signal));

/** The connection for questions that follow each other quickly. */
export const openHand = () => new WebSocket(`${location.origin.replace(/^http/, "ws")}/api/hand`);

export function find(
  region: string,
  query: string,
  near: { lat: number; lon: number },
  limit: number,
  signal: AbortSignal,
) {
  const q = new URLSearchParams({
    q: query,
    lat: near.lat.toFixed(5),
    lon: near.lon.toFixed(5),
    limit: String(limit),
  });
  return json<FoundPlace[]>(inRegion(region, `find?${q}`), { signal });
}

/** The nearest road, or `undefined` when there is none within the radius. */
export async function nearRoad(
  region: string,
  lat: number,
  lon: number,
  radiusM: number,
): Promise<NearRoad | undefined> {
  const q = new URLSearchParams({
    lat: lat.toFixed(6),
    lon: lon.toFixed(6),
    radius_m: String(Math.round(radiusM)),
  });
  try {
    const answer = await call(inRegion(region, `near?${q}`));
    if (answer.status === 204) return undefined;
    return ((await answer.json()) as NearRoad | null) ?? undefined;
  } catch (error) {
    if (error instanceof Refusal && error.status === 404) return undefined;
    throw error;
  }
}

/** A stretch of road with its line. */
export const getStretch = (region: string, id: number, signal?: AbortSignal) =>
  json<Stretch>(inRegion(region, `stretch/${id}`), signal ? { signal } : {});

/** The best stretches that touch a box (west, south, east, north), best first. */
export function bestStretches(
  region: string,
  bounds: [number, number, number, number],
  limit: number,
  signal: AbortSignal,
) {
  const q = new URLSearchParams({
    bounds: bounds.map((deg) => deg.toFixed(5)).join(","),
    limit: String(limit),
  });
  return json<Stretch[]>(inRegion(region, `stretches?${q}`), { signal });
}

/** A taste from the bytes of its TOML file. */
export const readTaste = (toml: ArrayBuffer) =>
  json<Taste>("tastes/read", { method: "POST", headers: { "content-type": "application/toml" }, body: toml });

/** The TOML file of a taste. */
export const writeTaste = async (taste: Taste) => (await call("tastes/write", sending("POST", taste))).text();

/** Rides that are proposed; the search tells how far it is and ends when `signal` says so. */
export async function propose(
  what: "alternatives" | "between" | "round",
  body: unknown,
  onProgress: (progress: Progress) => void,
  signal: AbortSignal,
): Promise<Proposals> {
  const answer = await call(`propose/${what}`, sending("POST", body, signal));
  if (!answer.body) throw new Silence();
  const refuse = (refusal: ErrorBody) => new Refusal(answer.status, refusal);
  return answerOf<Proposals>(answer.body, onProgress, refuse);
}

/** The tour as a file, and the name the server gave it. */
export async function exportFile(
  kind: FileKind,
  tour: Tour,
  splitDays: boolean,
): Promise<{ name: string; blob: Blob }> {
  const answer = await call(`export/${kind}`, sending("POST", { tour, split_days: splitDays }));
  return { name: nameOf(answer, `tour.${splitDays ? "zip" : kind}`), blob: await answer.blob() };
}

/** Nights for a long tour, within limits. */
export const proposeDays = (tour: Tour, limits: DayLimits) =>
  json<DaySplit>("days", sending("POST", { tour, limits }));

/** What a tour is put on paper as. */
export type PaperKind = "roadbook.pdf" | "roadbook.html" | "handout.html";
export type PaperSize = "a5" | "a4" | "letter";

/** The tour on paper, and the name the server gave the file. */
export async function paper(
  kind: PaperKind,
  tour: Tour,
  size: PaperSize,
): Promise<{ name: string; blob: Blob }> {
  const answer = await call(`paper/${kind}`, sending("POST", { tour, size }));
  return { name: nameOf(answer, kind), blob: await answer.blob() };
}

function nameOf(answer: Response, otherwise: string): string {
  const header = answer.headers.get("content-disposition") ?? "";
  return /filename="?([^";]+)"?/.exec(header)?.[1] ?? otherwise;
}

export function readFile(region: string, file: File): Promise<ReadAnswer> {
  const q = new URLSearchParams({ region, name: file.name });
  return json<ReadAnswer>(`read?${q}`, {
    method: "POST",
    headers: { "content-type": "application/octet-stream" },
    body: file,
  });
}

export const listTours = () => json<TourEntry[]>("tours");
export const getTour = (id: string) => json<KeptTour>(`tours/${encodeURIComponent(id)}`);
export const deleteTour = (id: string) => call(`tours/${encodeURIComponent(id)}`, { method: "DELETE" });
export const restoreTour = (id: string) =>
  call(`tours/${encodeURIComponent(id)}/restore`, { method: "POST" });

const withLength = (lengthM: number | undefined) => (lengthM === undefined ? {} : { length_m: lengthM });

export async function createTour(tour: Tour, lengthM?: number): Promise<Slot> {
  try {
    return await json<Slot>("tours", sending("POST", { tour, ...withLength(lengthM) }));
  } catch (error) {
    throw settled(error);
  }
}

export async function saveTour(slot: Slot, tour: Tour, lengthM?: number): Promise<number> {
  const body = { revision: slot.revision, tour, ...withLength(lengthM) };
  try {
    const path = `tours/${encodeURIComponent(slot.id)}`;
    return (await json<{ revision: number }>(path, sending("PUT", body))).revision;
  } catch (error) {
    if (error instanceof Refusal && error.status === 409) {
      const { newer } = error.body as Conflict;
      if (newer) throw new NewerThere(newer);
    }
    throw settled(error);
  }
}

/** A refusal of the document itself will not get better by waiting; anything else may. */
function settled(error: unknown): unknown {
  if (error instanceof Refusal && error.status >= 400 && error.status < 500 && error.status !== 429) {
    return new Refused(error.message);
  }
  return error;
}
