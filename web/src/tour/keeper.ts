// Keeps every change on the shelf. One save is on its way at a time and the newest document waits
// behind it; a copy lies in the browser's own store until the shelf has it, so that a crash of either
// side loses nothing. A save that meets somebody else's newer one stops and asks.

import type { KeptTour } from "../types/KeptTour";
import type { Tour } from "../types/Tour";

export type KeepState = "kept" | "keeping" | "waiting" | "conflict";

export interface Slot {
  id: string;
  revision: number;
}

/** What a save can come back with besides success; anything else thrown means "try again later". */
export class NewerThere extends Error {
  constructor(readonly newer: KeptTour) {
    super("somebody else saved this tour meanwhile");
  }
}
/** The server refuses this document for good. */
export class Refused extends Error {}

interface Version {
  tour: Tour;
  lengthM: number | undefined;
}

export interface KeeperHooks {
  create(tour: Tour, lengthM: number | undefined): Promise<Slot>;
  save(slot: Slot, tour: Tour, lengthM: number | undefined): Promise<number>;
  state(state: KeepState, why?: Error): void;
  created(slot: Slot): void;
  later(again: () => void, delayMs: number): void;
  /** The browser's own store; may be full or forbidden. */
  backup: { write(tour: Tour, slot: Slot | undefined): void; clear(): void };
}

/** Keeps one tour; another tour gets another keeper, and this one finishes by itself. */
export class Keeper {
  #hooks: KeeperHooks;
  #slot: Slot | undefined;
  #pending: Version | undefined;
  #conflict: (Version & { newer: KeptTour }) | undefined;
  #busy = false;
  #delayMs = 1000;

  /** `slot` is where the shelf has the tour; `undefined` when it does not know it yet. */
  constructor(hooks: KeeperHooks, slot?: Slot) {
    this.#hooks = hooks;
    this.#slot = slot;
  }

  get slot(): Slot | undefined {
    return this.#slot;
  }
  /** The newer document that somebody else saved, until the rider has chosen. */
  get conflict(): KeptTour | undefined {
    return this.#conflict?.newer;
  }

  /** Keeps a document. */
  keep(tour: Tour, lengthM?: number): void {
    this.#hooks.backup.write(tour, this.#slot);
    if (this.#conflict) {
      this.#conflict = { ...this.#conflict, tour, lengthM };
      return;
    }
    this.#pending = { tour, lengthM };
    if (!this.#busy) void this.#run();
  }

  /** After a conflict: this document replaces the newer one. */
  keepMine(): void {
    this.#settle((newer) => ({ id: newer.id, revision: newer.revision }));
  }

  /** After a conflict: this document becomes a tour of its own. */
  keepBoth(): void {
    this.#settle(() => undefined);
  }

  #settle(slot: (newer: KeptTour) => Slot | undefined): void {
    const conflict = this.#conflict;
    if (!conflict) return;
    this.#conflict = undefined;
    this.#slot = slot(conflict.newer);
    this.keep(conflict.tour, conflict.lengthM);
  }

  async #run(): Promise<void> {
    this.#busy = true;
    while (this.#pending) {
      const sent = this.#pending;
      this.#pending = undefined;
      this.#hooks.state("keeping");
      try {
        await this.#store(sent);
        this.#delayMs = 1000;
        if (this.#pending) continue;
        this.#hooks.backup.clear();
        this.#hooks.state("kept");
      } catch (error) {
        this.#failed(error as Error, this.#pending ?? sent);
        break;
      }
    }
    this.#busy = false;
  }

  async #store({ tour, lengthM }: Version): Promise<void> {
    if (this.#slot) {
      const revision = await this.#hooks.save(this.#slot, tour, lengthM);
      this.#slot = { ...this.#slot, revision };
    } else {
      this.#slot = await this.#hooks.create(tour, lengthM);
      this.#hooks.created(this.#slot);
    }
  }

  #failed(error: Error, newest: Version): void {
    if (error instanceof NewerThere) {
      this.#pending = undefined;
      this.#conflict = { ...newest, newer: error.newer };
      this.#hooks.state("conflict", error);
    } else if (error instanceof Refused) {
      this.#pending = undefined;
      this.#hooks.state("waiting", error);
    } else {
      this.#pending = newest;
      this.#hooks.state("waiting", error);
      this.#hooks.later(() => {
        if (this.#pending && !this.#busy) void this.#run();
      }, this.#delayMs);
      this.#delayMs = Math.min(15_000, this.#delayMs * 2);
    }
  }
}
