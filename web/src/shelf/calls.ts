// The calls of the shelf besides those of tours; see docs/api.md.

import { json, sending } from "../api";
import type { ImportInfo } from "../types/ImportInfo";
import type { ReadAnswer } from "../types/ReadAnswer";
import type { ShelfAnswer } from "../types/ShelfAnswer";
import type { ShelfItem } from "../types/ShelfItem";
import type { TourKey } from "../types/TourKey";

export const search = (q: string, limit: number, signal: AbortSignal) =>
  json<ShelfAnswer>(`shelf?${new URLSearchParams({ q, limit: String(limit) })}`, { signal });

export const item = (key: string) => json<ShelfItem>(`shelf/items/${key}`);

/** A copy to plan from, kept as a tour of its own; its id. */
export async function copy(key: string, region: string): Promise<string> {
  const { tour } = await json<ReadAnswer>(`shelf/items/${key}/copy?${new URLSearchParams({ region })}`);
  return (await json<TourKey>("tours", sending("POST", { tour }))).id;
}

export const imports = () => json<ImportInfo[]>("shelf/imports");

export const send = (file: File) =>
  json<ImportInfo>(`shelf/imports?${new URLSearchParams({ name: file.name })}`, {
    method: "POST",
    body: file,
  });

export const tiles = (q: string, pulse: number) =>
  `${location.origin}/api/shelf/tiles/{z}/{x}/{y}?${new URLSearchParams({ q, v: String(pulse) })}`;
