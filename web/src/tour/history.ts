// Undo and redo without end: two stacks of documents around the present one.

export class History<T> {
  #past: T[] = [];
  #future: T[] = [];
  #now: T;

  constructor(now: T) {
    this.#now = now;
  }

  get now(): T {
    return this.#now;
  }
  get canUndo(): boolean {
    return this.#past.length > 0;
  }
  get canRedo(): boolean {
    return this.#future.length > 0;
  }

  /** A new present; what had been undone can no longer be redone. Nothing changed, nothing kept. */
  push(next: T): void {
    if (next === this.#now) return;
    this.#past.push(this.#now);
    this.#future = [];
    this.#now = next;
  }

  undo(): T {
    const back = this.#past.pop();
    if (back !== undefined) {
      this.#future.push(this.#now);
      this.#now = back;
    }
    return this.#now;
  }

  redo(): T {
    const again = this.#future.pop();
    if (again !== undefined) {
      this.#past.push(this.#now);
      this.#now = again;
    }
    return this.#now;
  }
}
