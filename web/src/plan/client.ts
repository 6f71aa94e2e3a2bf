// Asks the server for plans. The newest tour wins; lines that are already here are not sent again.
//
// Questions go over one connection that is opened with the first of them. Two may be unanswered: the
// server works on one and takes the other instead as soon as it comes; a still newer one is held here
// until an answer arrives. While there is no connection, each question is a request of its own.

import type { HandAnswer } from "../types/HandAnswer";
import type { HandQuestion } from "../types/HandQuestion";
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

/** What is needed of a `WebSocket`. */
export interface Wire {
  send(text: string): void;
  close(): void;
  onopen: ((event: Event) => void) | null;
  onmessage: ((event: MessageEvent) => void) | null;
  onclose: ((event: CloseEvent) => void) | null;
}

export interface PlanHooks {
  post(body: PlanRequest, signal: AbortSignal): Promise<Plan>;
  /** Opens the connection; without it every question is a request of its own. */
  connect?(): Wire;
  planned(result: Planned): void;
  failed(error: unknown, tour: Tour): void;
  busy?(busy: boolean): void;
}

/** Lines kept, and keys told to the server. Half of the oldest are dropped when there are more. */
const KEPT_LINES = 600;
/** Questions on the connection without an answer. */
const MOST_ASKED = 2;
/** A lost connection is tried again after a quarter of a second, then after ever longer pauses. */
const FIRST_PAUSE_MS = 250;
const LAST_PAUSE_MS = 8000;

export class PlanClient {
  #hooks: PlanHooks;
  #lines = new Map<string, Line>();
  /** A request of its own that is on its way. */
  #flight: AbortController | undefined;
  /** The newest tour, while older ones must be answered first. */
  #waiting: Tour | undefined;
  #wire: { wire: Wire; open: boolean } | undefined;
  #pauseMs = FIRST_PAUSE_MS;
  #noWireBefore = 0;
  /** Asked over the connection and not answered, oldest first. */
  #asked = new Map<number, { tour: Tour; whole: boolean }>();
  #seq = 0;

  constructor(hooks: PlanHooks) {
    this.#hooks = hooks;
  }

  /** Plans a tour. `live`: more will follow at once, do not abort what is on its way. */
  request(tour: Tour, live = false): void {
    if (this.#connected()) {
      // What still flies is older.
      this.#flight?.abort();
      this.#flight = undefined;
      this.#ask(tour);
      return;
    }
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
    this.#asked.clear();
    this.#flight?.abort();
    this.#flight = undefined;
    this.#hooks.busy?.(false);
  }

  // ---- over the connection ----

  /** Whether questions can be asked over the connection; opens it if there is none. */
  #connected(): boolean {
    if (!this.#wire && this.#hooks.connect && Date.now() >= this.#noWireBefore) {
      const connection = { wire: this.#hooks.connect(), open: false };
      this.#wire = connection;
      connection.wire.onopen = () => {
        connection.open = true;
        this.#pauseMs = FIRST_PAUSE_MS;
      };
      connection.wire.onmessage = (event) => this.#answered(JSON.parse(String(event.data)) as HandAnswer);
      connection.wire.onclose = () => this.#lost();
    }
    return this.#wire?.open === true;
  }

  #ask(tour: Tour, whole = false): void {
    if (this.#asked.size >= MOST_ASKED) {
      this.#waiting = tour;
      return;
    }
    this.#waiting = undefined;
    this.#seq += 1;
    this.#asked.set(this.#seq, { tour, whole });
    const have = whole ? [] : [...this.#lines.keys()];
    const question: HandQuestion = { seq: this.#seq, tour, have };
    this.#hooks.busy?.(true);
    this.#wire?.wire.send(JSON.stringify(question));
  }

  #answered({ seq, plan, error, hint }: HandAnswer): void {
    const asked = seq === null ? undefined : this.#asked.get(seq);
    if (seq === null || !asked) return;
    // Older ones were called off.
    for (const older of this.#asked.keys()) if (older <= seq) this.#asked.delete(older);
    const { tour, whole } = asked;
    const isNewest = this.#asked.size === 0 && !this.#waiting;
    if (plan) {
      const lines = this.#take(plan.legs);
      if (lines) this.#hooks.planned({ tour, plan, lines });
      else if (isNewest && whole) this.#hooks.failed(new Error("the plan came without its line"), tour);
      // A key was dropped between asking and answer: ask once more for everything.
      else if (isNewest) this.#ask(tour, true);
    } else if (isNewest) {
      this.#hooks.failed(new Error(hint ? `${error}: ${hint}` : (error ?? "")), tour);
    }
    if (this.#waiting) this.#ask(this.#waiting);
    else if (this.#asked.size === 0) this.#hooks.busy?.(false);
  }

  /** The connection is gone: what is unanswered goes the other way. */
  #lost(): void {
    this.#wire = undefined;
    this.#noWireBefore = Date.now() + this.#pauseMs;
    this.#pauseMs = Math.min(2 * this.#pauseMs, LAST_PAUSE_MS);
    const newest = this.#flight ? undefined : (this.#waiting ?? [...this.#asked.values()].at(-1)?.tour);
    this.#asked.clear();
    if (newest) void this.#send(newest);
  }

  // ---- by requests of their own ----

  async #send(tour: Tour): Promise<void> {
    const flight = new AbortController();
    this.#flight = flight;
    this.#hooks.busy?.(true);
    this.#waiting = undefined;
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
    if (this.#flight !== flight) return;
    this.#flight = undefined;
    const next = this.#waiting;
    this.#waiting = undefined;
    if (next) this.request(next, true);
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
