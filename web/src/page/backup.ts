// Documents the shelf does not have yet, in the browser's own store: one entry a tour.

import type { Slot } from "../tour/keeper";
import type { Tour } from "../types/Tour";

const key = (id: string | undefined) => `lacet-unsaved:${id ?? ""}`;

export function write(tour: Tour, slot: Slot | undefined): void {
  try {
    localStorage.setItem(key(slot?.id), JSON.stringify({ tour, slot }));
  } catch {
    // Full or forbidden: the shelf still gets the document with the next save.
  }
}

export function forget(slot: Slot | undefined): void {
  try {
    localStorage.removeItem(key(slot?.id));
  } catch {
    // As above.
  }
}

export function read(id: string | undefined): { tour: Tour; slot?: Slot } | undefined {
  try {
    const text = localStorage.getItem(key(id));
    const value = text ? (JSON.parse(text) as { tour: Tour; slot?: Slot }) : undefined;
    return Array.isArray(value?.tour?.points) ? value : undefined;
  } catch {
    return undefined;
  }
}
