// Asks the server for plans. The newest tour wins; lines that are already here are not sent again.
//
// While a point is dragged (`live`) one request is in flight and the latest tour waits behind it:
// aborting each time would mean that no answer ever arrives. Otherwise an older request is aborted.

import type { Leg } from "../types/Leg";
import type { Line } from "../types/Line";
import type { Plan } from "../types/Plan";
import type { PlanRequest } from "../types/PlanRequest";
import type { Tour } from "../types/Tour";

/** A plan whose legs all have their line, and the tour it is the plan of. */
export interface Planned {
  tour: Tour;
  plan: Plan;
  lines: Line[];
}

export interface PlanHooks {
  post(body: PlanRequest, signal: AbortSignal): Promise<Plan>;
  planned(result: Planned): void;
  failed(error: unknown, tour: Tour): void;
  busy?(busy: boolean): void;
}

/** Lines kept, and keys told to the server. Half of the oldest are dropped when there are more. */
const KEPT_LINES = 600;

export class PlanClient {
  #hooks: PlanHooks;
  #lines = new Map<string, Line>();
  #flight: AbortController | undefined;
  #waiting: Tour | undefined;

  constructor(hooks: PlanHooks) {
    this.#hooks = hooks;
  }

  /** Plans a tour. `live`: more will follow at once, do not abort what is on its way. */
  request(tour: Tour, live = false): void {
    if (this.#flight && live) {
      this.#waiting = tour;
      return;
    }
    this.#waiting = undefined;
    this.#flight?.abort();
    void this.#send(tour);
  }

  /** Forgets what is on its way and waiting (another tour is opened). */
  cancel(): void {
    this.#waiting = undefined;
    this.#flight?.abort();
    this.#flight = undefined;
    this.#hooks.busy?.(false);
  }

  async #send(tour: Tour): Promise<void> {
    const flight = new AbortController();
    this.#flight = flight;
    this.#hooks.busy?.(true);
    try {
      const plan = await this.#hooks.post({ tour, have: [...this.#lines.keys()] }, flight.signal);
      if (this.#flight !== flight) return;
      let lines = this.#take(plan.legs);
      if (!lines) {
        // A key was dropped between asking and answer: ask once more for everything.
        const whole = await this.#hooks.post({ tour, have: [] }, flight.signal);
        if (this.#flight !== flight) return;
        lines = this.#take(whole.legs);
        if (!lines) throw new Error("the plan came without its line");
      }
      this.#hooks.planned({ tour, plan, lines });
    } catch (error) {
      if (this.#flight !== flight || flight.signal.aborted) return;
      this.#hooks.failed(error, tour);
    }
    this.#flight = undefined;
    const next = this.#waiting;
    this.#waiting = undefined;
    if (next) void this.#send(next);
    else this.#hooks.busy?.(false);
  }

  #take(legs: Leg[]): Line[] | undefined {
    const lines: Line[] = [];
    for (const leg of legs) {
      const line = leg.line ?? this.#lines.get(leg.key);
      if (!line) return undefined;
      // Set again, so that the order of the map is that of last use.
      this.#lines.delete(leg.key);
      this.#lines.set(leg.key, line);
      lines.push(line);
    }
    if (this.#lines.size > KEPT_LINES) {
      const surplus = [...this.#lines.keys()].slice(0, Math.max(0, this.#lines.size - KEPT_LINES / 2));
      const needed = new Set(legs.map((leg) => leg.key));
      for (const key of surplus) if (!needed.has(key)) this.#lines.delete(key);
    }
    return lines;
  }
}
